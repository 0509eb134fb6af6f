#include "line_fit.h"

static int all_finite(const double *v, int count)
{
    for (int i = 0; i < count; i++) {
        if (!__builtin_isfinite(v[i]))
            return 0;
    }
    return 1;
}

static double mean_of(const double *v, int count)
{
    double mean = 0;
    for (int i = 0; i < count; i++)
        mean += (v[i] - mean) / (i + 1);
    double rest = 0; /* what rounding left, summed in a second pass */
    for (int i = 0; i < count; i++)
        rest += v[i] - mean;
    return mean + rest / count;
}

int line_fit(const double *x, const double *y, int count, double x0, struct line_fit *fit, struct error *err)
{
    if (count < 3)
        return error_set(err, "a line with its uncertainty needs at least 3 points, not %d", count);
    if (!all_finite(x, count) || !all_finite(y, count) || !__builtin_isfinite(x0))
        return error_set(err, "every point of a line must be a number");
    double mx = mean_of(x, count), my = mean_of(y, count);
    double sxx = 0, sxy = 0;
    for (int i = 0; i < count; i++) {
        sxx += (x[i] - mx) * (x[i] - mx);
        sxy += (x[i] - mx) * (y[i] - my);
    }
    if (!(sxx > 0))
        return error_set(err, "the points of a line must not all lie at the same place");
    double slope = sxy / sxx, residual_sum = 0;
    for (int i = 0; i < count; i++) {
        double r = y[i] - my - slope * (x[i] - mx);
        residual_sum += r * r;
    }
    double variance = residual_sum / (count - 2);
    double at = mx - x0;
    double u_slope = __builtin_sqrt(variance / sxx);
    double spread = 1.0 / count + at * at / sxx; /* variance of the intercept over the residual variance */
    *fit = (struct line_fit){
        .slope = slope,
        .intercept = my - slope * at,
        .u_slope = u_slope,
        .u_intercept = __builtin_sqrt(variance * spread),
        .correlation = -at / __builtin_sqrt(sxx * spread),
        .residual_sd = __builtin_sqrt(variance),
        .residual_sum = residual_sum,
        .count = count,
    };
    return 0;
}

double line_fit_at(const struct line_fit *fit, double x, double x0, double *u)
{
    double d = x - x0;
    if (u != 0) {
        double variance = fit->u_intercept * fit->u_intercept + d * d * fit->u_slope * fit->u_slope +
                          2 * d * fit->correlation * fit->u_intercept * fit->u_slope;
        *u = __builtin_sqrt(variance > 0 ? variance : 0);
    }
    return fit->intercept + fit->slope * d;
}

int mean_and_sd(const double *values, int count, double *mean, double *sd, struct error *err)
{
    if (count < 2)
        return error_set(err, "a standard deviation needs at least 2 values, not %d", count);
    if (!all_finite(values, count))
        return error_set(err, "every value must be a number");
    double m = mean_of(values, count), squares = 0;
    for (int i = 0; i < count; i++)
        squares += (values[i] - m) * (values[i] - m);
    *mean = m;
    *sd = __builtin_sqrt(squares / (count - 1));
    return 0;
}
