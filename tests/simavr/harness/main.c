/* Runs the probe's real image on a simulated ATmega32U4, with a wired half on its pins, the host's
 * end of the USB bus on a pseudo-terminal, and commands on standard input.
 *
 *   harness IMAGE.elf HALF.txt LINK [--speed N] [--rise NS] [--threshold MV]
 *
 * LINK becomes a symbolic link to the pseudo-terminal while the probe is plugged in. Speed 1 is real
 * time (the default), 0 is as fast as it goes.
 *
 * Commands, one a line, each answered by one line "ok ..." or "no ...":
 *   press NAME | release NAME      close or open the switches of that name
 *   cut A B | join A B             break or make the wire between two nodes
 *   detach | attach                unplug (power goes) and plug in again
 *   suspend | resume               the bus, with power kept
 *   drives?                        what the pins have done since the start or the last `forget`
 *   forget                         begin that record anew
 *   quit
 *
 * A reset by the watchdog is counted and looks like `detach`; `attach` goes on from there.
 *
 * What it models and simavr does not: levels and rise times on the lines, shorts to the supply seen
 * in the read-back, and pads PF4-PF7 held by JTAG until JTD is written twice within four cycles.
 * What it does not: input thresholds that vary, leakage, currents.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "half.h"
#include "sim_avr.h"
#include "sim_elf.h"
#include "usbhost.h"

enum { FREQUENCY = 16000000, TICK = 16000 / 4 }; /* the host looks four times a millisecond */
enum { MCUCR = 0x55, JTD = 7 };                  /* data space; datasheet, register summary */
enum { WDTCSR = 0x60, WDE = 3 };
enum { PIN_B = 0x23 };                           /* PINB; PINC and so on three further each */

static avr_t *avr;
static double speed = 1;
static uint64_t rise_cycles = 16 * 8; /* 8 us: between the 4 and 13 us worked out for real lines */

/* --- pins --- */

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
static int resets;                               /* by the watchdog, since the start */
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

static void pins_attach(void) {
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
}

static int reset_by_watchdog;
static void (*chip_reset)(avr_t *);

static void on_reset(avr_t *a) {
    if (chip_reset) chip_reset(a);
    reset_by_watchdog = 1;
}

static void pins_reset(void) {
    memset(ddr, 0, sizeof ddr);
    memset(port, 0, sizeof port);
    jtag_on = 1;
    jtd_written = 0;
    pins_changed();
}

/* --- link --- */

static int master = -1;
static const char *link_path;
static int is_open, plugged, suspended;
static uint32_t baud;
static uint8_t to_host[64], to_probe[64];
static int n_to_host, n_to_probe;

static uint32_t speed_of(speed_t s) {
    return s == B1200 ? 1200 : s == B9600 ? 9600 : s == B57600 ? 57600 : 115200;
}

static int plug_in(void) {
    int slave;
    struct termios raw;
    char name[64];
    if (openpty(&master, &slave, name, NULL, NULL)) {
        perror("openpty");
        return -1;
    }
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    close(slave); /* from here on a hang-up on the master means: nobody has the port open */
    fcntl(master, F_SETFL, O_NONBLOCK);
    if (usb_enumerate(avr)) {
        fprintf(stderr, "the probe does not answer on the bus\n");
        return -1;
    }
    plugged = 1;
    is_open = suspended = n_to_host = n_to_probe = 0;
    baud = 115200;
    unlink(link_path);
    if (symlink(name, link_path)) {
        perror(link_path);
        return -1;
    }
    return 0;
}

static void unplug(void) {
    unlink(link_path);
    close(master);
    master = -1;
    plugged = is_open = suspended = 0;
    avr_reset(avr);
    reset_by_watchdog = 0;
    pins_reset();
}

static void serve_link(void) {
    struct pollfd p = {master, POLLIN, 0};
    poll(&p, 1, 0);
    int open_now = !(p.revents & POLLHUP);
    if (open_now) {
        struct termios t;
        if (!tcgetattr(master, &t) && speed_of(cfgetospeed(&t)) != baud) {
            baud = speed_of(cfgetospeed(&t));
            usb_line_coding(avr, baud);
        }
    }
    if (open_now != is_open) {
        is_open = open_now;
        n_to_host = n_to_probe = 0;
        usb_line_state(avr, open_now);
    }
    while (1) {
        if (!n_to_probe && (p.revents & POLLIN)) {
            int n = read(master, to_probe, sizeof to_probe);
            if (n > 0) n_to_probe = n;
        }
        if (!n_to_probe || usb_write(avr, to_probe, n_to_probe)) break;
        n_to_probe = 0;
    }
    for (int packets = 0; packets < 5; packets++) { /* 19 in a millisecond at most: USB 2.0, 5.8.4 */
        if (n_to_host) {
            int n = write(master, to_host, n_to_host);
            if (n <= 0 && is_open && errno == EAGAIN) break; /* the host does not read: wait */
            if (n > 0) memmove(to_host, to_host + n, n_to_host -= n);
            else n_to_host = 0;
            if (n_to_host) break;
        }
        int n = usb_read(avr, to_host);
        if (n < 0) break;
        n_to_host = is_open ? n : 0;
    }
}

