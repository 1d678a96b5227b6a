// The whole sketch over board_generic.cpp, against a recording core: what the pins do when the probe
// reads through it. Pins behave as on an AVR: a pull-up is the output latch at 1 while the pin is an
// input. Prints each port's name and whether it is analogue; then, after a line of dashes, what the
// probe says to the lines on standard input; then what was broken, if anything. Exit status 1 if
// something was.
#include <stdio.h>

#include <iostream>
#include <iterator>

#include "Arduino.h"
#include "board.h"
#include "probe.h"
#include "scanner.h"

static uint8_t mode[64], latch[64];
static uint64_t ever_output, ever_pulled;
static unsigned long clock_us;
static int broken;
// GP3 and GP7 are joined; GP9 is held up by the supply; GP11 is at ground.
enum { A = 3, B = 7, SUPPLY = 9, GROUND = 11 };

static void check(const char* what, bool good) {
    if (!good) {
        printf("broken: %s\n", what);
        broken = 1;
    }
}

static void look() {
    int outputs = 0;
    for (int i = 0; i < 64; i++) {
        if (mode[i] == OUTPUT) {
            outputs++;
            ever_output |= 1ull << i;
            check("a pin is driven high", latch[i] == LOW);
        } else if (latch[i]) {
            ever_pulled |= 1ull << i;
        }
    }
    check("two pins are driven at once", outputs <= 1);
}

void pinMode(uint8_t pin, uint8_t m) {
    if (m == OUTPUT) {
        mode[pin] = OUTPUT;
    } else {
        mode[pin] = INPUT;
        look();
        latch[pin] = m == INPUT_PULLUP;
    }
    look();
}
void digitalWrite(uint8_t pin, uint8_t value) {
    latch[pin] = value;
    look();
}
int digitalRead(uint8_t pin) {
    clock_us += 5;
    if (pin == SUPPLY) return HIGH;
    if (pin == GROUND || mode[pin] == OUTPUT) return LOW;
    if ((pin == A && mode[B] == OUTPUT) || (pin == B && mode[A] == OUTPUT)) return LOW;
    return HIGH;
}
int analogRead(uint8_t) { return 102; }
unsigned long micros() { return clock_us += 4; }
unsigned long millis() { return clock_us / 1000; }
void delayMicroseconds(unsigned int us) { clock_us += us; }
FakeSerial Serial;

static void scan() {
    const board::Mask use = 1u << A | 1u << B | 1u << SUPPLY | 1u << GROUND | 1u << 26;
    probe::Scanner scanner;
    board::start();
    check("pins released at the start", !ever_output && !ever_pulled);
    scanner.set_use(use);
    check("nothing driven or pulled by set_use", !ever_output && !ever_pulled);
    scanner.settle_to_rise_time();
    check("rise time: one look and one step of the clock", scanner.rise(0) == 1 * 8);
    check("a line held up or down has none", !scanner.rise(2) && !scanner.rise(3));
    scanner.take();
    const board::Mask g = 1u << GROUND, joined = 1u << A | 1u << B;
    check("rest", scanner.rest() == g);
    check("joined pins", scanner.low(0) == (joined | g) && scanner.low(1) == (joined | g));
    check("short to the supply", scanner.low(2) == 0);
    check("grounded pin", scanner.low(3) == g);
    check("free pin", scanner.low(4) == (1u << 26 | g));
    check("level: 102 of 1024 at 3.3 V", scanner.level(A, 26) == 102l * 4 * 3300 / 4096);
    check("only pins in use are driven", ever_output == use);
    check("only pins in use are pulled", ever_pulled == use);
    board::release();
    for (int i = 0; i < 64; i++) check("released", mode[i] == INPUT && !latch[i]);
}

int main() {
    for (uint8_t pin = 0; pin < board::PINS; pin++) {
        for (uint8_t at = 0; char c = board::port_char(pin, at); at++) putchar(c);
        puts(board::has_analog(pin) ? " analog" : "");
    }
    puts("---");
    if (board::PINS == 30) scan();  // pins of the RP2040 and of its core have the same numbers
    static probe::Probe the_probe;
    the_probe.start();
    Serial.in.assign(std::istreambuf_iterator<char>(std::cin), std::istreambuf_iterator<char>());
    for (int i = 0; i < 200; i++) {
        the_probe.poll();
        look();
    }
    fwrite(Serial.out.data(), 1, Serial.out.size(), stdout);
    return broken;
}
