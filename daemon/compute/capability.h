/* A unit's own capability, from repeated cut-out and reset: mean of on / (on + reset) over the settled cycles.
 * Verdict path: + - * / sqrt and comparison only. */
#ifndef CAPABILITY_H
#define CAPABILITY_H

#include <stdbool.h>

#include "error.h"

enum { CAPABILITY_MAX = 64 };

struct cutout_cycle {
    double on_s;    /* on-load until the cut-out */
    double reset_s; /* from the cut-out to the reset */
};

struct capability {
    double percent_on;      /* mean over the settled cycles */
    double uncertainty_pct; /* standard uncertainty of that mean, in points of percent-on; NAN for one cycle */
    int first_settled;      /* index */
    int settled;            /* how many */
};

/* count cycles in order of time. Settled: from the first cycle on whose on_s differs by no more than settled_pct from
 * the mean of all that follow it (common practice, no published source); the first cycle, from cold, never counts.
 * Returns 0; -1 with err when a time is not above 0 or fewer than two settled cycles remain. */
int capability_find(const struct cutout_cycle *cycles, int count, double settled_pct, struct capability *capability,
                    struct error *err);

#endif
