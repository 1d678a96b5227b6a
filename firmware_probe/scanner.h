// Takes readings: who reads low with nothing driven, and while each pin in use is driven low in
// turn. Knows what changed since the reading before. No lines, no link.
#ifndef PROBE_SCANNER_H
#define PROBE_SCANNER_H

#include <stdint.h>

#include "board.h"

namespace probe {

using board::Mask;

// Least and greatest wait for lines to settle, in microseconds. A line of 50 kOhm and 200 pF takes
// about 4 us to read high again; above 180 us a line is leaky rather than slow. Five waits of 180 us
// are less than the 1.024 ms of an AVR core's clock interrupt, which waits while a pin is driven.
#ifndef PROBE_SETTLE_MIN_US
#define PROBE_SETTLE_MIN_US 10
#endif
#ifndef PROBE_SETTLE_MAX_US
#define PROBE_SETTLE_MAX_US 180
#endif
#ifndef PROBE_READ_AGAIN
#define PROBE_READ_AGAIN 4  // how often, at most, a mask that shows something new is read again
#endif

class Scanner {
public:
    Scanner() : use_(0), n_(0) {}

    void set_use(Mask use);     // forgets the reading; touches no pin
    Mask use() const { return use_; }
    uint8_t lines() const { return n_; }

    void settle_to_rise_time(); // measure how long released lines take to rise
    uint16_t settle_us() const { return settle_us_; }

    void take();                // one reading; afterwards the lines are pulled, none is driven
    // The level at `sense` while `drive` is driven low, in mV; -1 if `drive` does not go low.
    int32_t level(uint8_t drive, uint8_t sense);

    uint32_t t_us() const { return t_us_; }
    Mask rest() const { return rest_; }
    Mask low(uint8_t line) const { return low_[line]; }
    bool rest_changed() const { return rest_changed_; }
    Mask changed() const { return changed_; }   // bit i = pin i's mask differs from before
    uint8_t changes() const { return changes_; }

private:
    Mask line(uint8_t pin, Mask bit, Mask rest);
    Mask confirmed(Mask now, Mask plain);

    Mask use_;
    uint8_t n_;
    uint16_t settle_us_;
    uint32_t t_us_;
    Mask rest_, low_[PROBE_PINS], changed_;
    bool rest_changed_;
    uint8_t changes_;
    Mask refused_;              // pins that did not go low: the supply holds them up
    uint8_t until_retry_;       // readings until they are tried again
};

}  // namespace probe

#endif
