/* Deviations of a run from the plate's own conditions, sorted as kind or harsh to the unit, and what verdict a run with
 * given deviations may earn. Kind ones never support a pass, harsh ones never a fail. One table, in deviation.c.
 * The distinction and its rules: common practice, no published source. The tolerances marked M follow test conditions
 * of IEC 60974-1, 7.1.2, from memory, and are configurable. Verdict path: + - * / and comparison only. */
#ifndef DEVIATION_H
#define DEVIATION_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "rating.h"
#include "verdict.h"

struct deviation_tolerance {
    double i2_low_pct, i2_high_pct; /* of the rated current */
    double u2_low_pct, u2_high_pct; /* of the conventional load voltage */
    double u1_pct;                  /* of the rated supply voltage, either way; M: 5 */
    double intake_k;                /* around the rated ambient, either way */
    double altitude_m;              /* above this is harsh: 1000 */
    double pause_pct;               /* a pause longer by more than this share of the planned one is long */
};

/* What was seen over the judged part of the run. A figure that was not seen is NAN, and then counts as deviating both
 * ways where it could be either: nobody can rule it out. */
struct seen_conditions {
    double current_a, load_voltage_v, supply_v, intake_degc, altitude_m;
    bool at_equilibrium; /* reached: how the run began no longer matters; else the start counts as cold, since a warm
                          * unit is still colder than at equilibrium and an unknown one may have been cold */
    double pause_s, planned_pause_s; /* longest pause of the valid cycles; NAN both: no pause judged */
    bool heavier_cycle;              /* an earlier on-load part was longer, or a pause shorter, than the rating's */
    double current_uncertainty_a, load_voltage_uncertainty_v; /* expanded; a deviation within them is none */
};

/* The tolerances that hold unless configured. limits gives band and supply tolerance (M). */
struct deviation_tolerance deviation_tolerance_default(const struct bench_limits *limits);

/* Bits of enum deviation. load_voltage_v: U2 of the point (load_point_find). A supply rating that the plate does not
 * give (engine driven: phases 0) is not judged. */
uint32_t deviations_seen(const struct rating_point *point, double load_voltage_v, const struct seen_conditions *seen,
                         const struct deviation_tolerance *tolerance);

/* What the run showed. */
enum run_outcome {
    OUTCOME_HOLD,          /* every demanded on-load part was held to its rated time and guard */
    OUTCOME_SHUTOFF,       /* shut off before rated time for sure */
    OUTCOME_NEVER_REACHED, /* rated current was not reached */
    OUTCOME_UNCLEAR        /* cut short, gaps, or a shutoff so near rated time that it cannot be told */
};

/* Why a verdict is no better than it is: for the sentence that goes with it. */
enum allowed_reason {
    ALLOWED_CLEAR, /* nothing stood in the way */
    ALLOWED_NO_BASIS,
    ALLOWED_NOT_EQUILIBRIUM, /* a hold from cold or warm earns `held` at most */
    ALLOWED_KIND,            /* a kind deviation bars the pass */
    ALLOWED_HARSH,           /* a harsh deviation bars the fail */
    ALLOWED_OUTSIDE_CAUSE,   /* the cause is not the unit's */
    ALLOWED_CAUSE_UNSURE,    /* unknown, or a second candidate that is not the unit's */
    ALLOWED_UNIT_PROTECTION, /* lockouts that a bench can provoke are no proof against the rating */
    ALLOWED_NOT_CONFIRMED,   /* never reached, but control, mode or load were not confirmed */
    ALLOWED_UNCLEAR,
    ALLOWED_BASIS_CONTRADICTS, /* equilibrium at 40 degC claimed with a cool intake or a cold start */
    ALLOWED_REASON_COUNT_
};

struct allowed_case {
    enum run_outcome outcome;
    enum basis basis;
    uint32_t deviations;
    enum shutoff_cause cause, cause_second; /* CAUSE_NONE when there is none */
    bool control_confirmed;                 /* control at maximum, mode right, load at the right resistance */
};

struct allowed {
    enum verdict_kind kind;
    enum allowed_reason reason;
    uint32_t because; /* the deviation bits that decided */
};

/* The verdict a run may earn. Never fails: what does not fit is `undecided`. */
struct allowed verdict_allowed(const struct allowed_case *c);

/* Which verdicts a single deviation bars; for printing the table. Unknown bits bar everything. */
struct deviation_rule {
    enum deviation bit;
    const char *name; /* "kind: cold start" ... */
    bool bars_held;   /* of a run from cold or warm */
    bool bars_met_equilibrium;
    bool bars_met_40;
    bool bars_not_met;
};
const struct deviation_rule *deviation_rules(int *count);

/* Was an on-load part held? on_ns: bounds of the time at or above rated until shutoff or end. shutoff: the unit shut
 * off (else the bench ended it). uncertainty_ns: expanded uncertainty of the time, on top of the bounds. Held when the
 * lower bound less uncertainty reaches the rated time; shut off early when the upper bound plus uncertainty stays below
 * it; else unclear. */
enum run_outcome hold_outcome(int64_t low_ns, int64_t high_ns, int64_t rated_ns, int64_t uncertainty_ns, bool shutoff);

const char *run_outcome_name(enum run_outcome outcome);
const char *allowed_reason_text(enum allowed_reason reason); /* a clause for people */

#endif
