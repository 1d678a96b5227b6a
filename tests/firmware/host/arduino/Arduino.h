// Just enough of an Arduino core for board_generic.cpp on the host: a record of pin calls.
#ifndef FAKE_ARDUINO_H
#define FAKE_ARDUINO_H

#include <stddef.h>
#include <stdint.h>

#include <string>

enum { LOW, HIGH };
enum { INPUT, OUTPUT, INPUT_PULLUP };

void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t value);
int digitalRead(uint8_t pin);
int analogRead(uint8_t pin);
unsigned long micros();
unsigned long millis();
void delayMicroseconds(unsigned int us);

struct FakeSerial {
    std::string in, out;
    void begin(unsigned long) {}
    int read() {
        if (in.empty()) return -1;
        uint8_t byte = uint8_t(in[0]);
        in.erase(0, 1);
        return byte;
    }
    int availableForWrite() { return 64; }
    size_t write(const uint8_t* data, size_t n) {
        out.append(reinterpret_cast<const char*>(data), n);
        return n;
    }
    explicit operator bool() { return true; }
};
extern FakeSerial Serial;

#endif
