/* What the test wants to happen at exact moments of the chip's clock, and what really was on the pads
 * when the sketch read them. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdint.h>

/* A file of lines "<microseconds> <switch> <0 or 1>", ascending, counted from `now` (in cycles).
 * Replaces what was still to come; -1 if the file is not good. */
int events_load(const char *path, uint64_t now);
/* Do what is due; 1 if anything was. */
int events_run(uint64_t now);
int events_left(void);

/* Truth: begin to write to `path` every reading that differs from the one before, as the pads were
 * when the sketch last looked at them: "<rest> <m0> <m1> ..." in hex, one mask for each pad that is
 * driven. NULL: end. -1 if the file cannot be written. */
int truth_record(const char *path);
/* `used`: pads that are pulled or driven. */
void truth_driven(int pad, uint32_t used);
void truth_read(int port, uint8_t value); /* PINx was read */
void truth_released(int pad, uint32_t used);

#endif
