/* See pins.h. */
#include "pins.h"

#include <stdio.h>
#include <string.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "events.h"
#include "half.h"
#include "voltage.h"

enum { MCUCR = 0x55, JTD = 7 }; /* data space; datasheet, register summary */
enum { WDTCSR = 0x60, WDE = 3 };
enum { ADCL = 0x78, ADCSRB = 0x7B, ADMUX = 0x7C, MUX5 = 5 };
enum { PIN_B = 0x23 };          /* PINB; PINC and so on three further each */

static avr_t *avr;
static uint8_t ddr[5], port[5];
static uint32_t driven, driven_high, pulled; /* by pad, now */
static struct line lines[PADS];
static int analog_mv[PADS]; /* what the test puts on an analogue input instead; -1: nothing */
static avr_io_read_t read_data[2];
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

/* A hung sketch: "rjmp .-2" in place of the instruction it had come to. */
static enum { NOT, WANTED, DUE, HUNG } hang;
static uint32_t hung_pc;
static uint8_t hung_code[2];
static uint64_t hung_since, hung_cycles;

static int pad_port(int pad) { return PAD_NAMES[pad][1] - 'B'; }
static int pad_bit(int pad) { return PAD_NAMES[pad][2] - '0'; }
static int held_by_jtag(int pad) { return jtag_on && pad_port(pad) == 4 && pad_bit(pad) >= 4; }

/* Where every pad's line is going while `low_pads` are driven. */
struct aim {
    unsigned epoch;
    uint32_t low_pads;
    int held_up[PADS];
    double mv[PADS], tau[PADS];
};

static double pf_of(int pad) {
    static unsigned epoch;
    static double pf[PADS];
    if (epoch != half_epoch())
        for (int i = 0; i < PADS; i++) pf[i] = half_pf(i);
    epoch = half_epoch();
    return pf[pad];
}

static const struct aim *aim_of(uint32_t low_pads) {
    /* The same few cases come round and round: remember them until a switch changes. */
    static struct aim cache[64];
    struct aim *a = &cache[low_pads ? 1 + __builtin_ctz(low_pads) : 0];
    struct path paths[PADS];
    if (a->epoch == half_epoch() && a->low_pads == low_pads) return a;
    a->epoch = half_epoch();
    a->low_pads = low_pads;
    half_paths(low_pads, paths);
    for (int i = 0; i < PADS; i++) {
        a->held_up[i] = paths[i].drops == HELD_UP;
        a->mv[i] = level_mv(paths[i].drops, paths[i].ohm);
        /* The supply pulls as hard as a pin. */
        a->tau[i] = time_constant(a->held_up[i] ? 0 : paths[i].drops, paths[i].ohm, pf_of(i));
    }
    return a;
}

static uint32_t fighting(void) { /* driven pads that the supply holds up */
    uint32_t pads = 0, low = driven & ~driven_high;
    if (!low) return 0;
    const struct aim *aim = aim_of(low);
    for (int i = 0; i < PADS; i++)
        if ((low >> i & 1) && aim->held_up[i]) pads |= 1u << i;
    return pads;
}

static void aim_lines(void) {
    const struct aim *aim = aim_of(driven & ~driven_high);
    for (int i = 0; i < PADS; i++) {
        double mv = aim->mv[i], tau = aim->tau[i];
        if (driven_high >> i & 1) mv = supply_mv;
        else if (driven >> i & 1) mv = aim->held_up[i] ? supply_mv : 0;
        else if (!(pulled >> i & 1) && !aim->held_up[i]) tau = -1; /* floats */
        if (lines[i].to != mv || lines[i].tau != tau) line_goes(&lines[i], avr->cycle, mv, tau);
    }
}

static void pins_changed(void) {
    uint32_t was = driven, used = driven | pulled, fought = fighting();
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
            truth_driven(i, used);
        }
        if (!d && (was >> i & 1)) {
            uint64_t took = avr->cycle - driven_from[i];
            if (took > record.longest) record.longest = took;
            truth_released(i, used);
            if ((fought >> i & 1) && took > record.longest_fight) record.longest_fight = took;
        }
    }
    record.driven |= driven;
    record.high |= driven_high;
    record.pulled |= pulled;
    if (__builtin_popcount(driven) > record.most_at_once)
        record.most_at_once = __builtin_popcount(driven);
    if (driven | pulled) record.last_active = avr->cycle;
    if (hang == WANTED && driven & ~was) hang = DUE;
    aim_lines();
}

void pins_rewired(void) { aim_lines(); }

