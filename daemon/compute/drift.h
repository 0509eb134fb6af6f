/* Drift of a temperature rise in K/h and the equilibrium criterion. Compared is the same phase of successive cycles, as
 * rise over the unit's own intake air. The slope is the median of all pairwise slopes, which one bad point does not
 * move; its interval takes residual scatter, no less than the thermometer's own, and Student's t. "No part rises faster
 * than 2 K/h, for at least 60 min": IEC 60974-1, 7.1.3, from memory; both figures come from the bench's limits.
 * Fixed size, no allocation. Verdict path: + - * / sqrt and comparison only. */
#ifndef DRIFT_H
#define DRIFT_H

#include <stdbool.h>
#include <stdint.h>

#include "coverage.h"
#include "error.h"

enum { DRIFT_POINTS = 64, DRIFT_POINTS_LEAST = 5 };

/* The newest DRIFT_POINTS points. Members are not for reading. */
struct drift_series {
    int64_t at_ns[DRIFT_POINTS];
    double rise_k[DRIFT_POINTS];
    int first, count;
};

struct drift {
    double slope_k_per_h;
    double low_k_per_h, high_k_per_h; /* interval at the coverage asked for */
    double residual_k;                /* scatter used */
    int64_t span_ns;                  /* from the first to the last point used */
    int count;
};

void drift_begin(struct drift_series *s); /* also: begin again after heat was interrupted */

/* Adds a point. One that is not finite, or not after the last, is ignored and -1 returned. */
int drift_add(struct drift_series *s, int64_t at_ns, double rise_k);

/* Slope over the points of the last window_ns before the newest (that is included, as is one exactly window_ns older).
 * noise_k: standard uncertainty of one difference in temperature, as a floor for the scatter. Returns 0; -1 with err
 * when fewer than DRIFT_POINTS_LEAST points lie there. */
int drift_find(const struct drift_series *s, int64_t window_ns, double noise_k, enum coverage coverage,
               struct drift *drift, struct error *err);

/* Equilibrium: the points span at least the window (less one part in twenty, as cycles need not divide it) and the
 * upper bound of the slope does not exceed the limit. */
bool drift_is_equilibrium(const struct drift *drift, int64_t window_ns, double limit_k_per_h);

/* Median pairwise slope of y over x (Theil and Sen). count up to DRIFT_POINTS. Returns 0 or -1 with err. */
int median_slope(const double *x, const double *y, int count, double *slope, struct error *err);

#endif
