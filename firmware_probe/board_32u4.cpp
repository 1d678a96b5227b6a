// board.h for the ATmega32U4 over the core's USB serial port: whole ports at once.
//
// Pins of ports that `use` does not name stay inputs without pull-up; every write to DDRx and PORTx
// below keeps that. PORTx is never 1 where DDRx is 1: no pin can be driven high.
#if defined(__AVR_ATmega32U4__)

#include <Arduino.h>
#include <avr/wdt.h>

#include "board.h"
#include "flash.h"

namespace board {

namespace {

// Ports B to F, three registers each, one after the other: PINx, DDRx, PORTx (datasheet, register
// summary: PINB 0x23, PINC 0x26, PIND 0x29, PINE 0x2C, PINF 0x2F in data space).
enum { PORTS = 5, PIN_REG = 0, DDR_REG = 1, PORT_REG = 2 };

inline volatile uint8_t* port(uint8_t p) { return &PINB + 3 * p; }

struct Place {
    uint8_t port, mask;
};

const Place PLACES[PINS] IN_FLASH = {
    {0, 0x01}, {0, 0x02}, {0, 0x04}, {0, 0x08}, {0, 0x10}, {0, 0x20}, {0, 0x40}, {0, 0x80},  // PB0-7
    {1, 0x40}, {1, 0x80},                                                                    // PC6-7
    {2, 0x01}, {2, 0x02}, {2, 0x04}, {2, 0x08}, {2, 0x10}, {2, 0x20}, {2, 0x40}, {2, 0x80},  // PD0-7
    {3, 0x04}, {3, 0x40},                                                              // PE2, PE6
    {4, 0x01}, {4, 0x02}, {4, 0x10}, {4, 0x20}, {4, 0x40}, {4, 0x80},  // PF0, PF1, PF4-7
};

// Analogue channels (datasheet, ADC section; from memory): ADC0, 1, 4-7 = PF0, 1, 4-7;
// ADC8 = PD4, ADC9 = PD6, ADC10 = PD7, ADC11-13 = PB4-PB6.
const uint8_t NO_CHANNEL = 255;

const uint8_t CHANNELS[PINS] IN_FLASH = {
    NO_CHANNEL, NO_CHANNEL, NO_CHANNEL, NO_CHANNEL, 11, 12, 13, NO_CHANNEL,
    NO_CHANNEL, NO_CHANNEL,
    NO_CHANNEL, NO_CHANNEL, NO_CHANNEL, NO_CHANNEL, 8, NO_CHANNEL, 9, 10,
    NO_CHANNEL, NO_CHANNEL,
    0, 1, 4, 5, 6, 7,
};

// UEINTX: what lets the bank go (datasheet, USB device: FIFOCON cleared, other flags kept).
const uint8_t FREE_OUT_BANK = uint8_t(~(_BV(FIFOCON) | _BV(NAKOUTI) | _BV(RXOUTI)));
const uint8_t SEND_IN_BANK = uint8_t(~(_BV(FIFOCON) | _BV(NAKINI) | _BV(TXINI)));

const uint8_t BAND_GAP = 0x1E;  // the 1.1 V reference as an input

const char CHIP[] IN_FLASH = "atmega32u4";

uint8_t pulled[PORTS];  // what pull() asked for, by port

Mask pulled_mask;       // the same by probe pin
uint8_t sreg_before;    // while a pin is driven: the interrupt state to go back to

uint8_t port_of(uint8_t pin) { return probe::flash_byte(&PLACES[pin].port); }
uint8_t bit_of(uint8_t pin) { return probe::flash_byte(&PLACES[pin].mask); }

// Sum of CONVERSIONS conversions against the supply, after one to let the input settle. Five of
// 104 us: with the wait before them less than the 1.024 ms of the core's clock interrupt, which has
// to wait while a pin is driven.
const uint8_t CONVERSIONS = 4;

uint16_t convert(uint8_t channel) {
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);  // 16 MHz / 128 = 125 kHz
    ADCSRB = channel != BAND_GAP && channel > 7 ? _BV(MUX5) : 0;
    ADMUX = _BV(REFS0) | (channel == BAND_GAP ? channel : channel & 7);
    uint16_t sum = 0;
    for (uint8_t i = 0; i <= CONVERSIONS; i++) {
        ADCSRA |= _BV(ADSC);
        while (ADCSRA & _BV(ADSC)) {
        }
        uint16_t value = ADC;
        if (i) sum += value;
    }
    return sum;
}

}  // namespace

