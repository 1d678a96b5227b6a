/* What the chip does to its pads and what it reads there: levels and rise times on the wired half,
 * shorts to the supply seen in the read-back, JTAG holding PF4-PF7, and a record of it all. */
#ifndef PINS_H
#define PINS_H

#include <stdint.h>

#include "sim_avr.h"

extern uint64_t rise_cycles;  /* how long a released line takes to read high */
extern int reset_by_watchdog; /* set when the chip reset itself; cleared by whoever saw it */

void pins_attach(avr_t *chip);
void pins_reset(void);                       /* as after power-up */
void pins_forget(void);                      /* begin the record anew */
void pins_say(int resets, uint32_t baud);    /* the answer to `drives?`, on standard output */

#endif
