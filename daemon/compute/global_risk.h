/* What a decision rule lets through over many items, given how such items spread (JCGM 106:2012, 9.5): the risks of the
 * rule, where the probability of one false `met` is the risk of one result. Uses the mathematical library; no verdict
 * goes by it. */
#ifndef GLOBAL_RISK_H
#define GLOBAL_RISK_H

#include "error.h"

/* All in the unit of the figure judged. Limits may be infinite on one side of each pair. */
struct risk_rule {
    double process_mean, process_sd; /* what is known of such items before this one is measured: normal */
    double measurement_sd;           /* standard uncertainty of one result: normal */
    double lower_limit, upper_limit; /* an item conforms between these */
    double accept_from, accept_to;   /* a result is accepted between these */
};

struct global_risk {
    double consumer;          /* share of all items: accepted and not conforming */
    double producer;          /* share of all items: conforming and not accepted */
    double accepted;          /* share of all items */
    double false_if_accepted; /* share of the accepted that does not conform; NAN when none is accepted */
};

/* Returns 0, or -1 with err: figures that are no numbers, a spread of 0 or less, limits in the wrong order. Good to
 * about 1e-9 (Simpson's rule between all places where the integrand bends). */
int global_risk(const struct risk_rule *rule, struct global_risk *risk, struct error *err);

#endif
