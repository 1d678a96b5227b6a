/* What the chip does to its pads and what it reads there: levels and rise times on the wired half,
 * shorts to the supply seen in the read-back, JTAG holding PF4-PF7, and a record of it all. */
#ifndef PINS_H
#define PINS_H

#include <stdint.h>

#include "sim_avr.h"

extern int reset_by_watchdog; /* set when the chip reset itself; cleared by whoever saw it */

void pins_attach(avr_t *chip);
void pins_reset(void);                       /* as after power-up */
void pins_rewired(void);                     /* a switch or a wire has changed */
void pins_analog(int pad, int mv);           /* put this level on an analogue input; -1: the line's */
void pins_hang(void);                        /* loop on the spot as soon as a pin is driven */
void pins_hang_if_due(void);                 /* after each instruction */
void pins_forget(void);                      /* begin the record anew */
void pins_say(int resets, uint32_t baud);    /* the answer to `drives?`, on standard output */

#endif
