// See fake_board.h.
#include "fake_board.h"

#include <string.h>

FakeBoard fake;

namespace board {

namespace {

Mask bit(uint8_t pin) { return Mask(1) << pin; }

}  // namespace

const char* chip() { return "atmega32u4"; }

char port_char(uint8_t pin, uint8_t at) {
    static const char* const NAMES[] = {
        "PB0", "PB1", "PB2", "PB3", "PB4", "PB5", "PB6", "PB7", "PC6", "PC7", "PD0", "PD1", "PD2",
        "PD3", "PD4", "PD5", "PD6", "PD7", "PE2", "PE6", "PF0", "PF1", "PF4", "PF5", "PF6", "PF7"};
    return NAMES[pin][at];
}

uint16_t supply_mv() { return 5000; }

void start() { release(); }

void release() {
    fake.driven = -1;
    fake.pulled = 0;
}

void pull(Mask use) {
    if (fake.driven >= 0) fake.breaks("pull() while a pin is driven");
    if (use >> (PINS - 1) >> 1) fake.breaks("pull() of a pin the board has not");
    fake.pulled = use;
    fake.ever_pulled |= use;
}

bool drive(uint8_t pin) {
    if (pin >= PINS) fake.breaks("drive() of a pin the board has not");
    if (fake.driven >= 0) fake.breaks("two pins driven at once");
    if (!(fake.pulled & bit(pin))) fake.breaks("drive() of a pin that is not in use");
    fake.ever_driven |= bit(pin);
    fake.drives++;
    if (fake.supply & bit(pin)) {
        fake.supply_drives++;
        return false;
    }
    fake.driven = pin;
    return true;
}

void undrive(uint8_t pin) {
    if (fake.driven != pin) fake.breaks("undrive() of another pin than the driven one");
    fake.driven = -1;
}

uint16_t rise(uint8_t pin, uint8_t limit_us) {
    undrive(pin);
    uint16_t took = fake.rise[pin];
    if (!took || took > limit_us * 8) {
        fake.us += limit_us;
        return 0;
    }
    fake.us += took / 8 + 1;
    return took;
}

Mask low() {
    fake.look();
    Mask mask = fake.rest;
    if (fake.driven >= 0) mask |= fake.with[fake.driven] | bit(uint8_t(fake.driven));
    return mask & fake.pulled & ~(fake.supply | fake.late_supply);
}

bool has_analog(uint8_t pin) { return pin >= 20; }

uint16_t millivolts(uint8_t pin, uint16_t supply) {
    if (fake.driven < 0) fake.breaks("a level measured with nothing driven");
    fake.us += 520;
    return low() & bit(pin) ? 511 : supply;
}

uint32_t micros() {
    fake.us += 4;  // as the AVR core's, which counts in steps of 4
    fake.us &= ~3u;
    return fake.us;
}

uint32_t millis() { return fake.us / 1000; }
void wait_us(uint16_t us) { fake.us += us; }

bool link_up() { return fake.up && !fake.suspended; }
bool link_suspended() { return fake.up && fake.suspended; }

int read_byte() {
    if (fake.in.empty()) return -1;
    uint8_t byte = fake.in.front();
    fake.in.pop_front();
    return byte;
}

uint8_t write(const uint8_t* data, uint8_t n) {
    if (n > fake.room) n = uint8_t(fake.room);
    fake.room -= n;
    fake.out.append(reinterpret_cast<const char*>(data), n);
    return n;
}

void alive() { fake.fed++; }

}  // namespace board
