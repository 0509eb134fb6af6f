/* What to tell a load that is set to a number, a resistance or a current, so that the unit sees a wanted conductance or
 * its rated current. Verdict path: + - * / and comparison only. */
#ifndef SETTABLE_LOAD_H
#define SETTABLE_LOAD_H

#include "bench.h"
#include "error.h"
#include "process.h"
#include "step_choice.h"

struct settable_wish {
    const struct bench_load *load; /* of a settable kind; not kept */
    double target_conductance_s;   /* at the point where U2 is to be met: the unit's terminals */
    double lead_resistance_ohm;  /* in series with the load, part of what the unit sees; 0 when U2 is met at the load */
    double current_a, voltage_v; /* of the rating point; the voltage is the highest that the load may see */
    double present;              /* setting now, kept when it is within 1 % of the one wanted; 0: none */
};

/* The setting in ohm or A, and what follows from it in the terms of a stepped load (mask 1: the load is on). Returns 0;
 * -1 with err when it lies outside what the load can be set to or take. */
int settable_choose(const struct settable_wish *wish, struct step_choice *choice, double *setting, struct error *err);

/* Does this kind of load go together with a unit of the process? A load that holds a current and a unit that holds one
 * work against each other: the voltage goes to one of its ends (common practice, no published source). */
bool settable_fits(enum load_kind kind, enum process process);

#endif
