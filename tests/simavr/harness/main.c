/* Runs the probe's real image on a simulated ATmega32U4, with a wired half on its pins, the host's
 * end of the USB bus on a pseudo-terminal, and commands on standard input.
 *
 *   harness IMAGE.elf HALF.txt LINK [--speed N] [...]
 *
 * LINK becomes a symbolic link to the pseudo-terminal while the probe is plugged in. Speed 1 is real
 * time (the default), 0 is as fast as it goes. --supply MV, --pull-up OHM, --vil MV, --vih MV and
 * --line-pf PF: see voltage.h and half.h.
 *
 * Commands, one a line, each answered by one line "ok ..." or "no ...":
 *   press NAME | release NAME      close or open the switches of that name
 *   cut A B | join A B             break or make the wire between two nodes
 *   analog PAD MV                  put a level on an analogue input, whatever the line does; -1: stop
 *   events FILE                    switches that move at exact moments from now on (events.h)
 *   events?                        how many of them are still to come
 *   truth FILE | truth -           write down what the sketch should have seen (events.h); end of it
 *   hang                           the chip stops executing the sketch when it next drives a pin:
 *                                  it loops on the spot
 *   detach | attach                unplug (power goes) and plug in again
 *   suspend | resume               the bus, with power kept
 *   drives?                        what the pins have done since the start or the last `forget`
 *   forget                         begin that record anew
 *   quit
 *
 * A reset by the watchdog is counted and looks like `detach`; `attach` goes on from there.
 *
 * What it models and simavr does not: voltages on the lines and how fast they change (voltage.h),
 * shorts to the supply seen in the read-back, analogue inputs 8 to 13, and pads PF4-PF7 held by JTAG
 * until JTD is written twice within four cycles. What it does not: leakage, noise, the current of
 * more than one pull-up through one diode, the boot loader.
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

#include "events.h"
#include "half.h"
#include "pins.h"
#include "sim_avr.h"
#include "sim_elf.h"
#include "usbhost.h"
#include "voltage.h"

enum { FREQUENCY = 16000000, TICK = 16000 / 4 }; /* the host looks four times a millisecond */

static avr_t *avr;
static double speed = 1;

/* --- link --- */

static int master = -1;
static const char *link_path;
static int is_open, plugged, suspended;
static int resets; /* by the watchdog, since the start */
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

/* At full speed the clock is ours: let it stand until the host has read, as one that is quick
 * enough in real time would have. */
static void wait_for_host(void) {
    struct pollfd p = {master, POLLOUT, 0};
    poll(&p, 1, 2000);
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
            if (speed <= 0) wait_for_host();
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
        if (events_run(avr->cycle)) pins_rewired();
        int state = avr_run(avr);
        pins_hang_if_due();
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

static void obey(char *line) {
    char word[32] = "", a[200] = "", b[32] = "";
    int good = 1;
    sscanf(line, "%31s %199s %31s", word, a, b);
    if (!strcmp(word, "press")) good = !half_switch(a, 1);
    else if (!strcmp(word, "release")) good = !half_switch(a, 0);
    else if (!strcmp(word, "cut")) good = !half_wire(a, b, 0);
    else if (!strcmp(word, "join")) good = !half_wire(a, b, 1);
    else if (!strcmp(word, "detach")) { if ((good = plugged)) unplug(); }
    else if (!strcmp(word, "attach")) good = !plugged && !plug_in();
    else if (!strcmp(word, "suspend")) { suspended = 1; usb_suspend(avr); }
    else if (!strcmp(word, "resume")) { suspended = 0; usb_resume(avr); }
    else if (!strcmp(word, "forget")) pins_forget();
    else if (!strcmp(word, "analog")) {
        int pad = pad_by_name(a);
        if ((good = pad >= 0 && *b)) pins_analog(pad, atoi(b));
    }
    else if (!strcmp(word, "events")) good = !events_load(a, avr->cycle);
    else if (!strcmp(word, "events?")) { printf("ok %d\n", events_left()); fflush(stdout); return; }
    else if (!strcmp(word, "truth")) good = !truth_record(strcmp(a, "-") ? a : NULL);
    else if (!strcmp(word, "hang")) pins_hang();
    else if (!strcmp(word, "drives?")) { pins_say(resets, baud); fflush(stdout); return; }
    else if (!strcmp(word, "quit")) { unlink(link_path); exit(0); }
    else good = 0;
    pins_rewired();
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
        fprintf(stderr, "usage: harness IMAGE.elf HALF.txt LINK [--speed N] [...]\n");
        return 2;
    }
    for (int i = 4; i + 1 < argc; i += 2) {
        double value = atof(argv[i + 1]);
        if (!strcmp(argv[i], "--speed")) speed = value;
        if (!strcmp(argv[i], "--supply")) supply_mv = value;
        if (!strcmp(argv[i], "--pull-up")) pull_up_ohm = value;
        if (!strcmp(argv[i], "--vil")) vil_mv = value;
        if (!strcmp(argv[i], "--vih")) vih_mv = value;
        if (!strcmp(argv[i], "--line-pf")) line_pf = value;
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
    image.vcc = image.avcc = image.aref = (uint32_t)supply_mv;
    avr = avr_make_mcu_by_name(image.mmcu);
    if (!avr || avr_init(avr)) return 2;
    avr_load_firmware(avr, &image);
    pins_attach(avr);
    pins_reset();
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
