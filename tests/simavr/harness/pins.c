/* See pins.h. */
#include "pins.h"

#include <stdio.h>
#include <string.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "half.h"

enum { MCUCR = 0x55, JTD = 7 }; /* data space; datasheet, register summary */
enum { WDTCSR = 0x60, WDE = 3 };
enum { PIN_B = 0x23 };          /* PINB; PINC and so on three further each */

uint64_t rise_cycles = 16 * 8; /* 8 us: between the 4 and 13 us worked out for real lines */

static avr_t *avr;
static uint8_t ddr[5], port[5];
static uint32_t driven, driven_high, pulled; /* by pad, now */
static uint32_t settled_low;                 /* pads whose line a low holds down, as last solved */
static uint64_t high_from[PADS];             /* cycle from which a released line reads high */
static int dirty = 1;
static uint64_t changed_at;
static int jtag_on = 1;
static uint64_t jtd_written;

/* The record that `drives?` reports. */
static struct {
    uint32_t driven, high, pulled;
    int most_at_once;
    uint64_t longest, longest_fight; /* cycles one pin was driven; ... against the supply */
    uint64_t last_active;            /* when a pin was last driven or pulled */
    uint64_t count[PADS];            /* how often each pin was driven */
    uint64_t since;
} record;
static uint64_t driven_from[PADS];

static int pad_port(int pad) { return PAD_NAMES[pad][1] - 'B'; }
static int pad_bit(int pad) { return PAD_NAMES[pad][2] - '0'; }
static int held_by_jtag(int pad) { return jtag_on && pad_port(pad) == 4 && pad_bit(pad) >= 4; }

static void levels(uint32_t low_pads, int mv[PADS]) {
    /* The same few cases come round and round: remember them until a switch changes. */
    static struct {
        unsigned epoch;
        uint32_t low_pads;
        int mv[PADS];
    } cache[64];
    unsigned slot = low_pads ? 1 + __builtin_ctz(low_pads) : 0;
    if (cache[slot].epoch != half_epoch() || cache[slot].low_pads != low_pads) {
        half_levels(low_pads, cache[slot].mv);
        cache[slot].epoch = half_epoch();
        cache[slot].low_pads = low_pads;
    }
    memcpy(mv, cache[slot].mv, sizeof cache[slot].mv);
}

static uint32_t fighting(void) { /* driven pads that the supply holds up */
    int mv[PADS];
    uint32_t pads = 0, low = driven & ~driven_high;
    if (!low) return 0;
    levels(low, mv);
    for (int i = 0; i < PADS; i++)
        if ((low >> i & 1) && mv[i] >= threshold_mv) pads |= 1u << i;
    return pads;
}

static void pins_changed(void) {
    uint32_t was = driven, fought = fighting();
    driven = driven_high = pulled = 0;
    for (int i = 0; i < PADS; i++) {
        int d = ddr[pad_port(i)] >> pad_bit(i) & 1, p = port[pad_port(i)] >> pad_bit(i) & 1;
        if (held_by_jtag(i)) continue;
        driven |= (uint32_t)d << i;
        driven_high |= (uint32_t)(d & p) << i;
        pulled |= (uint32_t)(p && !d) << i;
        if (d && !(was >> i & 1)) {
            driven_from[i] = avr->cycle;
            record.count[i]++;
        }
        if (!d && (was >> i & 1)) {
            uint64_t took = avr->cycle - driven_from[i];
            if (took > record.longest) record.longest = took;
            if ((fought >> i & 1) && took > record.longest_fight) record.longest_fight = took;
        }
    }
    record.driven |= driven;
    record.high |= driven_high;
    record.pulled |= pulled;
    if (__builtin_popcount(driven) > record.most_at_once)
        record.most_at_once = __builtin_popcount(driven);
    if (driven | pulled) record.last_active = avr->cycle;
    dirty = 1;
    changed_at = avr->cycle;
}

static void solve(void) {
    static unsigned epoch;
    int mv[PADS];
    uint32_t low = 0;
    if (!dirty && epoch == half_epoch()) return;
    /* A switch moved some time since the pins were last read: reckon from now, the latest. */
    if (epoch && epoch != half_epoch()) changed_at = avr->cycle;
    epoch = half_epoch();
    dirty = 0;
    levels(driven & ~driven_high, mv);
    for (int i = 0; i < PADS; i++) {
        if (mv[i] < threshold_mv) low |= 1u << i;
        else if (settled_low >> i & 1) high_from[i] = changed_at + rise_cycles;
    }
    settled_low = low;
}

