/* Volts on the pads: what a pull-up and a path of diodes and ohms settle to, how fast a line gets
 * there, and what a pad reads on the way.
 *
 * Figures. Diode: the maker's own SPICE model of a 1N4148 (NXP: IS=4.352E-9 N=1.906 RS=0.6458), at
 * 27 degrees C as SPICE takes it. Pull-up 20-50 kOhm: ATmega8U2/16U2/32U2 datasheet 7799D, section
 * 26.2 (same family). VIL max 0.2*VCC-0.1 V, VIH min 0.2*VCC+0.9 V: 32U4 datasheet, DC table (from
 * memory). Sink of a driven pin: 25 ohms (datasheet: at most 70). A pad's own capacitance: 10 pF
 * (from memory). tests/simavr/test_voltages.py holds all of it against ngspice.
 *
 * A pad that read low goes on reading low until it is above VIH min; one that read high, until it
 * is below VIL max: the slowest chip that the datasheet allows. The current of one pull-up is
 * reckoned with on each path; where several lines are joined and share a diode, the true level is
 * some 40 mV higher. */
#ifndef VOLTAGE_H
#define VOLTAGE_H

#include <stdint.h>

extern double supply_mv, pull_up_ohm, vil_mv, vih_mv;

/* Level at a pulled-up pad whose current goes through `drops` diodes and `ohm` ohms into a driven
 * pin; drops < 0: nowhere. */
double level_mv(int drops, double ohm);
/* Time constant, in clock cycles, of a pulled-up line of `pf` picofarads with such a path. */
double time_constant(int drops, double ohm, double pf);

/* The voltage of one line over time. */
struct line {
    double from, to, tau; /* mV, mV, cycles: from + (to - from) * (1 - exp(-t / tau)) */
    uint64_t since;
    int reads_high;       /* before `flips_at` */
    uint64_t flips_at;    /* when the reading changes; UINT64_MAX: never */
};

double line_mv(const struct line *l, uint64_t now);
int line_high(const struct line *l, uint64_t now);
/* From now on the line goes towards `to`. `tau` < 0: it stays where it is. */
void line_goes(struct line *l, uint64_t now, double to, double tau);

#endif