/* --- time --- */

void run_cycles(uint64_t n) {
    uint64_t until = avr->cycle + n;
    static uint64_t next_frame;
    while (avr->cycle < until) {
        if (avr->cycle >= next_frame) {
            next_frame = avr->cycle + FREQUENCY / 1000;
            if (plugged && !suspended) usb_sof(avr);
        }
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the simulated chip stopped (state %d)\n", state);
            exit(3);
        }
    }
}

static double now_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void pace(void) {
    static double start;
    static uint64_t from;
    if (speed <= 0) return;
    double ahead = (avr->cycle - from) / (FREQUENCY * speed) - (now_s() - start);
    if (!start || ahead < -0.25) { /* begin, or give up catching up */
        start = now_s();
        from = avr->cycle;
    } else if (ahead > 0.0005) {
        usleep((useconds_t)(ahead * 1e6));
    }
}

/* --- commands --- */

static void forget(void) {
    memset(&record, 0, sizeof record);
    record.since = avr->cycle;
    for (int i = 0; i < PADS; i++) driven_from[i] = avr->cycle;
    pins_changed();
}

static void say_drives(void) {
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

static void obey(char *line) {
    char word[32] = "", a[32] = "", b[32] = "";
    int good = 1;
    sscanf(line, "%31s %31s %31s", word, a, b);
    if (!strcmp(word, "press")) good = !half_switch(a, 1);
    else if (!strcmp(word, "release")) good = !half_switch(a, 0);
    else if (!strcmp(word, "cut")) good = !half_wire(a, b, 0);
    else if (!strcmp(word, "join")) good = !half_wire(a, b, 1);
    else if (!strcmp(word, "detach")) { if ((good = plugged)) unplug(); }
    else if (!strcmp(word, "attach")) good = !plugged && !plug_in();
    else if (!strcmp(word, "suspend")) { suspended = 1; usb_suspend(avr); }
    else if (!strcmp(word, "resume")) { suspended = 0; usb_resume(avr); }
    else if (!strcmp(word, "forget")) forget();
    else if (!strcmp(word, "drives?")) { say_drives(); fflush(stdout); return; }
    else if (!strcmp(word, "quit")) { unlink(link_path); exit(0); }
    else good = 0;
    printf(good ? "ok\n" : "no: %s\n", word);
    fflush(stdout);
}

static void serve_commands(void) {
    static char line[256];
    static int n;
    struct pollfd p = {0, POLLIN, 0};
    while (poll(&p, 1, 0) > 0) {
        char c;
        if (read(0, &c, 1) != 1) { /* whoever started us is gone */
            unlink(link_path);
            exit(0);
        }
        if (c == '\n') {
            line[n] = 0;
            n = 0;
            obey(line);
        } else if (n < (int)sizeof line - 1) {
            line[n++] = c;
        }
    }
}

static void quiet(avr_t *a, const int level, const char *format, va_list ap) {
    (void)a;
    if (level <= LOG_ERROR && getenv("HARNESS_LOG")) vfprintf(stderr, format, ap);
}

int main(int argc, char **argv) {
    elf_firmware_t image = {0};
    if (argc < 4) {
        fprintf(stderr, "usage: harness IMAGE.elf HALF.txt LINK [--speed N] [--rise NS] [--threshold MV]\n");
        return 2;
    }
    for (int i = 4; i + 1 < argc; i += 2) {
        if (!strcmp(argv[i], "--speed")) speed = atof(argv[i + 1]);
        if (!strcmp(argv[i], "--rise")) rise_cycles = (uint64_t)(atof(argv[i + 1]) * 0.016 + 0.5);
        if (!strcmp(argv[i], "--threshold")) threshold_mv = atoi(argv[i + 1]);
    }
    link_path = argv[3];
    avr_global_logger_set(quiet);
    if (half_load(argv[2])) return 2;
    if (elf_read_firmware(argv[1], &image)) {
        fprintf(stderr, "%s: no image\n", argv[1]);
        return 2;
    }
    image.frequency = FREQUENCY;
    snprintf(image.mmcu, sizeof image.mmcu, "atmega32u4");
    image.vcc = image.avcc = image.aref = SUPPLY_MV;
    avr = avr_make_mcu_by_name(image.mmcu);
    if (!avr || avr_init(avr)) return 2;
    avr_load_firmware(avr, &image);
    settled_low = (1u << PADS) - 1; /* an uncharged line is low until something pulls it up */
    pins_attach();
    pins_reset();
    chip_reset = avr->reset;
    avr->reset = on_reset;
    if (plug_in()) return 3;
    printf("ok ready\n");
    fflush(stdout);
    while (1) {
        if (plugged) {
            run_cycles(TICK);
            if (reset_by_watchdog) { /* to the host: it went away, until it is plugged in again */
                resets++;
                unplug();
                continue;
            }
            serve_link();
            pace();
        } else {
            usleep(1000); /* no power, no cycles */
        }
        serve_commands();
    }
}
