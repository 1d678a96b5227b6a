// See probe.h.
#include "probe.h"

#include "board.h"
#include "flash.h"

namespace probe {

void Probe::start() {
    board::start();
    scanner_.set_use(0);
    next_pin_ = PROBE_PINS;
    suspended_ = false;
    state_ = CLOSED;
}

// Every way out of RUNNING leads through here: all pins become inputs without pull-up.
void Probe::stop(State to) {
    board::release();
    owe_scan_ = false;
    if (to != READY) scanner_.set_use(0);
    state_ = to;
}

void Probe::poll() {
    board::alive();
    if (!board::link_up()) {
        if (state_ >= RUNNING && board::link_suspended()) suspended_ = true;
        if (state_ != CLOSED) {
            stop(CLOSED);
            in_.clear();
            out_.start_over();
            next_pin_ = PROBE_PINS;
        }
        return;
    }
    if (state_ == CLOSED) {
        state_ = IDLE;
        if (suspended_) oops(FLASH_TEXT("usb the bus was suspended, all pins released"));
        suspended_ = false;
    }
    listen();
    if (state_ >= RUNNING && board::millis() - heard_ms_ >= SILENCE_MS) {
        stop(IDLE);
        oops(FLASH_TEXT("silent nothing heard for 2 s, all pins released"));
    }
    say_pins();
    if (state_ == WATCHING) look();
    if (state_ == RUNNING && int32_t(board::micros() - due_us_) >= 0) {
        due_us_ += period_us_;
        scanner_.take();
        out_.pump();  // the link takes two packets at a time, and has been read meanwhile
        report();
        // Too late already for the next one: do not pile up.
        if (int32_t(board::micros() - due_us_) >= 0) due_us_ = board::micros();
    }
    out_.pump();
}

void Probe::listen() {
    // At most one line per reading, so that a flood of commands cannot stop the scan.
    int byte;
    while ((byte = board::read_byte()) >= 0) {
        Command c;
        if (!in_.feed(uint8_t(byte), c)) continue;
        if (c.word != BAD) heard_ms_ = board::millis();
        obey(c);
        return;
    }
}

void Probe::obey(const Command& c) {
    switch (c.word) {
    case HELLO:
        stop(IDLE);
        say_who();
        break;
    case USE:
        use(c.a);
        break;
    case GO:
        go(c.a);
        break;
    case HALT:
        if (state_ >= RUNNING) stop(READY);
        break;
    case FULL:
        if (state_ >= RUNNING) owe_scan_ = true;
        else oops(FLASH_TEXT("order nothing runs: say USE and GO first"));
        break;
    case LEVEL:
        measure_level(uint8_t(c.a), c.b);
        break;
    case WATCH:
        watch(uint8_t(c.a), c.b, c.c);
        break;
    case BAD:
        // Whatever it was to mean: let go. After a bad USE or GO we do not even know of what.
        if (c.pins) stop(IDLE);
        else if (state_ >= RUNNING) stop(READY);
        if (c.why == CHECK) oops(FLASH_TEXT("check checksum wrong or missing"));
        if (c.why == LONG) oops(FLASH_TEXT("long line too long"));
        if (c.why == WORD) oops(FLASH_TEXT("word unknown command"));
        if (c.why == FIELD) oops(FLASH_TEXT("field fields missing or out of range"));
        break;
    }
}

void Probe::use(Mask mask) {
    stop(IDLE);
    seq_ = 0;
    if (PROBE_PINS < 32 && (mask >> (PROBE_PINS & 31))) {
        oops(FLASH_TEXT("pin no such pin, none in use"));
        return;
    }
    scanner_.set_use(mask);
    if (mask) state_ = READY;
}

void Probe::go(uint32_t period_us) {
    if (state_ < READY) {
        oops(FLASH_TEXT("order say USE with a pin first"));
        return;
    }
    state_ = RUNNING;
    period_us_ = period_us;
    scanner_.settle_to_rise_time();
    out_.begin(FLASH_TEXT("RISE"));
    for (uint8_t k = 0; k < scanner_.lines(); k++) out_.number(scanner_.rise(k) * 125UL);
    out_.end();
    out_.pump();  // these lines together may be longer than the ring
    scanner_.take();
    uint32_t took = board::micros() - scanner_.t_us();
    out_.begin(FLASH_TEXT("PACE"));
    out_.number(scanner_.settle_us());
    out_.number(took);
    out_.end();
    out_.pump();
    owe_scan_ = true;
    due_us_ = scanner_.t_us() + period_us;
    report();
}

// What LEVEL and WATCH have in common; says so when it is not so.
bool Probe::crossing_fits(uint8_t drive, uint8_t sense) {
    Mask both = (Mask(1) << drive) | (Mask(1) << sense);
    if (state_ < RUNNING) {
        oops(FLASH_TEXT("order nothing runs: say USE and GO first"));
        return false;
    }
    if (drive == sense || (both & scanner_.use()) != both) {
        oops(FLASH_TEXT("pin two different pins of USE are needed"));
        return false;
    }
    return true;
}

void Probe::measure_level(uint8_t drive, uint8_t sense) {
    if (!crossing_fits(drive, sense)) return;
    if (!board::has_analog(sense)) {
        oops(FLASH_TEXT("analog the sensing pin has no analogue input"));
        return;
    }
    int32_t mv = scanner_.level(drive, sense);
    if (mv < 0) {
        say_held_up();
        return;
    }
    out_.begin(FLASH_TEXT("VOLT"));
    out_.number(drive);
    out_.number(sense);
    out_.number(uint32_t(mv));
    out_.end();
}

void Probe::watch(uint8_t drive, uint8_t sense, uint8_t ms) {
    if (!crossing_fits(drive, sense)) return;
    scanner_.watch(Mask(1) << drive, Mask(1) << sense, drive);
    watch_drive_ = drive;
    watch_sense_ = sense;
    watch_ms_ = ms;
    state_ = WATCHING;
}

void Probe::look() {
    bool good = scanner_.look();
    if (good && scanner_.edges() < MAX_EDGES && scanner_.watched() < watch_ms_ * uint16_t(1000 / EDGE_STEP_US)) return;
    state_ = RUNNING;
    owe_scan_ = true;  // the reading was forgotten
    if (!good) {
        say_held_up();
        return;
    }
    out_.begin(FLASH_TEXT("EDGES"));
    out_.number(watch_drive_);
    out_.number(watch_sense_);
    out_.number(scanner_.t_us());
    say_edge_time(scanner_.watched());
    say_edge_time(scanner_.gap());
    out_.number(scanner_.closed_first());
    for (uint8_t k = 0; k < scanner_.edges(); k++) say_edge_time(scanner_.edge(k));
    out_.end();
}

void Probe::say_edge_time(uint16_t steps) { out_.number(uint32_t(steps) * EDGE_STEP_US); }

void Probe::say_held_up() {
    oops(FLASH_TEXT("supply the driven pin stays high, let go of it"));
}

void Probe::say_who() {
    out_.begin(FLASH_TEXT("HI"));
    out_.number(PROBE_VERSION);
    out_.text(board::chip());
    out_.text(FLASH_TEXT(PROBE_BUILD));
    out_.number(PROBE_PINS);
    out_.number(board::supply_mv());
    next_pin_ = out_.end() ? 0 : PROBE_PINS;
}

// The PIN lines together are longer than the ring: as many as find room, the rest next time.
void Probe::say_pins() {
    while (next_pin_ < PROBE_PINS) {
        out_.begin(FLASH_TEXT("PIN"));
        out_.number(next_pin_);
        out_.raw(' ');
        for (uint8_t at = 0; char c = board::port_char(next_pin_, at); at++) out_.raw(c);
        if (!out_.end()) return;
        next_pin_++;
    }
}

void Probe::oops(const char* code_and_text) {
    out_.begin(FLASH_TEXT("OOPS"));
    out_.text(code_and_text);
    out_.end();
}

// A line that finds no room is dropped, but its number is used up; a SCAN makes good for it.
void Probe::report() {
    bool news = scanner_.rest_changed() || scanner_.changes();
    bool said;
    if (owe_scan_ || scanner_.changes() > 16) said = say_scan();
    else if (news) said = say_diff();
    else {
        if (board::millis() - said_ms_ >= SAME_MS && say_same()) said_ms_ = board::millis();
        return;
    }
    if (said) said_ms_ = board::millis();
    if (said || news) seq_++;
    owe_scan_ = !said;
}

bool Probe::say_scan() {
    out_.begin(FLASH_TEXT("SCAN"));
    out_.number(seq_);
    out_.number(scanner_.t_us());
    out_.mask(scanner_.rest());
    for (uint8_t k = 0; k < scanner_.lines(); k++) out_.mask(scanner_.low(k));
    return out_.end();
}

bool Probe::say_diff() {
    out_.begin(FLASH_TEXT("DIFF"));
    out_.number(seq_);
    out_.number(scanner_.t_us());
    if (scanner_.rest_changed()) out_.rest_change(scanner_.rest());
    uint8_t k = 0;
    Mask bit = 1;
    for (uint8_t pin = 0; pin < PROBE_PINS; pin++, bit <<= 1) {
        if (!(scanner_.use() & bit)) continue;
        if (scanner_.changed() & bit) out_.change(pin, scanner_.low(k));
        k++;
    }
    return out_.end();
}

bool Probe::say_same() {
    ReadingCheck check;
    check.add(scanner_.rest());
    for (uint8_t k = 0; k < scanner_.lines(); k++) check.add(scanner_.low(k));
    out_.begin(FLASH_TEXT("SAME"));
    out_.number(seq_ - 1);
    out_.number(scanner_.t_us());
    out_.check(check.value());
    return out_.end();
}

}  // namespace probe
