// See scanner.h. Every path through this file drives one pin at most, and only between drive() and
// undrive() in the same function.
#include "scanner.h"

namespace probe {

namespace {

const uint8_t NOT_LOOKED = 255;  // in place of a number of edges

}  // namespace

void Scanner::set_use(Mask use) {
    use_ = use;
    n_ = 0;
    for (Mask m = use; m; m &= m - 1) n_++;
    settle_us_ = PROBE_SETTLE_MIN_US;
    rest_ = changed_ = refused_ = 0;
    for (uint8_t k = 0; k < PROBE_PINS; k++) low_[k] = 0;
    rest_changed_ = false;
    changes_ = 0;
    until_retry_ = 0;
}

void Scanner::settle_to_rise_time() {
    uint16_t slowest = 0;
    board::pull(use_);
    board::wait_us(PROBE_SETTLE_MAX_US);
    const Mask grounded = board::low();  // never rise: nothing to wait for
    until_retry_ = 0;
    uint8_t k = 0;
    Mask bit = 1;
    for (uint8_t pin = 0; pin < PROBE_PINS; pin++, bit <<= 1) {
        if (!(use_ & bit)) continue;
        uint16_t rise = 0;
        if (!(grounded & bit) && board::drive(pin)) {
            board::wait_us(5);  // ample for 200 pF through a pin: nanoseconds
            rise = board::rise(pin, PROBE_SETTLE_MAX_US);
            board::wait_us(PROBE_SETTLE_MAX_US);  // whatever conducts to this line may rise later
        }
        if (rise > slowest) slowest = rise;
        low_[k++] = rise;
    }
    uint16_t settle = (slowest * 3 + 15) / 16;  // one and a half times, of eighths
    if (settle < PROBE_SETTLE_MIN_US) settle = PROBE_SETTLE_MIN_US;
    if (settle > PROBE_SETTLE_MAX_US) settle = PROBE_SETTLE_MAX_US;
    settle_us_ = uint8_t(settle);
}

// `now`, if it is the `plain` one; else what two readings in a row agree on, a settle time apart.
Mask Scanner::confirmed(Mask now, Mask plain) {
    if (now == plain) return now;
    for (int8_t again = PROBE_READ_AGAIN; again > 0; again--) {
        board::wait_us(settle_us_);
        Mask before = now;
        now = board::low();
        if (now == before) break;
    }
    return now;
}

// One wait per line serves two ends: this line's neighbours fall, and those of the line before
// rise. A line that is late to rise looks like conduction, and conduction is read again.
Mask Scanner::line(uint8_t pin, Mask bit, Mask rest) {
    if (!board::drive(pin)) {
        refused_ |= bit;
        return 0;
    }
    board::wait_us(settle_us_);
    Mask now = confirmed(board::low(), rest | bit);
    board::undrive(pin);
    if (!(now & bit)) {  // went high while driven
        refused_ |= bit;
        return 0;
    }
    return now;
}

void Scanner::take() {
    t_us_ = board::micros();
    board::pull(use_);
    board::wait_us(settle_us_);
    Mask rest = confirmed(board::low(), rest_);
    rest_changed_ = rest != rest_;
    rest_ = rest;
    changed_ = 0;
    changes_ = 0;
    if (until_retry_-- == 0) refused_ = 0;  // counts 256 readings round
    uint8_t k = 0;
    Mask bit = 1;
    for (uint8_t pin = 0; pin < PROBE_PINS; pin++, bit <<= 1) {
        if (!(use_ & bit)) continue;
        Mask now = (refused_ & bit) ? 0 : line(pin, bit, rest);
        if (now != low_[k]) {
            low_[k] = now;
            changed_ |= bit;
            changes_++;
        }
        k++;
    }
}

void Scanner::watch(Mask drive, Mask sense, uint8_t drive_pin) {
    watch_drive_ = drive;
    watch_sense_ = sense;
    watch_pin_ = drive_pin;
    board::pull(use_);
    board::wait_us(settle_us_);
    looked_ = gap_ = 0;
    edges_ = NOT_LOOKED;
}

bool Scanner::look() {
    uint32_t now = board::micros();
    if (!board::drive(watch_pin_)) return false;
    board::wait_us(settle_us_);
    Mask low = board::low();
    board::undrive(watch_pin_);
    if (!(low & watch_drive_)) return false;
    bool closed = low & watch_sense_;
    if (edges_ == NOT_LOOKED) {
        edges_ = 0;
        t_us_ = now;
        closed_ = closed;
    }
    uint16_t at = uint16_t((now - t_us_) / EDGE_STEP_US);
    uint16_t gap = at - looked_;
    if (gap > gap_) gap_ = gap;
    looked_ = at;
    if (closed != closed_) {
        edge_[edges_++] = at;
        closed_ = closed;
    }
    return true;
}

int32_t Scanner::level(uint8_t drive, uint8_t sense) {
    uint16_t supply = board::supply_mv();
    board::pull(use_);
    board::wait_us(settle_us_);
    if (!board::drive(drive)) return -1;
    board::wait_us(PROBE_SETTLE_MAX_US);  // also fills the converter's capacitor through 50 kOhm
    uint16_t mv = board::millivolts(sense, supply);
    bool held = board::low() & (Mask(1) << drive);
    board::undrive(drive);
    return held ? int32_t(mv) : -1;
}

}  // namespace probe