static uint8_t on_pin_read(avr_t *a, avr_io_addr_t addr, void *param) {
    int p = (int)(intptr_t)param;
    uint8_t value = 0;
    for (int i = 0; i < PADS; i++) {
        if (pad_port(i) != p) continue;
        int high = held_by_jtag(i) || line_high(&lines[i], avr->cycle);
        value |= high << pad_bit(i);
    }
    a->data[addr] = value;
    truth_read(p, value);
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

/* A conversion begins: give the converter the level of its pad. simavr's has eight inputs; the
 * other five are read by on_data_read. */
static int conversion_mv = -1; /* of an input that simavr has not */

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param) {
    static const int CHANNEL[PADS] = {-1, -1, -1, -1, 11, 12, 13, -1, -1, -1, -1, -1, -1,
                                      -1, 8,  -1, 9,  10, -1, -1, 0,  1,  4,  5,  6,  7};
    int chosen = (avr->data[ADMUX] & 0x1F) | (avr->data[ADCSRB] >> MUX5 & 1) << 5;
    (void)irq, (void)value, (void)param;
    conversion_mv = -1;
    for (int i = 0; i < PADS; i++) {
        int mv = analog_mv[i] >= 0 ? analog_mv[i] : (int)(line_mv(&lines[i], avr->cycle) + 0.5);
        if (CHANNEL[i] < 0) continue;
        if (CHANNEL[i] < 8)
            avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, CHANNEL[i]), mv);
        else if (chosen == (0x20 | (CHANNEL[i] - 8))) /* datasheet, ADC: table of MUX5:0 */
            conversion_mv = mv;
    }
}

static uint8_t on_data_read(avr_t *a, avr_io_addr_t addr, void *param) {
    uint8_t value = read_data[addr - ADCL](a, addr, param);
    int code = (int)(conversion_mv * 1024.0 / supply_mv); /* datasheet: VIN * 1024 / VREF */
    if (conversion_mv < 0) return value;
    if (code > 1023) code = 1023;
    return a->data[addr] = addr == ADCL ? code : code >> 8;
}

int reset_by_watchdog;
static int reset_leaves_pins;
static void (*chip_reset)(avr_t *);

static void on_reset(avr_t *a) {
    if (chip_reset) chip_reset(a);
    reset_by_watchdog = 1;
    for (int p = 0; p < 5; p++) /* DDRx and PORTx follow PINx */
        if (a->data[PIN_B + 3 * p + 1] | a->data[PIN_B + 3 * p + 2]) reset_leaves_pins = 1;
    if (hang == HUNG) {
        memcpy(a->flash + hung_pc, hung_code, 2);
        hung_cycles = a->cycle - hung_since;
    }
    hang = NOT;
}

void pins_attach(avr_t *chip) {
    avr = chip;
    for (int i = 0; i < PADS; i++) {
        lines[i] = (struct line){0, 0, -1, 0, 0, UINT64_MAX}; /* an uncharged line is low */
        analog_mv[i] = -1;
    }
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
    for (int i = 0; i < 2; i++) {
        read_data[i] = avr->io[AVR_DATA_TO_IO(ADCL + i)].r.c;
        avr->io[AVR_DATA_TO_IO(ADCL + i)].r.c = on_data_read;
    }
    chip_reset = avr->reset;
    avr->reset = on_reset;
}

void pins_reset(void) {
    memset(ddr, 0, sizeof ddr);
    memset(port, 0, sizeof port);
    pins_changed();
    jtag_on = 1;
    jtd_written = 0;
}

void pins_hang(void) { hang = WANTED; }

void pins_hang_if_due(void) {
    if (hang != DUE) return;
    hang = HUNG;
    hung_since = avr->cycle;
    hung_pc = avr->pc;
    memcpy(hung_code, avr->flash + hung_pc, 2);
    avr->flash[hung_pc] = 0xFF;
    avr->flash[hung_pc + 1] = 0xCF;
}

void pins_analog(int pad, int mv) { analog_mv[pad] = mv; }

void pins_forget(void) {
    memset(&record, 0, sizeof record);
    record.since = avr->cycle;
    for (int i = 0; i < PADS; i++) driven_from[i] = avr->cycle;
    pins_changed();
}

void pins_say(int resets, uint32_t baud) {
    if (driven | pulled) record.last_active = avr->cycle;
    printf("ok driven=%X high=%X pulled=%X now=%X at_once=%d longest_us=%.3f fight_us=%.3f "
           "quiet_ms=%.1f cycles=%llu jtag=%s watchdog=%s resets=%d hung_ms=%.1f cleared=%s baud=%u counts=",
           record.driven, record.high, record.pulled, driven | pulled, record.most_at_once,
           record.longest / 16.0, record.longest_fight / 16.0,
           (avr->cycle - record.last_active) / 16000.0,
           (unsigned long long)(avr->cycle - record.since), jtag_on ? "on" : "off",
           avr->data[WDTCSR] >> WDE & 1 ? "on" : "off", resets,
           hung_cycles / 16000.0, reset_leaves_pins ? "no" : "yes", (unsigned)baud);
    for (int i = 0; i < PADS; i++)
        printf("%s%llu", i ? "," : "", (unsigned long long)record.count[i]);
    printf("\n");
}
