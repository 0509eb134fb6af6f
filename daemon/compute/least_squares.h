/* Nonlinear least squares with covariance: Levenberg and Marquardt by cminpack, started several times with different
 * step bounds and restarted from its own result until nothing improves. Solver success alone proves nothing: a
 * covariance that cannot be formed is an error. Uses the mathematical library; runs in a worker. */
#ifndef LEAST_SQUARES_H
#define LEAST_SQUARES_H

#include <stdbool.h>

#include "error.h"

enum { LS_PARAMETERS_MAX = 12 };

struct ls_problem {
    int observations;
    int parameters; /* up to LS_PARAMETERS_MAX, fewer than observations */
    /* residual[i] = model(i, p) - y[i] */
    void (*residuals)(const void *context, const double *p, double *residual);
    /* jacobian[i + observations * k] = d residual[i] / d p[k]; NULL: by central differences */
    void (*jacobian)(const void *context, const double *p, double *jacobian);
    const void *context;
    bool brief; /* good start values are at hand: one step bound, few restarts, bounded work */
};

struct ls_result {
    double p[LS_PARAMETERS_MAX];
    double sd[LS_PARAMETERS_MAX]; /* standard uncertainties */
    double covariance[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX];
    double residual_sum; /* of squares */
    double residual_sd;  /* sqrt(residual_sum / (observations - parameters)) */
    double condition;    /* of the scaled Jacobian, from the diagonal of R: large means hardly identifiable */
    double aicc;         /* n ln(RSS / n) + 2 k + 2 k (k + 1) / (n - k - 1), k = parameters + 1 for the variance */
    int dof;
};

/* Fits from the start values. Returns 0; -1 with err (sizes, values that are not numbers, no convergence, Jacobian
 * without full rank: the message begins with "no convergence" or "not identifiable"). */
int least_squares(const struct ls_problem *problem, const double *start, struct ls_result *result, struct error *err);

#endif
