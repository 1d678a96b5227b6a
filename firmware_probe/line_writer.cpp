// See line_writer.h.
#include "line_writer.h"

#include "crc.h"
#include "flash.h"

namespace probe {

namespace {

const uint32_t POWERS[] IN_FLASH = {1000000000, 100000000, 10000000, 1000000, 100000,
                                    10000,      1000,      100,      10};

char hex_digit(uint8_t nibble) {
    return char(nibble < 10 ? '0' + nibble : 'A' + nibble - 10);
}

// The digits of a mask without leading zeros; returns how many.
uint8_t hex_text(uint32_t value, char* out) {
    char reversed[8];
    uint8_t n = 0;
    do {
        reversed[n++] = hex_digit(uint8_t(value) & 15);
        value >>= 4;
    } while (value);
    for (uint8_t i = 0; i < n; i++) out[i] = reversed[n - 1 - i];
    return n;
}

}  // namespace

void LineWriter::put(char c) {
    uint16_t next = uint16_t(end_ + 1) & (RING - 1);
    if (next == tail_) {
        fits_ = false;
        return;
    }
    ring_[end_] = uint8_t(c);
    end_ = next;
}

void LineWriter::raw(char c) {
    crc_ = crc_add(crc_, uint8_t(c));
    put(c);
}

void LineWriter::begin(const char* word) {
    end_ = head_;
    fits_ = true;
    crc_ = CRC_START;
    while (char c = char(flash_byte(word++))) raw(c);
}

void LineWriter::text(const char* text) {
    raw(' ');
    while (char c = char(flash_byte(text++))) raw(c);
}

// By subtraction: a 32-bit division costs an AVR some 600 cycles a digit.
void LineWriter::digits(uint32_t value) {
    bool begun = false;
    for (uint8_t i = 0; i < sizeof POWERS / sizeof *POWERS; i++) {
        uint32_t power = flash_word32(&POWERS[i]);
        char digit = '0';
        while (value >= power) {
            value -= power;
            digit++;
        }
        if (digit != '0') begun = true;
        if (begun) raw(digit);
    }
    raw(char('0' + value));
}

void LineWriter::hex(uint32_t value) {
    char text[8];
    uint8_t n = hex_text(value, text);
    for (uint8_t i = 0; i < n; i++) raw(text[i]);
}

void LineWriter::number(uint32_t value) {
    raw(' ');
    digits(value);
}

void LineWriter::mask(uint32_t value) {
    raw(' ');
    hex(value);
}

void LineWriter::change(uint8_t pin, uint32_t m) {
    raw(' ');
    digits(pin);
    raw('=');
    hex(m);
}

void LineWriter::rest_change(uint32_t m) {
    raw(' ');
    raw('r');
    raw('=');
    hex(m);
}

void LineWriter::check(uint16_t crc) {
    raw(' ');
    for (int8_t shift = 12; shift >= 0; shift -= 4) raw(hex_digit(uint8_t(crc >> shift) & 15));
}

bool LineWriter::end() {
    uint16_t crc = crc_;
    put('*');
    for (int8_t shift = 12; shift >= 0; shift -= 4) put(hex_digit(uint8_t(crc >> shift) & 15));
    put('\n');
    if (fits_) head_ = end_;
    return fits_;
}

void LineWriter::start_over() {
    tail_ = end_ = head_;
    put('\n');
    head_ = end_;
}

void LineWriter::pump() {
    while (tail_ != head_) {
        uint16_t n = (head_ > tail_ ? head_ : RING) - tail_;
        uint8_t taken = board::write(ring_ + tail_, uint8_t(n > 255 ? 255 : n));
        if (!taken) return;
        tail_ = (tail_ + taken) & (RING - 1);
    }
}

ReadingCheck::ReadingCheck() : crc_(CRC_START), first_(true) {}

void ReadingCheck::add(uint32_t mask) {
    char text[8];
    uint8_t n = hex_text(mask, text);
    if (!first_) crc_ = crc_add(crc_, ' ');
    first_ = false;
    for (uint8_t i = 0; i < n; i++) crc_ = crc_add(crc_, uint8_t(text[i]));
}

}  // namespace probe
