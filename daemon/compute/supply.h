/* The supply side: effective current, efficiency, power factor, sag. Verdict path: + - * / sqrt and comparison only. */
#ifndef SUPPLY_H
#define SUPPLY_H

#include "error.h"

/* Effective supply current I1eff = sqrt(I1^2 X + I0^2 (1 - X)) in A; percent_on 0 to 100. GOST R IEC
 * 60974-1-2012, 3.33; named so in the US electrical code, 630.12. Returns 0 or -1 with err. */
int supply_effective_current(double i1_a, double i0_a, double percent_on, double *i1_eff_a, struct error *err);

struct supply_load {
    double output_w;     /* I2 * U2 */
    double efficiency;   /* output over supply power, above 0 up to 1 */
    double power_factor; /* supply power over apparent power, above 0 up to 1 */
    double voltage_v;    /* at the unit; line to line for three phases */
    int phases;          /* 1 or 3 */
};

/* Supply current I1 = P / (eff * pf * U) (three phases: over sqrt(3) more), the estimate of I1max where the plate gives
 * none. Returns 0 or -1 with err. */
int supply_current(const struct supply_load *load, double *i1_a, struct error *err);

/* Efficiency and power factor from what was measured: P2 / P1 and P1 / (U1 I1), the latter over sqrt(3) with three
 * phases. Returns 0; -1 with err when a figure is not above 0 or a result exceeds 1 by more than the meters'
 * tolerance_pct. */
int supply_efficiency(double output_w, double supply_w, double tolerance_pct, double *efficiency, struct error *err);
int supply_power_factor(double supply_w, double voltage_v, double current_a, int phases, double tolerance_pct,
                        double *power_factor, struct error *err);

struct supply_sag {
    double voltage_v; /* at the unit, under load */
    double current_a;
    double sag_pct; /* of the open voltage */
    int rounds;     /* of the iteration */
};

/* Voltage and current that settle when a unit of near constant power (an inverter) is fed through a resistance: its
 * current rises as the voltage falls, which is iterated until it stands. resistance_ohm: the whole loop for one phase,
 * one conductor for three. load->voltage_v is the open voltage. The resistive drop is taken in phase with the
 * current: on the safe side at a low power factor. Returns 0; -1 with err when the circuit cannot feed the load at all.
 */
int supply_sag_find(const struct supply_load *load, double resistance_ohm, struct supply_sag *sag, struct error *err);

#endif
