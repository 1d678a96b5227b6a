/* The wiring on the simulated pins, described by the test in a text file, and what it conducts.
 *
 * One statement a line; "#" begins a comment. Node names are free; GND and VCC are the supply.
 *   pin PD1 R1            pad PD1 is joined to node R1
 *   wire A B              conducts both ways
 *   resistor A B 2000     conducts both ways, in ohms
 *   diode A K             conducts from anode A to cathode K
 *   switch L23 A B        conducts both ways while pressed; any number of switches may share a name
 *   capacitance R1 470    of the line of the pad that is joined to node R1, in picofarads
 *
 * A pad's line whose capacitance is not given has `line_pf`; a pad that nothing is joined to has its
 * own only. Written for the tests and independent of keydiag's own
 * circuit model. What flows where is found here; voltages and times are voltage.c's matter.
 */
#ifndef HALF_H
#define HALF_H

#include <stdint.h>

#define PADS 26
#define PAD_PF 10.0 /* of every pad by itself (from memory) */

extern const char *const PAD_NAMES[PADS];
extern double line_pf;

/* How a pad is joined to a pad that is driven low, or to ground: the path with the lowest level. */
enum { NO_PATH = -1, HELD_UP = -2 /* the supply holds it up, whatever is driven */ };
struct path {
    int drops; /* diodes in series; or NO_PATH, HELD_UP */
    double ohm;
};

/* Reads the description; prints what is wrong with its line number and returns -1. */
int half_load(const char *path);
/* Presses or releases every switch of that name; -1 if there is none. */
int half_switch(const char *name, int closed);
/* 0: breaks every wire, resistor and diode between two nodes. 1: mends those that are broken, or, if
 * none is, lays a new wire between them. -1 if there is nothing to do it to. */
int half_wire(const char *a, const char *b, int whole);
/* The paths of all pads while the pads of `driven_low` sink current. */
void half_paths(uint32_t driven_low, struct path paths[PADS]);
/* Capacitance of a pad and the line it is joined to by wires and closed switches, in picofarads. */
double half_pf(int pad);
/* Grows whenever switches or wires change: results from before are stale. */
unsigned half_epoch(void);
int pad_by_name(const char *name);

#endif
