// A board that exists only in memory, for the probe's own C++ compiled on the host: wiring set by
// the test, a clock that moves only when the probe waits or the test says so, and a record of every
// rule of shared/wire-v1.md, section 6, that a pin action broke.
#ifndef FAKE_BOARD_H
#define FAKE_BOARD_H

#include <stdint.h>

#include <deque>
#include <string>

#include "board.h"

struct FakeBoard {
    // Wiring: who is low at rest, who is low with pin i driven (its own bit is added), which pins
    // the supply holds up, and which it pulls up only after they were driven low.
    board::Mask rest = 0, with[board::PINS] = {}, supply = 0, late_supply = 0;
    uint16_t rise[board::PINS];  // eighths of a microsecond; 0: it does not
    // One crossing that opens and closes by the clock: at these times, from `with` as it is.
    int flicker_drive = -1, flicker_sense = -1;
    std::deque<uint32_t> flicker_us;
    uint32_t us = 0;            // the clock
    bool up = true, suspended = false;
    std::deque<uint8_t> in;     // from the host
    std::string out;            // to the host
    int room = 1 << 20;         // bytes the link still takes

    board::Mask pulled = 0;     // now
    int driven = -1;            // now; -1 none
    // Since the start:
    board::Mask ever_driven = 0, ever_pulled = 0;
    uint32_t drives = 0, supply_drives = 0;
    std::string broken;         // the first rule broken, in words
    uint32_t fed = 0;           // how often the watchdog was fed

    FakeBoard() {
        for (uint16_t& r : rise) r = 7 * 8;
    }
    // Contacts move by the clock.
    void look() {
        while (!flicker_us.empty() && int32_t(us - flicker_us.front()) >= 0) {
            flicker_us.pop_front();
            with[flicker_drive] ^= board::Mask(1) << flicker_sense;
        }
    }
    void breaks(const char* rule) {
        if (broken.empty()) broken = rule;
    }
};

extern FakeBoard fake;

#endif
