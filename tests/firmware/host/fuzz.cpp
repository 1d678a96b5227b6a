// Damaged, cut, shuffled and random lines into the whole probe on the fake board, with the address
// and undefined-behaviour sanitizers on. Arguments: how many lines, and the start of the random
// numbers. Exits with 1 and a message if a rule was broken.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <string>

#include "crc.h"
#include "fake_board.h"
#include "probe.h"

static uint64_t state;

static uint32_t random_number(uint32_t below) {  // xorshift64 (Marsaglia 2003)
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return uint32_t(state >> 32) % below;
}

static std::string line(const std::string& body) {
    uint16_t crc = probe::CRC_START;
    for (char c : body) crc = probe::crc_add(crc, uint8_t(c));
    char check[8];
    snprintf(check, sizeof check, "*%04X\n", crc);
    return body + check;
}

static std::string good_line() {
    char text[40];
    switch (random_number(9)) {
    case 0: return line("HELLO");
    case 1: snprintf(text, sizeof text, "USE %X", random_number(1u << 31)); return line(text);
    case 2: snprintf(text, sizeof text, "USE %X", random_number(1u << 26)); return line(text);
    case 3: snprintf(text, sizeof text, "GO %u", random_number(2000)); return line(text);
    case 4: return line("HALT");
    case 5: return line("FULL");
    case 6: snprintf(text, sizeof text, "LEVEL %u %u", random_number(33), random_number(33));
            return line(text);
    case 7: snprintf(text, sizeof text, "WATCH %u %u %u", random_number(27), random_number(27),
                     random_number(20));
            return line(text);
    default: return line("GO 0");
    }
}

int main(int argc, char** argv) {
    int lines = argc > 1 ? atoi(argv[1]) : 100000;
    state = argc > 2 ? strtoull(argv[2], nullptr, 10) : 1;
    probe::Probe probe;
    probe.start();
    uint32_t accepted = 0;
    for (int i = 0; i < lines; i++) {
        std::string s = good_line();
        switch (random_number(6)) {
        case 0: s[random_number(uint32_t(s.size()))] ^= char(1 << random_number(8)); break;
        case 1: s.erase(random_number(uint32_t(s.size())), 1 + random_number(4)); break;
        case 2: s.insert(random_number(uint32_t(s.size())), 1, char(random_number(256))); break;
        case 3: for (char& c : s) c = char(random_number(256)); break;
        default: break;
        }
        fake.in.insert(fake.in.end(), s.begin(), s.end());
        fake.rest = random_number(4) ? 0 : random_number(1u << 26);
        fake.with[random_number(26)] = random_number(1u << 26);
        fake.supply = random_number(8) ? 0 : random_number(1u << 26);
        fake.room = int(random_number(400));
        fake.up = random_number(50) != 0;
        fake.us += random_number(3) ? 0 : random_number(900000);
        for (int n = 0; n < 3; n++) {
            uint32_t before = fake.drives;
            probe.poll();
            accepted += fake.drives != before;
            if (fake.driven >= 0) fake.breaks("a pin is still driven after poll()");
            if (!fake.up && fake.pulled) fake.breaks("pins pulled with the link down");
        }
        fake.out.clear();
        if (!fake.broken.empty()) {
            printf("line %d: %s\n", i, fake.broken.c_str());
            return 1;
        }
    }
    printf("%d lines, %u polls that drove pins, nothing broken\n", lines, accepted);
    return accepted ? 0 : 1;
}
