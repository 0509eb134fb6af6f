/* Straight line through points by least squares, with standard uncertainties (JCGM 100:2008, H.3). Verdict path:
 * + - * / sqrt and comparison only. */
#ifndef LINE_FIT_H
#define LINE_FIT_H

#include "error.h"

struct line_fit {
    double slope, intercept;     /* y = intercept + slope * (x - x0) */
    double u_slope, u_intercept; /* standard uncertainties */
    double correlation;          /* of slope and intercept */
    double residual_sd;          /* sqrt(sum of squares / (n - 2)) */
    double residual_sum;
    int count;
};

/* count points (at least 3, finite, x not all equal), x counted from x0. Returns 0 or -1 with err. */
int line_fit(const double *x, const double *y, int count, double x0, struct line_fit *fit, struct error *err);

/* Value of the line and its standard uncertainty at x. */
double line_fit_at(const struct line_fit *fit, double x, double x0, double *u);

/* Mean and sample standard deviation (n - 1) in two passes. Returns 0 or -1 with err (fewer than two, not finite). */
int mean_and_sd(const double *values, int count, double *mean, double *sd, struct error *err);

#endif
