/* See events.h. */
#include "events.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "half.h"

enum { CYCLES_PER_US = 16, NAME = 16 };

static struct event {
    uint64_t at;
    char name[NAME];
    int closed;
} *events;
static int n_events, next_event;

int events_load(const char *path, uint64_t now) {
    FILE *f = fopen(path, "r");
    struct event e;
    unsigned long long us;
    int size = 0, got;
    if (!f) return -1;
    n_events = next_event = 0;
    while ((got = fscanf(f, "%llu %15s %d", &us, e.name, &e.closed)) == 3) {
        e.at = now + us * CYCLES_PER_US;
        if (n_events == size) {
            size = size ? 2 * size : 1024;
            events = realloc(events, size * sizeof *events);
            if (!events) exit(2);
        }
        events[n_events++] = e;
    }
    fclose(f);
    return got == EOF ? 0 : -1;
}

int events_run(uint64_t now) {
    int any = 0;
    for (; next_event < n_events && events[next_event].at <= now; next_event++, any = 1)
        half_switch(events[next_event].name, events[next_event].closed);
    return any;
}

int events_left(void) { return n_events - next_event; }

/* --- truth --- */

static FILE *truth;
static uint8_t seen[5];              /* PINB to PINF as last read */
static uint32_t low[PADS], used_low; /* of the reading that is being taken */
static uint32_t rest;
static int last_pad = PADS, complete;
static char before[PADS * 10 + 20];

static uint32_t reads_low(uint32_t used) {
    uint32_t mask = 0;
    for (int i = 0; i < PADS; i++) {
        int port = PAD_NAMES[i][1] - 'B', bit = PAD_NAMES[i][2] - '0';
        if ((used >> i & 1) && !(seen[port] >> bit & 1)) mask |= 1u << i;
    }
    return mask;
}

int truth_record(const char *path) {
    if (truth) fclose(truth);
    truth = NULL;
    before[0] = 0;
    last_pad = PADS;
    complete = 0;
    if (!path) return 0;
    truth = fopen(path, "w");
    return truth ? 0 : -1;
}

static void write_reading(void) {
    char line[sizeof before];
    int n = snprintf(line, sizeof line, "%X", rest);
    for (int i = 0; i < PADS; i++)
        if (used_low >> i & 1) n += snprintf(line + n, sizeof line - n, " %X", low[i]);
    if (!strcmp(line, before)) return;
    strcpy(before, line);
    fprintf(truth, "%s\n", line);
}

void truth_driven(int pad, uint32_t used) {
    if (!truth) return;
    if (pad <= last_pad) { /* a new reading: the one before is whole, unless it was the first */
        if (complete) write_reading();
        complete = last_pad < PADS;
        rest = reads_low(used);
        used_low = 0;
    }
    last_pad = pad;
}

void truth_read(int port, uint8_t value) { seen[port] = value; }

void truth_released(int pad, uint32_t used) {
    if (!truth) return;
    low[pad] = reads_low(used);
    used_low |= 1u << pad;
}
