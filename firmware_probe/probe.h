// The probe: commands in, lines out, and the rules of when it may read at all (wire-v1.md,
// sections 2, 4 and 6). Talks to the world through board.h only.
#ifndef PROBE_PROBE_H
#define PROBE_PROBE_H

#include <stdint.h>

#include "command.h"
#include "line_writer.h"
#include "scanner.h"

#define PROBE_VERSION 1
#define PROBE_BUILD "probe-1.0"

namespace probe {

static const uint16_t SILENCE_MS = 2000;  // the host has to say something at least this often
static const uint8_t SAME_MS = 80;        // how often SAME is said when nothing changes (promise: 100)

class Probe {
public:
    Probe() : state_(CLOSED) {}
    void start();   // once, first of all
    void poll();    // again and again; takes at most one reading

private:
    // CLOSED: no link. IDLE: nobody named pins. READY: USE was said. RUNNING: GO was said. WATCHING:
    // running, but for a while one crossing is looked at instead.
    enum State : uint8_t { CLOSED, IDLE, READY, RUNNING, WATCHING };

    void stop(State to);
    void listen();
    void obey(const Command& c);
    void use(Mask mask);
    void go(uint32_t period_us);
    bool crossing_fits(uint8_t drive, uint8_t sense);
    void measure_level(uint8_t drive, uint8_t sense);
    void watch(uint8_t drive, uint8_t sense, uint8_t ms);
    void look();
    void say_edge_time(uint16_t steps);
    void say_held_up();
    void say_who();
    void say_pins();
    void oops(const char* code_and_text);  // in flash
    void report();
    bool say_scan();
    bool say_diff();
    bool say_same();

    State state_;
    Scanner scanner_;
    LineWriter out_;
    LineReader in_;
    uint32_t heard_ms_;     // when the last good line came
    uint32_t said_ms_;      // when the last SCAN, DIFF or SAME was said
    uint32_t period_us_;
    uint32_t due_us_;       // when the next reading begins
    uint32_t seq_;          // of the next SCAN or DIFF
    uint8_t watch_drive_, watch_sense_, watch_ms_;
    uint8_t next_pin_;      // next PIN line to say; PROBE_PINS = none
    bool owe_scan_;         // FULL was asked, or a line was dropped
    bool suspended_;        // the bus was suspended while a scan ran; say so when it resumes
};

}  // namespace probe

#endif
