// One line from the host to one command: the probe's half of wire-v1.md, sections 1, 2 and 5.
// Plain C++, no board calls.
#ifndef PROBE_COMMAND_H
#define PROBE_COMMAND_H

#include <stdint.h>

namespace probe {

static const uint8_t LINE_MAX_IN = 40;  // bytes with the newline; the longest command has 18
static const uint32_t PERIOD_MAX_US = 1000000;
static const uint8_t WATCH_MAX_MS = 250;

enum Word : uint8_t { BAD, HELLO, USE, GO, HALT, FULL, LEVEL, WATCH };
enum Why : uint8_t { NOTHING, CHECK, LONG, WORD, FIELD };

struct Command {
    Word word;      // BAD: see `why`
    Why why;
    bool pins;      // the line begins with USE or GO, good or bad
    uint32_t a;     // mask, period or drive
    uint8_t b, c;   // sense, milliseconds
};

// `line` without its newline.
Command parse(const char* line, uint8_t n);

// Collects bytes into lines.
class LineReader {
public:
    LineReader() : n_(0), over_(false) {}
    // True when `byte` ended a line that is not empty; `out` is what it says.
    bool feed(uint8_t byte, Command& out);
    void clear() { n_ = 0; over_ = false; }

private:
    char line_[LINE_MAX_IN];
    uint8_t n_;
    bool over_;
};

}  // namespace probe

#endif
