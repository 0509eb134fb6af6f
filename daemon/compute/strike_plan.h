/* What the load is told one after the other to get a unit going that does not start on a point's own steps: a moment of
 * low resistance, a moment of high, the point's steps. The circuit is never opened in between: the low moment's steps
 * hold the high one's, and those are some of the point's, so that what follows only closes. Verdict path: + - * / and
 * comparison only. */
#ifndef STRIKE_PLAN_H
#define STRIKE_PLAN_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "error.h"
#include "input.h"

enum { STRIKE_MOVES_MAX = 3 };

struct strike_wish {
    const struct bench_load *load; /* not kept */
    uint32_t final_mask;           /* steps of the point; 1: a settable load ... */
    double final_setting;          /* ... and its ohm */
    double lead_ohm;               /* in series, part of what the unit sees */
    double temperature_factor;     /* of the elements */
    double current_a;              /* rated: the most that the unit may give meanwhile ... */
    double u0_v;                   /* ... and its highest voltage */
    bool triggered;                /* the bench's torch switch turns the output on and off */
};

enum strike_moment { STRIKE_LOW, STRIKE_HIGH, STRIKE_FINAL };

struct strike_move {
    enum strike_moment moment;
    uint32_t mask;
    double setting; /* of a settable load: ohm */
    double ohm;     /* that the unit sees */
    int64_t for_ns; /* 0: stays */
    bool opens;     /* steps open that carried current in the move before */
};

struct strike_plan {
    int count;
    struct strike_move moves[STRIKE_MOVES_MAX];
};

/* Does a run with this load begin by a strike: because the unit is on file so, or because it is asked for? */
bool strike_is_wanted(const struct bench_load *load, const struct run_request *run);

/* The most that a unit's output may have without load: by its plate, else what its process is allowed. V */
double highest_no_load_v(const struct bench_limits *limits, const struct rating_point *point, bool s_marked);

/* The limit alone, whatever the plate says. V */
double no_load_limit_v(const struct bench_limits *limits, const struct rating_point *point, bool s_marked);

/* Works the moves out. Returns 0; -1 with err that says why this load cannot do it for this point. */
int strike_plan_make(const struct strike_wish *wish, struct strike_plan *plan, struct error *err);

/* All moments together, contactors' travel included: what one attempt takes until the point's steps are closed. */
int64_t strike_plan_ns(const struct strike_plan *plan, const struct bench_load *load);

const char *strike_moment_name(enum strike_moment moment);

#endif
