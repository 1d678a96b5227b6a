// See command.h. One spelling for each command: whatever differs from it is refused.
#include "command.h"

#include "crc.h"
#include "flash.h"

namespace probe {

namespace {

// A reader of fields: a place in the line and whether all was well so far.
struct Fields {
    const char* at;
    const char* end;
    bool good;

    bool space() {
        if (at == end || *at != ' ') return good = false;
        at++;
        return true;
    }

    uint32_t number(uint32_t limit) {
        if (!space()) return 0;
        const char* from = at;
        uint32_t value = 0;
        while (at != end && *at >= '0' && *at <= '9') {
            // Ten digits could wrap; nothing that the host may say needs more than seven.
            if (at - from >= 9) good = false;
            value = value * 10 + uint32_t(*at - '0');
            at++;
        }
        if (at == from || (*from == '0' && at - from > 1) || value > limit) good = false;
        return value;
    }

    uint32_t mask() {
        if (!space()) return 0;
        const char* from = at;
        uint32_t value = 0;
        while (at != end) {
            char c = *at;
            uint8_t digit;
            if (c >= '0' && c <= '9') digit = uint8_t(c - '0');
            else if (c >= 'A' && c <= 'F') digit = uint8_t(c - 'A' + 10);
            else break;
            if (at - from >= 8) good = false;
            value = (value << 4) | digit;
            at++;
        }
        if (at == from || (*from == '0' && at - from > 1)) good = false;
        return value;
    }
};

bool begins(const char* line, const char* end, const char* word_in_flash) {
    while (char c = char(flash_byte(word_in_flash++))) {
        if (line == end || *line++ != c) return false;
    }
    return line == end || *line == ' ' || *line == '*';
}

Word word_of(const char* line, const char* end, const char** after) {
    static const char NAMES[][6] IN_FLASH = {"HELLO", "USE", "GO", "HALT", "FULL", "LEVEL",
                                            "WATCH"};
    for (uint8_t i = 0; i < sizeof NAMES / sizeof *NAMES; i++) {
        if (begins(line, end, NAMES[i])) {
            *after = line;
            while (flash_byte(&NAMES[i][*after - line])) ++*after;
            return Word(HELLO + i);
        }
    }
    return BAD;
}

bool hex_value(char c, uint8_t& value) {
    if (c >= '0' && c <= '9') value = uint8_t(c - '0');
    else if (c >= 'A' && c <= 'F') value = uint8_t(c - 'A' + 10);
    else return false;
    return true;
}

// The checksum of line[0..n-5) is what stands after the star.
bool check_fits(const char* line, uint8_t n) {
    if (n < 5 || line[n - 5] != '*') return false;
    uint16_t crc = CRC_START;
    for (uint8_t i = 0; i < n - 5; i++) crc = crc_add(crc, uint8_t(line[i]));
    uint16_t said = 0;
    for (uint8_t i = uint8_t(n - 4); i < n; i++) {
        uint8_t digit;
        if (!hex_value(line[i], digit)) return false;
        said = uint16_t(said << 4) | digit;
    }
    return said == crc;
}

}  // namespace

Command parse(const char* line, uint8_t n) {
    if (n && line[n - 1] == '\r') n--;
    Command c = {BAD, CHECK, false, 0, 0, 0};
    const char* after = line;
    Word word = word_of(line, line + n, &after);
    c.pins = word == USE || word == GO;
    for (uint8_t i = 0; i < n; i++) {
        if (uint8_t(line[i]) < 0x20 || uint8_t(line[i]) > 0x7E) return c;
    }
    if (!check_fits(line, n)) return c;
    if (word == BAD || after > line + n - 5) {
        c.why = WORD;
        return c;
    }
    Fields f = {after, line + n - 5, true};
    if (word == USE) c.a = f.mask();
    if (word == GO) c.a = f.number(PERIOD_MAX_US);
    if (word == LEVEL || word == WATCH) {
        c.a = f.number(31);
        c.b = uint8_t(f.number(31));
    }
    if (word == WATCH) {
        c.c = uint8_t(f.number(WATCH_MAX_MS));
        if (!c.c) f.good = false;
    }
    if (!f.good || f.at != f.end) {
        c.why = FIELD;
        return c;
    }
    c.word = word;
    c.why = NOTHING;
    return c;
}

bool LineReader::feed(uint8_t byte, Command& out) {
    if (byte != '\n') {
        if (n_ < LINE_MAX_IN - 1) line_[n_++] = char(byte);
        else over_ = true;
        return false;
    }
    uint8_t n = n_;
    bool over = over_;
    clear();
    if (n == 0 || (n == 1 && line_[0] == '\r')) return false;
    out = parse(line_, n);
    if (over) {
        out.word = BAD;
        out.why = LONG;
    }
    return true;
}

}  // namespace probe
