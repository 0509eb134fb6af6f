/* Which switched resistors to close so that the unit sees a wanted conductance. Exact: every combination of up to 16
 * steps is looked at, in well under a millisecond, without allocation. Verdict path: + - * / and comparison only. */
#ifndef STEP_CHOICE_H
#define STEP_CHOICE_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "error.h"

struct step_wish {
    const struct bench_step *steps; /* step_count of them, resistance at 20 degC; not kept */
    int step_count;
    uint32_t usable_mask;        /* steps that may be closed (bit i = step i) */
    double target_conductance_s; /* at the point where U2 is to be met: the unit's terminals */
    double lead_resistance_ohm;  /* in series with the bank, part of the load; 0 when U2 is met at the bank */
    double voltage_v;            /* highest U2 that the load may see with these steps: for the power limits */
    double temperature_factor;   /* resistance of the elements now over that at 20 degC; 1 when cold */
    double step_load_pct;        /* share of a step's power rating that may be used, 100: just the rating */
    double max_power_w;          /* of the whole load; 0: no limit of its own */
    uint32_t present_mask;       /* steps closed now */
    bool close_only;             /* on-load trim: only further steps may close, none may open */
    double tie_pct;              /* combinations no further off than the best plus this share of the target count as
                                  * equal; of these the one with the fewest contactor movements wins */
};

struct step_choice {
    uint32_t mask;
    double bank_resistance_ohm; /* of the closed steps at their present temperature */
    double resistance_ohm;      /* with the leads: what the unit sees */
    double conductance_s;
    double error_pct;      /* conductance reached against wanted: above 0 loads the unit with more current */
    double best_error_pct; /* the smallest possible, before the tie-break */
    double power_w;        /* in the bank at voltage_v */
    double worst_step_pct; /* highest share of a step's rating in use */
    int movements;         /* contactors that change */
};

/* Chooses. Among equals: fewest movements, then smallest error, then lowest mask. Returns 0; -1 with err when a wish is
 * no sensible figure, or when no combination stays within the power limits (the sentence says what stands in the way).
 */
int step_choose(const struct step_wish *wish, struct step_choice *choice, struct error *err);

/* Conductance in S that closed steps give together with the leads; 0 when none is closed. No check of limits. */
double step_conductance(const struct bench_step *steps, int step_count, uint32_t mask, double temperature_factor,
                        double lead_resistance_ohm);

#endif
