/* Conformity with a guard band (JCGM 106:2012) for a limit that a figure must at least reach, and the probability that
 * `met` is false. Uses the mathematical library; verdicts of the engine go by whole bounds of time instead. */
#ifndef CONFORMITY_H
#define CONFORMITY_H

#include "error.h"
#include "verdict.h"

struct conformity {
    enum verdict_kind verdict;    /* VERDICT_MET, VERDICT_NOT_MET, VERDICT_UNDECIDED */
    double accept_from;           /* acceptance limit: limit + guard band */
    double reject_below;          /* limit - guard band */
    double conform_probability;   /* that the true value is at least the limit */
    double false_met_probability; /* that `met` would be wrong for this result: 1 - conform_probability */
};

/* Distribution function of the standard normal distribution, accurate in the far tail. */
double normal_below(double z);

/* Judges "at least". measured with its expanded uncertainty and coverage factor k (2: 95 %). guard: guard band as a
 * multiple of the expanded uncertainty, 1 by default (ILAC-G8:09/2019: false acceptance up to 2.5 %); 0 is simple
 * acceptance. Normal distribution, no prior knowledge. Returns 0 or -1 with err. */
int conformity_at_least(double measured, double expanded_uncertainty, double k, double limit, double guard,
                        struct conformity *result, struct error *err);

/* Probability that the true value lies in [low, high], given a result and its standard uncertainty (JCGM 106:2012, 7).
 * low may be -INFINITY and high INFINITY. Returns 0 or -1 with err. */
int conform_probability(double measured, double standard_uncertainty, double low, double high, double *probability,
                        struct error *err);

/* Guard band, as a multiple of U = 2u, that keeps the risk of a false acceptance at the acceptance limit at or below
 * risk (0 to 0.5, both excluded). Returns 0 or -1 with err. */
int guard_for_risk(double risk, double *guard, struct error *err);

#endif
