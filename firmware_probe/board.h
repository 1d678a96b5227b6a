// What the probe needs of a board, and nothing else. The rest of the sketch calls no pin, clock or
// port but through these functions. Implemented by board_32u4.cpp (whole ports at once),
// board_generic.cpp (pinMode and digitalRead, any core) and, for the tests, by a fake.
#ifndef PROBE_BOARD_H
#define PROBE_BOARD_H

#include <stdint.h>

#if defined(__AVR_ATmega32U4__)
#define PROBE_PINS 26
#elif defined(__AVR_ATmega328P__)
#define PROBE_PINS 18  // 20 port pins, less the two of the serial line
#elif defined(PROBE_PINS)
// given by whoever compiles it: the tests
#else
#define PROBE_PINS 30  // RP2040: GP0 to GP29
#endif

namespace board {

typedef uint32_t Mask;  // bit i = probe pin i
static const uint8_t PINS = PROBE_PINS;

// --- who and what ---
const char* chip();             // in flash
char port_char(uint8_t pin, uint8_t at);  // character `at` of the port's name, 0 at its end
uint16_t supply_mv();           // 0 where it cannot be measured

// --- pins ---
void start();                   // every pin an input without pull-up; JTAG off; watchdog on
void release();                 // every pin an input without pull-up
void pull(Mask use);            // `use`: inputs with pull-up; all others without
// Make `pin` a low output; all other pins stay as they are. False: it did not read low at once,
// and is an input again. Only after pull(), for a pin of its mask, and for one pin at a time.
bool drive(uint8_t pin);
void undrive(uint8_t pin);      // an input with pull-up again
// undrive(), and how long the line then takes to read high: in eighths of a microsecond, rounded up
// to what the board can tell apart; 0 if it does not within `limit_us`.
uint16_t rise(uint8_t pin, uint8_t limit_us);
Mask low();                     // which pins of the mask given to pull() read low

// --- levels ---
bool has_analog(uint8_t pin);
// Mean of a few conversions, given the supply as supply_mv() found it; takes less than 1 ms.
uint16_t millivolts(uint8_t pin, uint16_t supply);

// --- time ---
uint32_t micros();              // wraps at 2^32
uint32_t millis();
void wait_us(uint16_t us);

// --- link; none of these ever waits ---
bool link_up();                 // bus running and port open
bool link_suspended();          // port open, but the bus is suspended
int read_byte();                // -1: nothing there
uint8_t write(const uint8_t* data, uint8_t n);  // how many were taken

void alive();                   // feed the watchdog, keep the core's lamps off the pins

}  // namespace board

#endif
