/* See voltage.h. */
#include "voltage.h"

#include <math.h>

#define CLOCK_HZ 16e6
#define SINK_OHM 25.0
#define DIODE_IS 4.352e-9
#define DIODE_RS 0.6458
#define DIODE_N_VT (1.906 * 0.025865) /* N * kT/q at 27 degrees C, in volts */

double supply_mv = 5000, pull_up_ohm = 35000, vil_mv = 900, vih_mv = 1900;

double level_mv(int drops, double ohm) {
    double supply = supply_mv / 1000, series = pull_up_ohm + ohm + SINK_OHM + drops * DIODE_RS;
    double least = 0, most = supply / series;
    if (drops < 0) return supply_mv;
    for (int i = 0; i < 50; i++) { /* the current at which the voltages add up to the supply */
        double amps = (least + most) / 2;
        double volts = amps * series + drops * DIODE_N_VT * log(amps / DIODE_IS + 1);
        if (volts > supply) most = amps;
        else least = amps;
    }
    return supply_mv - 1000 * least * pull_up_ohm;
}

double time_constant(int drops, double ohm, double pf) {
    double into = ohm + SINK_OHM;
    double parallel = drops < 0 ? pull_up_ohm : pull_up_ohm * into / (pull_up_ohm + into);
    return parallel * pf * 1e-12 * CLOCK_HZ;
}

double line_mv(const struct line *l, uint64_t now) {
    if (l->tau < 0 || now <= l->since) return l->from;
    return l->to - (l->to - l->from) * exp(-(double)(now - l->since) / l->tau);
}

int line_high(const struct line *l, uint64_t now) {
    return now < l->flips_at ? l->reads_high : !l->reads_high;
}

void line_goes(struct line *l, uint64_t now, double to, double tau) {
    double from = line_mv(l, now), passes;
    int high = line_high(l, now);
    *l = (struct line){from, to, tau, now, high, UINT64_MAX};
    passes = high ? vil_mv : vih_mv;
    if (tau < 0 || (high ? to >= passes : to <= passes)) return;
    if (high ? from < passes : from >= passes) l->flips_at = now;
    else l->flips_at = now + (uint64_t)ceil(tau * log((to - from) / (to - passes)));
}
