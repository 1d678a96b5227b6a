// Builds whole lines, "BODY*CRC\n", in a ring from which the link is fed. A line that does not fit
// is taken back whole: the other end sees a line or nothing (wire-v1.md, P10).
#ifndef PROBE_LINE_WRITER_H
#define PROBE_LINE_WRITER_H

#include <stdint.h>

#include "board.h"

namespace probe {

// Longest line: SCAN with every pin: 26 characters up to its counters, one mask of a space and a
// digit per four pins for rest and each pin, check and newline. One place of the ring stays empty.
static const uint16_t MASK_CHARS = 1 + (PROBE_PINS + 3) / 4;
static const uint16_t LONGEST_LINE = 26 + (1 + PROBE_PINS) * MASK_CHARS + 6;
static const uint16_t RING = LONGEST_LINE < 256 ? 256 : 512;

class LineWriter {
public:
    LineWriter() : head_(0), tail_(0), crc_(0), end_(0), fits_(true) {}

    void begin(const char* word_in_flash);
    void number(uint32_t value);            // space, decimal
    void mask(uint32_t value);              // space, hex
    void change(uint8_t pin, uint32_t m);   // space, pin=mask
    void rest_change(uint32_t m);           // space, r=mask
    void check(uint16_t crc);               // space, four hex digits
    void text(const char* text_in_flash);   // space, text
    void raw(char c);
    bool end();                             // false: no room, nothing of the line remains

    bool empty() const { return head_ == tail_; }
    // Forget what was not sent. What was sent may have ended within a line: begin with a newline.
    void start_over();
    void pump();                            // hand to the link what it takes

private:
    void put(char c);
    void digits(uint32_t value);
    void hex(uint32_t value);

    uint8_t ring_[RING];
    uint16_t head_, tail_;                  // lines stand from tail_ up to head_
    uint16_t crc_;
    uint16_t end_;                          // where the unfinished line has got to
    bool fits_;
};

// CRC of the text "<rest> <m0> ... <mN-1>", as a SCAN writes it; fed one mask at a time.
class ReadingCheck {
public:
    ReadingCheck();
    void add(uint32_t mask);
    uint16_t value() const { return crc_; }

private:
    uint16_t crc_;
    bool first_;
};

}  // namespace probe

#endif
