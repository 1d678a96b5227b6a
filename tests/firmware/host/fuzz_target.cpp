// The whole probe on the fake board, driven by arbitrary bytes: LLVMFuzzerTestOneInput, as libFuzzer
// and our own fuzz_main.cpp call it. Aborts with a message if a rule was broken; the sanitizers
// abort for the rest.
//
// The input is a script. Each step is one byte that says what (its low three bits) and how much (the
// others), then what it needs:
//   0  send the next 1 to 32 bytes as they are      4  who is low with one pin driven (5 bytes)
//   1  send the next 1 to 32 bytes, their checksum  5  who is low at rest, held up by the supply,
//      and a newline                                   held up later (12 bytes)
//   2  let the probe run 1 to 32 times              6  the link: up, suspended, room (2 bytes)
//   3  let time pass: up to 3 s                     7  a known command with 3 bytes of fields
#include <stdio.h>
#include <stdlib.h>

#include <memory>
#include <string>

#include "crc.h"
#include "fake_board.h"
#include "probe.h"

namespace {

struct Script {
    const uint8_t* at;
    const uint8_t* end;
    uint8_t byte() { return at < end ? *at++ : 0; }
    uint32_t word() {
        uint32_t value = 0;
        for (int i = 0; i < 4; i++) value = value << 8 | byte();
        return value;
    }
};

void send(const std::string& text) { fake.in.insert(fake.in.end(), text.begin(), text.end()); }

void send_checked(const std::string& body) {
    uint16_t crc = probe::CRC_START;
    for (char c : body) crc = probe::crc_add(crc, uint8_t(c));
    char check[8];
    snprintf(check, sizeof check, "*%04X\n", crc);
    send(body + check);
}

void send_command(uint8_t which, Script& s) {
    char text[64];
    unsigned a = s.byte(), b = s.byte(), c = s.byte();
    switch (which % 8) {
    case 0: snprintf(text, sizeof text, "HELLO"); break;
    case 1: snprintf(text, sizeof text, "USE %X", a << 16 | b << 8 | c); break;
    case 2: snprintf(text, sizeof text, "USE %X", a << 24 | b << 17 | c); break;
    case 3: snprintf(text, sizeof text, "GO %u", (a << 8 | b) * 16); break;
    case 4: snprintf(text, sizeof text, "HALT"); break;
    case 5: snprintf(text, sizeof text, "FULL"); break;
    case 6: snprintf(text, sizeof text, "LEVEL %u %u", a % 34, b % 34); break;
    default: snprintf(text, sizeof text, "WATCH %u %u %u", a % 34, b % 34, c); break;
    }
    send_checked(text);
}

void check(bool good, const char* what) {
    if (good && fake.broken.empty()) return;
    printf("broken: %s\n", good ? fake.broken.c_str() : what);
    fflush(stdout);
    abort();
}

// The link was lost: a line may have been cut, and that is for the host to notice.
bool cut;

// Every line that came out is a whole one with a good checksum, or empty.
void check_lines(std::string& out) {
    size_t begin = 0, end;
    while ((end = out.find('\n', begin)) != std::string::npos) {
        std::string line = out.substr(begin, end - begin);
        begin = end + 1;
        bool may_be_bad = cut;
        cut = false;
        if (may_be_bad || line.empty()) continue;
        check(line.size() > 5 && line[line.size() - 5] == '*', "a line without a checksum");
        uint16_t crc = probe::CRC_START;
        for (size_t i = 0; i + 5 < line.size(); i++) crc = probe::crc_add(crc, uint8_t(line[i]));
        check(crc == strtoul(line.c_str() + line.size() - 4, nullptr, 16), "a wrong checksum");
        check(line.size() < 248, "a line longer than its chip may say");
    }
    out.erase(0, begin);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
    fake = FakeBoard();
    std::unique_ptr<probe::Probe> probe(new probe::Probe);
    probe->start();
    cut = false;
    Script s = {data, data + size};
    while (s.at < s.end) {
        uint8_t step = s.byte(), much = step >> 3;
        switch (step & 7) {
        case 0:
        case 1: {
            std::string text;
            for (int i = 0; i <= much; i++) text += char(s.byte());
            if (step & 1) send_checked(text);
            else send(text);
            break;
        }
        case 2:
            for (int i = 0; i <= much; i++) {
                probe->poll();
                check(fake.driven < 0, "a pin is still driven after poll()");
                check((fake.up && !fake.suspended) || !fake.pulled, "pulled with the link down");
            }
            break;
        case 3: fake.us += uint32_t(much) * 100000; break;
        case 4: {
            uint8_t pin = s.byte() % board::PINS;
            fake.with[pin] = s.word() & ((1u << board::PINS) - 1);
            break;
        }
        case 5:
            fake.rest = s.word();
            fake.supply = s.word();
            fake.late_supply = s.word();
            break;
        case 6: {
            uint8_t how = s.byte();
            fake.up = how & 1;
            fake.suspended = how & 2;
            cut = cut || !fake.up || fake.suspended;
            fake.room = how & 4 ? 1 << 20 : s.byte();
            break;
        }
        default: send_command(much, s); break;
        }
        check_lines(fake.out);
    }
    return 0;
}
