// The probe's own C++ as a shared library for Python (ctypes): the parser, the line writer and the
// whole probe on the fake board. The C++ under test is the sketch's, unchanged.
#include <stdio.h>
#include <string.h>

#include "command.h"
#include "fake_board.h"
#include "line_writer.h"
#include "probe.h"

using namespace probe;

static Probe* the_probe;
static LineWriter* the_writer;

extern "C" {

// --- parser: feed bytes, get "WORD a b c", "bad why" or nothing ---

void reader_feed(const uint8_t* bytes, int n, char* out, int size) {
    static const char* const WORDS[] = {"BAD", "HELLO", "USE", "GO", "HALT", "FULL", "LEVEL",
                                        "WATCH"};
    static const char* const WHYS[] = {"nothing", "check", "long", "word", "field"};
    LineReader reader;
    out[0] = 0;
    for (int i = 0; i < n; i++) {
        Command c;
        if (!reader.feed(bytes[i], c)) continue;
        size_t used = strlen(out);
        if (c.word == BAD) {
            snprintf(out + used, size_t(size) - used, "bad %s %d\n", WHYS[c.why], c.pins);
        } else {
            snprintf(out + used, size_t(size) - used, "%s %u %u %u\n", WORDS[c.word], c.a, c.b, c.c);
        }
    }
}

// --- writer: one line, piece by piece ---

void line_begin(const char* word) {
    delete the_writer;
    the_writer = new LineWriter;
    the_writer->begin(word);
}
void line_number(uint32_t value) { the_writer->number(value); }
void line_mask(uint32_t value) { the_writer->mask(value); }
void line_text(const char* text) { the_writer->text(text); }
void line_check(uint16_t crc) { the_writer->check(crc); }
void line_change(uint8_t pin, uint32_t mask) { the_writer->change(pin, mask); }
void line_rest_change(uint32_t mask) { the_writer->rest_change(mask); }
int line_end(char* out, int size) {
    fake = FakeBoard();
    bool good = the_writer->end();
    the_writer->pump();
    if (int(fake.out.size()) >= size) return -1;
    memcpy(out, fake.out.data(), fake.out.size());
    return good ? int(fake.out.size()) : -1;
}

uint16_t check_of(const uint32_t* masks, int n) {
    ReadingCheck check;
    for (int i = 0; i < n; i++) check.add(masks[i]);
    return check.value();
}

// --- the whole probe ---

void probe_start() {
    fake = FakeBoard();
    delete the_probe;
    the_probe = new Probe;
    the_probe->start();
}
void probe_hear(const uint8_t* bytes, int n) { fake.in.insert(fake.in.end(), bytes, bytes + n); }
void probe_poll(int times) {
    while (times--) {
        the_probe->poll();
        if (fake.driven >= 0) fake.breaks("a pin is still driven after poll()");
    }
}
int probe_said(char* out, int size) {
    int n = int(fake.out.size()) < size ? int(fake.out.size()) : size;
    memcpy(out, fake.out.data(), size_t(n));
    fake.out.erase(0, size_t(n));
    return n;
}
void board_wire(uint32_t rest, const uint32_t* with, uint32_t supply, uint32_t late_supply) {
    fake.rest = rest;
    memcpy(fake.with, with, sizeof fake.with);
    fake.supply = supply;
    fake.late_supply = late_supply;
}
void board_rise(int pin, int eighths) { fake.rise[pin] = uint16_t(eighths); }
// The crossing changes at `first_us` and then every `step_us`, `times` in all.
void board_flicker(int drive, int sense, uint32_t first_us, uint32_t step_us, int times) {
    fake.flicker_drive = drive;
    fake.flicker_sense = sense;
    fake.flicker_us.clear();
    for (int i = 0; i < times; i++) fake.flicker_us.push_back(first_us + uint32_t(i) * step_us);
}
void board_link(int up, int suspended) {
    fake.up = up;
    fake.suspended = suspended;
}
void board_room(int bytes) { fake.room = bytes; }
void board_sleep(uint32_t us) { fake.us += us; }
uint32_t board_us() { return fake.us; }
uint32_t board_pulled() { return fake.pulled; }
uint32_t board_ever_pulled() { return fake.ever_pulled; }
uint32_t board_ever_driven() { return fake.ever_driven; }
uint32_t board_drives() { return fake.drives; }
uint32_t board_supply_drives() { return fake.supply_drives; }
const char* board_broken() { return fake.broken.c_str(); }

}  // extern "C"