const char* chip() { return CHIP; }

char port_char(uint8_t pin, uint8_t at) {
    if (at == 0) return 'P';
    if (at == 1) return char('B' + port_of(pin));
    if (at > 2) return 0;
    char digit = '0';
    for (uint8_t mask = bit_of(pin); mask > 1; mask >>= 1) digit++;
    return digit;
}

uint16_t supply_mv() {
    const uint32_t reference_mv = 1100;  // datasheet: 1.0 to 1.2 V
    uint16_t sum = convert(BAND_GAP);
    return sum ? uint16_t(reference_mv * CONVERSIONS * 1024 / sum) : 0;
}

void start() {
    release();
    // PF4-PF7 are the JTAG pins. JTD written twice within four cycles switches JTAG off whatever
    // the fuse says (datasheet, MCUCR).
    uint8_t sreg = SREG;
    cli();
    uint8_t mcucr = MCUCR | _BV(JTD);
    MCUCR = mcucr;
    MCUCR = mcucr;
    SREG = sreg;
    Serial.begin(115200);  // the figure means nothing on USB
    wdt_enable(WDTO_250MS);
}

void release() {
    pull(0);
}

void pull(Mask use) {
    if (use != pulled_mask) {
        pulled_mask = use;
        for (uint8_t p = 0; p < PORTS; p++) pulled[p] = 0;
        for (uint8_t pin = 0; pin < PINS; pin++) {
            if (uint8_t(use) & 1) pulled[port_of(pin)] |= bit_of(pin);
            use >>= 1;
        }
    }
    for (uint8_t p = 0; p < PORTS; p++) {
        port(p)[DDR_REG] = 0;
        port(p)[PORT_REG] = pulled[p];
    }
}

// Interrupts are off from drive() to undrive(): no other code can touch a driven pin, and a pin that
// fights the supply is not held while an interrupt is served.
bool drive(uint8_t pin) {
    uint8_t bit = bit_of(pin);
    uint8_t* pull_ups = &pulled[port_of(pin)];
    volatile uint8_t* at = port(port_of(pin));
    sreg_before = SREG;
    cli();
    at[PORT_REG] = *pull_ups & uint8_t(~bit);
    at[DDR_REG] = bit;
    // The input is sampled one to two cycles late; a line falls within nanoseconds.
    __asm__ __volatile__("nop\n\tnop\n\tnop\n\tnop\n\t");
    if (!(at[PIN_REG] & bit)) return true;
    undrive(pin);
    return false;
}

void undrive(uint8_t pin) {
    uint8_t p = port_of(pin);
    port(p)[DDR_REG] = 0;
    port(p)[PORT_REG] = pulled[p];
    SREG = sreg_before;
}

// Four samples two cycles apart tell an eighth of a microsecond, enough to tell a bare pad (some
// 10 pF) from a wire; then one every eight cycles, half a microsecond. (At 8 MHz all of it doubles.)
uint16_t rise(uint8_t pin, uint8_t limit_us) {
    const uint8_t rounds_per_us = F_CPU / 8000000UL, eighths_per_sample = 16000000UL / F_CPU;
    uint8_t bit = bit_of(pin), p = port_of(pin);
    volatile uint8_t* at = port(p);
    uint8_t s0, s1, s2, s3;
    uint16_t left = uint16_t(limit_us) * rounds_per_us;
    at[DDR_REG] = 0;
    __asm__ __volatile__(
        "std %a[at]+2, %[pull]  \n\t"  // the pull-up is on after this
        "ld %[s0], %a[at] \n\t"
        "ld %[s1], %a[at] \n\t"
        "ld %[s2], %a[at] \n\t"
        "ld %[s3], %a[at] \n\t"
        "1: ld __tmp_reg__, %a[at]    \n\t"  // 2 cycles
        "and __tmp_reg__, %[bit]      \n\t"  // 1
        "brne 2f                      \n\t"  // 1
        "sbiw %[left], 1              \n\t"  // 2
        "brne 1b                      \n\t"  // 2
        "2:                           \n\t"
        : [left] "+w"(left), [s0] "=&r"(s0), [s1] "=&r"(s1), [s2] "=&r"(s2), [s3] "=&r"(s3)
        : [at] "b"(at), [pull] "r"(pulled[p]), [bit] "r"(bit));
    SREG = sreg_before;
    if (!left) return 0;
    uint16_t took = 5 + 4 * (uint16_t(limit_us) * rounds_per_us - left);
    // Once high, a line stays so: the first sample that is high tells.
    if (s3 & bit) took = 4;
    if (s2 & bit) took = 3;
    if (s1 & bit) took = 2;
    if (s0 & bit) took = 1;
    return took * eighths_per_sample;
}