static uint8_t on_pin_read(avr_t *a, avr_io_addr_t addr, void *param) {
    int p = (int)(intptr_t)param;
    uint8_t value = 0;
    solve();
    for (int i = 0; i < PADS; i++) {
        if (pad_port(i) != p) continue;
        int high = !(settled_low >> i & 1) && avr->cycle >= high_from[i];
        if (driven_high >> i & 1) high = 1;
        if (held_by_jtag(i)) high = 1;
        value |= high << pad_bit(i);
    }
    a->data[addr] = value;
    return value;
}

static void on_ddr(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    ddr[(intptr_t)param] = value;
    pins_changed();
}

static void on_port(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    port[(intptr_t)param] = value;
    pins_changed();
}

static void on_mcucr(avr_t *a, avr_io_addr_t addr, uint8_t value, void *param) {
    (void)param;
    a->data[addr] = value;
    if (value >> JTD & 1) {
        if (jtd_written && a->cycle - jtd_written <= 4) jtag_on = 0;
        jtd_written = a->cycle;
    }
}

/* A conversion begins: give the converter the level of its pad. */
static void on_conversion(avr_irq_t *irq, uint32_t value, void *param) {
    static const int CHANNEL[PADS] = {-1, -1, -1, -1, 11, 12, 13, -1, -1, -1, -1, -1, -1,
                                      -1, 8,  -1, 9,  10, -1, -1, 0,  1,  4,  5,  6,  7};
    int mv[PADS];
    (void)irq, (void)value, (void)param;
    levels(driven & ~driven_high, mv);
    for (int i = 0; i < PADS; i++)
        if (CHANNEL[i] >= 0 && CHANNEL[i] < 8)
            avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, CHANNEL[i]), mv[i]);
}

int reset_by_watchdog;
static void (*chip_reset)(avr_t *);

static void on_reset(avr_t *a) {
    if (chip_reset) chip_reset(a);
    reset_by_watchdog = 1;
}

void pins_attach(avr_t *chip) {
    avr = chip;
    settled_low = (1u << PADS) - 1; /* an uncharged line is low until something pulls it up */
    for (intptr_t p = 0; p < 5; p++) {
        uint32_t ctl = AVR_IOCTL_IOPORT_GETIRQ('B' + p);
        avr_irq_register_notify(avr_io_getirq(avr, ctl, IOPORT_IRQ_DIRECTION_ALL), on_ddr, (void *)p);
        avr_irq_register_notify(avr_io_getirq(avr, ctl, IOPORT_IRQ_REG_PORT), on_port, (void *)p);
        /* simavr's own read-back of an output is what was written, whatever the line does: replace
         * it by the line's level. (avr_register_io_read refuses a register that has a reader.) */
        int io = AVR_DATA_TO_IO(PIN_B + 3 * p);
        avr->io[io].r.c = on_pin_read;
        avr->io[io].r.param = (void *)p;
    }
    avr->io[AVR_DATA_TO_IO(MCUCR)].w.c = on_mcucr;
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
                            on_conversion, NULL);
    chip_reset = avr->reset;
    avr->reset = on_reset;
}

void pins_reset(void) {
    memset(ddr, 0, sizeof ddr);
    memset(port, 0, sizeof port);
    jtag_on = 1;
    jtd_written = 0;
    pins_changed();
}

void pins_forget(void) {
    memset(&record, 0, sizeof record);
    record.since = avr->cycle;
    for (int i = 0; i < PADS; i++) driven_from[i] = avr->cycle;
    pins_changed();
}

void pins_say(int resets, uint32_t baud) {
    if (driven | pulled) record.last_active = avr->cycle;
    printf("ok driven=%X high=%X pulled=%X now=%X at_once=%d longest_us=%.3f fight_us=%.3f "
           "quiet_ms=%.1f cycles=%llu jtag=%s watchdog=%s resets=%d baud=%u counts=",
           record.driven, record.high, record.pulled, driven | pulled, record.most_at_once,
           record.longest / 16.0, record.longest_fight / 16.0,
           (avr->cycle - record.last_active) / 16000.0,
           (unsigned long long)(avr->cycle - record.since), jtag_on ? "on" : "off",
           avr->data[WDTCSR] >> WDE & 1 ? "on" : "off", resets,
           (unsigned)baud);
    for (int i = 0; i < PADS; i++)
        printf("%s%llu", i ? "," : "", (unsigned long long)record.count[i]);
    printf("\n");
}
