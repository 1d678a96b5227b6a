/* The wiring on the simulated pins, described by the test in a text file, and what it conducts.
 *
 * One statement a line; "#" begins a comment. Node names are free; GND and VCC are the supply.
 *   pin PD1 R1            pad PD1 is joined to node R1
 *   wire A B              conducts both ways
 *   resistor A B 2000     conducts both ways, in ohms
 *   diode A K             conducts from anode A to cathode K
 *   switch L23 A B        conducts both ways while pressed; any number of switches may share a name
 *
 * Written for the tests and independent of keydiag's own circuit model. Levels: a pad reads low
 * below `threshold_mv`. One diode is taken as 510 mV, the driven pin as a dead short, the pull-up as
 * 35 kOhm to 5 V (a SPICE run with the published 1N4148 model gives 0.51 V for one diode and 1.01 V
 * for two there). With the default threshold, VIL max = 0.9 V, two diodes do not read low.
 */
#ifndef HALF_H
#define HALF_H

#include <stdint.h>

#define PADS 26
#define SUPPLY_MV 5000

extern const char *const PAD_NAMES[PADS];
extern int threshold_mv;

/* Reads the description; prints what is wrong with its line number and returns -1. */
int half_load(const char *path);
/* Presses or releases every switch of that name; -1 if there is none. */
int half_switch(const char *name, int closed);
/* 0: breaks every wire, resistor and diode between two nodes. 1: mends those that are broken, or, if
 * none is, lays a new wire between them. -1 if there is nothing to do it to. */
int half_wire(const char *a, const char *b, int whole);
/* Level in millivolts at every pad while the pads of `driven_low` sink current: SUPPLY_MV where
 * nothing conducts to a low. A driven pad that the supply holds up stays at SUPPLY_MV. */
void half_levels(uint32_t driven_low, int level_mv[PADS]);
/* Pads that are one net with another pad by wires and closed switches. */
uint32_t half_net_of(int pad);
/* Grows whenever switches or wires change: results from before are stale. */
unsigned half_epoch(void);
int pad_by_name(const char *name);

#endif
