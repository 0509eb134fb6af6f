#include "uncertainty.h"

double uncertainty_standard(const struct uncertainty *u, double reading)
{
    if (!__builtin_isfinite(reading))
        return __builtin_nan("");
    double size = reading < 0 ? -reading : reading;
    double stated = size * u->of_reading_pct / 100 + u->range * u->of_range_pct / 100 + u->absolute;
    if (u->kind == UNC_EXPANDED)
        return stated / (u->k > 0 ? u->k : 2);
    return stated / __builtin_sqrt(3);
}

double uncertainty_expanded(const struct uncertainty *u, double reading)
{
    return 2 * uncertainty_standard(u, reading);
}

double calibration_apply(const struct bench_signal *signal, double read)
{
    double gain = signal->correction_gain;
    if (!(gain > 0) && !(gain < 0))
        gain = 1;
    return read * gain + signal->correction_offset;
}

double time_uncertainty_s(double begin_half_width_s, double end_half_width_s)
{
    double sum = begin_half_width_s * begin_half_width_s + end_half_width_s * end_half_width_s;
    return 2 * __builtin_sqrt(sum / 3);
}
