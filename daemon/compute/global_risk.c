#include "global_risk.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#include "conformity.h"

enum { BENDS = 10, PANELS = 1200 }; /* panels of one stretch, even */
static const double reach_sd = 9;   /* beyond it a normal distribution holds less than 1e-18 */

static double accepted_at(const struct risk_rule *r, double true_value)
{
    double below = normal_below((r->accept_from - true_value) / r->measurement_sd);
    double above = normal_below((true_value - r->accept_to) / r->measurement_sd);
    return 1 - below - above;
}

static double density_at(const struct risk_rule *r, double true_value)
{
    double z = (true_value - r->process_mean) / r->process_sd;
    return exp(-0.5 * z * z) / (r->process_sd * sqrt(2 * acos(-1)));
}

/* Simpson's rule for density times probability of acceptance, or of refusal. */
static double stretch(const struct risk_rule *r, double from, double to, bool accepted)
{
    double sum = 0, h = (to - from) / PANELS;
    for (int i = 0; i <= PANELS; i++) {
        double x = from + h * i, p = accepted_at(r, x);
        double weight = i == 0 || i == PANELS ? 1 : i % 2 ? 4 : 2;
        sum += weight * density_at(r, x) * (accepted ? p : 1 - p);
    }
    return sum * h / 3;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static int rule_holds(const struct risk_rule *r, struct error *err)
{
    if (!isfinite(r->process_mean))
        return error_set(err, "the mean of such items must be a number");
    if (!(r->process_sd > 0) || !isfinite(r->process_sd))
        return error_set(err, "the standard deviation of such items must be a number above 0");
    if (!(r->measurement_sd > 0) || !isfinite(r->measurement_sd))
        return error_set(err, "the uncertainty must be a number above 0");
    if (!(r->lower_limit < r->upper_limit))
        return error_set(err, "the lower limit must lie below the upper one");
    if (!(r->accept_from < r->accept_to))
        return error_set(err, "the lower acceptance limit must lie below the upper one");
    return 0;
}

int global_risk(const struct risk_rule *rule, struct global_risk *risk, struct error *err)
{
    const struct risk_rule *r = rule;
    if (rule_holds(r, err) != 0)
        return -1;
    double low = r->process_mean - reach_sd * r->process_sd, high = r->process_mean + reach_sd * r->process_sd;
    double near = reach_sd * r->measurement_sd;
    double at[BENDS] = {low,
                        high,
                        r->lower_limit,
                        r->upper_limit,
                        r->accept_from - near,
                        r->accept_from,
                        r->accept_from + near,
                        r->accept_to - near,
                        r->accept_to,
                        r->accept_to + near};
    for (int i = 0; i < BENDS; i++)
        at[i] = fmin(fmax(at[i], low), high);
    qsort(at, BENDS, sizeof at[0], ascending);
    *risk = (struct global_risk){.false_if_accepted = NAN};
    for (int i = 0; i + 1 < BENDS; i++) {
        if (!(at[i] < at[i + 1]))
            continue;
        double middle = (at[i] + at[i + 1]) / 2, accepted = stretch(r, at[i], at[i + 1], true);
        risk->accepted += accepted;
        if (middle < r->lower_limit || middle > r->upper_limit)
            risk->consumer += accepted;
        else
            risk->producer += stretch(r, at[i], at[i + 1], false);
    }
    if (risk->accepted > 0)
        risk->false_if_accepted = risk->consumer / risk->accepted;
    return 0;
}