// Probe pins 0-7 are PB0-7, then PC6-7, PD0-7, PE2, PE6, PF0-1, PF4-7: put together by the byte.
Mask low() {
    uint8_t b = uint8_t(~PINB) & pulled[0];
    uint8_t c = uint8_t(~PINC) & pulled[1];
    uint8_t d = uint8_t(~PIND) & pulled[2];
    uint8_t e = uint8_t(~PINE) & pulled[3];
    uint8_t f = uint8_t(~PINF) & pulled[4];
    union {
        uint8_t byte[4];
        Mask mask;
    } out;
    out.byte[0] = b;
    out.byte[1] = uint8_t(c >> 6) | uint8_t(d << 2);
    out.byte[2] = uint8_t(d >> 6) | (e & 0x04) | uint8_t((e >> 3) & 0x08) |
                  uint8_t((f & 0x03) << 4) | uint8_t((f & 0x30) << 2);
    out.byte[3] = uint8_t(f >> 6);
    return out.mask;
}

bool has_analog(uint8_t pin) { return probe::flash_byte(&CHANNELS[pin]) != NO_CHANNEL; }

uint16_t millivolts(uint8_t pin, uint16_t supply) {
    uint16_t sum = convert(probe::flash_byte(&CHANNELS[pin]));
    return uint16_t(uint32_t(sum) * supply / (CONVERSIONS * 1024UL));
}

uint32_t micros() { return ::micros(); }
uint32_t millis() { return ::millis(); }
void wait_us(uint16_t us) { delayMicroseconds(us); }

bool link_suspended() { return USBDevice.configured() && USBDevice.isSuspended() && Serial.dtr(); }

bool link_up() {
    return USBDevice.configured() && !USBDevice.isSuspended() && Serial.dtr();
}

// Bytes go to and from the endpoints' buffers directly, not through Serial: Serial blinks the lamps
// at every byte, and waits where there is no room.
int read_byte() {
    uint8_t sreg = SREG;
    cli();
    UENUM = CDC_RX;
    int byte = -1;
    if (UEBCLX) {
        byte = UEDATX;
        if (!UEBCLX) UEINTX = FREE_OUT_BANK;
    } else if (UEINTX & _BV(RXOUTI)) {
        UEINTX = FREE_OUT_BANK;  // a packet without bytes
    }
    SREG = sreg;
    return byte;
}

uint8_t write(const uint8_t* data, uint8_t n) {
    uint8_t sreg = SREG;
    cli();
    UENUM = CDC_TX;
    uint8_t taken = 0;
    // A packet is never filled to its 64th byte: a full one would tell the host that more follows.
    while (taken < n && (UEINTX & _BV(RWAL))) {
        UEDATX = data[taken++];
        if (UEBCLX >= USB_EP_SIZE - 1) UEINTX = SEND_IN_BANK;
    }
    SREG = sreg;
    return taken;  // an unfilled packet is sent at the next start of frame, by the core
}

void alive() {
    // The core's interrupts switch its lamps on PB0 and PD5 when the host makes a request of the
    // device: never while a pin is driven, but a pull-up may have come or gone. Set it right.
    PORTB = pulled[0];
    PORTD = pulled[2];
    // Opened at 1200 baud and closed: the core has set the watchdog to fall into the boot loader,
    // so that a new sketch can be put in. Let it.
    if (Serial.baud() == 1200 && !Serial.dtr()) return;
    wdt_reset();
}

}  // namespace board

// A watchdog reset leaves the watchdog running at its shortest; stop it before anything else
// (avr-libc manual, <avr/wdt.h>).
void stop_watchdog() __attribute__((naked, used, section(".init3")));
void stop_watchdog() {
    MCUSR = 0;
    wdt_disable();
}

#endif
