#include "conformity.h"

#include <math.h>

double normal_below(double z)
{
    return 0.5 * erfc(-z / sqrt(2));
}

int conform_probability(double measured, double standard_uncertainty, double low, double high, double *probability,
                        struct error *err)
{
    if (!isfinite(measured))
        return error_set(err, "the result must be a number");
    if (!(standard_uncertainty > 0) || !isfinite(standard_uncertainty))
        return error_set(err, "the uncertainty must be a number above 0");
    if (!(low < high))
        return error_set(err, "the lower limit must lie below the upper one");
    double below = normal_below((low - measured) / standard_uncertainty);
    double above = normal_below((measured - high) / standard_uncertainty);
    *probability = 1 - below - above;
    return 0;
}

int conformity_at_least(double measured, double expanded_uncertainty, double k, double limit, double guard,
                        struct conformity *result, struct error *err)
{
    if (!isfinite(measured) || !isfinite(limit))
        return error_set(err, "result and limit must be numbers");
    if (!(expanded_uncertainty > 0) || !isfinite(expanded_uncertainty))
        return error_set(err, "the expanded uncertainty must be a number above 0");
    if (!(k > 0) || !isfinite(k))
        return error_set(err, "the coverage factor must be a number above 0");
    if (!(guard >= 0) || !isfinite(guard))
        return error_set(err, "the guard band must be at least 0 times the expanded uncertainty");
    double u = expanded_uncertainty / k, band = guard * expanded_uncertainty;
    *result = (struct conformity){
        .verdict = VERDICT_UNDECIDED,
        .accept_from = limit + band,
        .reject_below = limit - band,
        .conform_probability = normal_below((measured - limit) / u),
        .false_met_probability = normal_below((limit - measured) / u),
    };
    if (measured >= result->accept_from)
        result->verdict = VERDICT_MET;
    else if (measured < result->reject_below)
        result->verdict = VERDICT_NOT_MET;
    return 0;
}

int guard_for_risk(double risk, double *guard, struct error *err)
{
    if (!(risk > 0) || !(risk < 0.5))
        return error_set(err, "the accepted risk must lie between 0 and 0.5");
    double low = 0, high = 40; /* z */
    for (int i = 0; i < 100; i++) {
        double z = (low + high) / 2;
        if (normal_below(-z) > risk)
            low = z;
        else
            high = z;
    }
    *guard = high / 2;
    return 0;
}
