// Takes readings: who reads low with nothing driven, and while each pin in use is driven low in
// turn. Knows what changed since the reading before. Also watches one crossing closely. No lines, no
// link.
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

static const uint8_t MAX_EDGES = 28;  // so that an EDGES line fits the ring: wire-v1.md, section 3
static const uint8_t EDGE_STEP_US = 4;  // so that 250 ms fit 16 bits; also a step of an AVR's clock

class Scanner {
public:
    Scanner() : use_(0), n_(0) {}

    void set_use(Mask use);     // forgets the reading; touches no pin
    Mask use() const { return use_; }
    uint8_t lines() const { return n_; }

    void settle_to_rise_time(); // measure how long released lines take to rise
    // Of a line, in eighths of a microsecond; 0: it did not rise. Until the next take() or watch().
    uint16_t rise(uint8_t line) const { return uint16_t(low_[line]); }
    uint8_t settle_us() const { return settle_us_; }

    void take();                // one reading; afterwards the lines are pulled, none is driven
    // The level at `sense` while `drive` is driven low, in mV; -1 if `drive` does not go low.
    int32_t level(uint8_t drive, uint8_t sense);

    // One crossing, looked at again and again. Forgets the reading.
    void watch(Mask drive, Mask sense, uint8_t drive_pin);
    bool look();                // false: the driven pin does not go low
    // Times are in steps of EDGE_STEP_US, and counted from t_us().
    uint16_t watched() const { return looked_; }  // until the latest look
    uint16_t gap() const { return gap_; }         // longest time between two looks
    bool closed_first() const { return closed_ ^ (edges_ & 1); }
    uint8_t edges() const { return edges_; }
    uint16_t edge(uint8_t k) const { return edge_[k]; }

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
    uint8_t settle_us_;
    uint32_t t_us_;
    Mask rest_, changed_;
    union {
        Mask low_[PROBE_PINS];
        uint16_t edge_[MAX_EDGES];  // of a watched crossing
    };
    bool rest_changed_;
    uint8_t changes_;
    Mask refused_;              // pins that did not go low: the supply holds them up
    uint8_t until_retry_;       // readings until they are tried again
    Mask watch_drive_, watch_sense_;
    uint16_t looked_, gap_;
    uint8_t watch_pin_, edges_;
    bool closed_;               // at the latest look
};

}  // namespace probe

#endif
