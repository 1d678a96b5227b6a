// board.h for any other core, pin by pin: pinMode, digitalWrite, digitalRead. Slower (about 5 us a
// pin on a 16 MHz AVR), otherwise the same. Compiled for the ATmega328P and against a recording
// fake by the tests; not run on hardware.
#if !defined(__AVR_ATmega32U4__)

#include <Arduino.h>

#if defined(__AVR__)
#include <avr/wdt.h>
#endif

#include "board.h"
#include "flash.h"

namespace board {

namespace {

#if defined(__AVR_ATmega328P__)

// Names in chips.toml's order; PD0 and PD1 are the serial line. The core numbers port D from 0,
// port B from 8 and port C from 14.
const char CHIP[] IN_FLASH = "atmega328p";
const char NAMES[PINS][4] IN_FLASH = {
    "PB0", "PB1", "PB2", "PB3", "PB4", "PB5", "PC0", "PC1", "PC2",
    "PC3", "PC4", "PC5", "PD2", "PD3", "PD4", "PD5", "PD6", "PD7",
};
const uint8_t NUMBERS[PINS] IN_FLASH = {8,  9,  10, 11, 12, 13, 14, 15, 16,
                                        17, 18, 19, 2,  3,  4,  5,  6,  7};
uint8_t number_of(uint8_t pin) { return probe::flash_byte(&NUMBERS[pin]); }
bool analog(uint8_t pin) { return pin >= 6 && pin < 12; }

#else

// RP2040: GP0 to GP29, and the core numbers them the same.
const char CHIP[] IN_FLASH = "rp2040";
uint8_t number_of(uint8_t pin) { return pin; }
bool analog(uint8_t pin) { return pin >= 26; }

#endif

#if defined(__AVR__)
const uint16_t NOMINAL_MV = 5000;
const uint8_t CLOCK_STEP_US = 4;  // micros() of a 16 MHz AVR core
#else
const uint16_t NOMINAL_MV = 3300;
const uint8_t CLOCK_STEP_US = 1;
#endif

Mask pulled = 0;

bool reads_low(uint8_t pin) { return digitalRead(number_of(pin)) == LOW; }

}  // namespace

const char* chip() { return CHIP; }

char port_char(uint8_t pin, uint8_t at) {
#if defined(__AVR_ATmega328P__)
    return at < 3 ? char(probe::flash_byte(&NAMES[pin][at])) : 0;
#else
    char name[5] = {'G', 'P', char('0' + pin / 10), char('0' + pin % 10), 0};
    if (pin < 10) {
        name[2] = name[3];
        name[3] = 0;
    }
    return name[at];
#endif
}

uint16_t supply_mv() { return 0; }  // no way that every core offers

void start() {
    release();
    Serial.begin(115200);
#if defined(__AVR__)
    wdt_enable(WDTO_250MS);
#endif
}

void release() {
    for (uint8_t pin = 0; pin < PINS; pin++) pinMode(number_of(pin), INPUT);
    pulled = 0;
}

void pull(Mask use) {
    pulled = use;
    for (uint8_t pin = 0; pin < PINS; pin++) {
        pinMode(number_of(pin), (use >> pin) & 1 ? INPUT_PULLUP : INPUT);
    }
}

bool drive(uint8_t pin) {
    digitalWrite(number_of(pin), LOW);  // while still an input: no moment of high
    pinMode(number_of(pin), OUTPUT);
    if (reads_low(pin)) return true;
    undrive(pin);
    return false;
}

void undrive(uint8_t pin) { pinMode(number_of(pin), INPUT_PULLUP); }

uint16_t rise(uint8_t pin, uint8_t limit_us) {
    undrive(pin);
    uint32_t from = ::micros(), took = 0;
    while (reads_low(pin)) {
        took = ::micros() - from;
        if (took >= limit_us) return 0;
    }
    return uint16_t(took + CLOCK_STEP_US) * 8;
}

Mask low() {
    Mask mask = 0;
    for (uint8_t pin = 0; pin < PINS; pin++) {
        if (((pulled >> pin) & 1) && reads_low(pin)) mask |= Mask(1) << pin;
    }
    return mask;
}

bool has_analog(uint8_t pin) { return analog(pin); }

uint16_t millivolts(uint8_t pin, uint16_t supply) {
    uint32_t sum = 0;
    analogRead(number_of(pin));
    for (uint8_t i = 0; i < 4; i++) sum += uint32_t(analogRead(number_of(pin)));
    return uint16_t(sum * (supply ? supply : NOMINAL_MV) / (4 * 1024UL));
}

uint32_t micros() { return ::micros(); }
uint32_t millis() { return ::millis(); }
void wait_us(uint16_t us) { delayMicroseconds(us); }

bool link_up() { return bool(Serial); }
bool link_suspended() { return false; }
int read_byte() { return Serial.read(); }

uint8_t write(const uint8_t* data, uint8_t n) {
    int room = Serial.availableForWrite();
    if (room <= 0) return 0;
    if (n > room) n = uint8_t(room);
    return uint8_t(Serial.write(data, n));
}

void alive() {
#if defined(__AVR__)
    wdt_reset();
#endif
}

}  // namespace board

#if defined(__AVR__)
// A watchdog reset leaves the watchdog running at its shortest; stop it before anything else
// (avr-libc manual, <avr/wdt.h>).
void stop_watchdog() __attribute__((naked, used, section(".init3")));
void stop_watchdog() {
    MCUSR = 0;
    wdt_disable();
}
#endif

#endif
