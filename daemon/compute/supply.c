#include "supply.h"

#include <stdbool.h>

enum { ROUNDS_MAX = 10000 };

static bool positive(double x)
{
    return x > 0 && __builtin_isfinite(x);
}

static bool share(double x)
{
    return x > 0 && x <= 1;
}

int supply_effective_current(double i1_a, double i0_a, double percent_on, double *i1_eff_a, struct error *err)
{
    if (!positive(i1_a))
        return error_set(err, "the supply current must be a number above 0 A");
    if (!(i0_a >= 0) || !__builtin_isfinite(i0_a))
        return error_set(err, "the no-load supply current must be a number of at least 0 A");
    if (!(percent_on >= 0) || percent_on > 100)
        return error_set(err, "the percent-on must lie between 0 %% and 100 %%");
    double x = percent_on / 100;
    *i1_eff_a = __builtin_sqrt(i1_a * i1_a * x + i0_a * i0_a * (1 - x));
    return 0;
}

static int check_load(const struct supply_load *load, struct error *err)
{
    if (!positive(load->output_w) || !positive(load->voltage_v))
        return error_set(err, "output power and supply voltage must be numbers above 0");
    if (!share(load->efficiency) || !share(load->power_factor))
        return error_set(err, "efficiency and power factor must lie above 0 and not above 1");
    if (load->phases != 1 && load->phases != 3)
        return error_set(err, "a supply has 1 or 3 phases, not %d", load->phases);
    return 0;
}

static double phase_factor(int phases)
{
    return phases == 3 ? __builtin_sqrt(3) : 1;
}

int supply_current(const struct supply_load *load, double *i1_a, struct error *err)
{
    if (check_load(load, err) != 0)
        return -1;
    *i1_a = load->output_w / (load->efficiency * load->power_factor * load->voltage_v * phase_factor(load->phases));
    return 0;
}

static int ratio_up_to_one(double ratio, double tolerance_pct, const char *what, double *result, struct error *err)
{
    if (ratio > 1 + tolerance_pct / 100)
        return error_set(err, "%s comes out at %.3f: above 1, so a meter or its scale is wrong", what, ratio);
    *result = ratio < 1 ? ratio : 1;
    return 0;
}

int supply_efficiency(double output_w, double supply_w, double tolerance_pct, double *efficiency, struct error *err)
{
    if (!positive(output_w) || !positive(supply_w) || !(tolerance_pct >= 0))
        return error_set(err, "output and supply power must be numbers above 0 W");
    return ratio_up_to_one(output_w / supply_w, tolerance_pct, "the efficiency", efficiency, err);
}

int supply_power_factor(double supply_w, double voltage_v, double current_a, int phases, double tolerance_pct,
                        double *power_factor, struct error *err)
{
    if (!positive(supply_w) || !positive(voltage_v) || !positive(current_a) || !(tolerance_pct >= 0))
        return error_set(err, "supply power, voltage and current must be numbers above 0");
    if (phases != 1 && phases != 3)
        return error_set(err, "a supply has 1 or 3 phases, not %d", phases);
    double apparent = voltage_v * current_a * phase_factor(phases);
    return ratio_up_to_one(supply_w / apparent, tolerance_pct, "the power factor", power_factor, err);
}

int supply_sag_find(const struct supply_load *load, double resistance_ohm, struct supply_sag *sag, struct error *err)
{
    if (check_load(load, err) != 0)
        return -1;
    if (!(resistance_ohm >= 0) || !__builtin_isfinite(resistance_ohm))
        return error_set(err, "the loop resistance must be a number of at least 0 ohm");
    double open_v = load->voltage_v, factor = phase_factor(load->phases);
    double apparent = load->output_w / (load->efficiency * load->power_factor);
    /* below half the open voltage no current makes up for the falling voltage */
    if (4 * apparent * resistance_ohm >= open_v * open_v)
        return error_set(err, "the circuit cannot feed this load: %g ohm at %g V carry at most %g VA", resistance_ohm,
                         open_v, open_v * open_v / (4 * resistance_ohm));
    double u = open_v;
    int rounds = 0;
    for (; rounds < ROUNDS_MAX; rounds++) {
        double next = open_v - resistance_ohm * apparent / u;
        double change = u - next;
        u = next;
        if (change < open_v * 1e-12)
            break;
    }
    *sag = (struct supply_sag){u, apparent / (u * factor), 100 * (open_v - u) / open_v, rounds + 1};
    return 0;
}
