#include "lead.h"

static bool positive(double x)
{
    return x > 0 && __builtin_isfinite(x);
}

static bool is_percent_on(double x)
{
    return x > 0 && x <= 100;
}

int equivalent_current(double current_a, double percent_on, double at_percent_on, double *equivalent_a,
                       struct error *err)
{
    if (!positive(current_a))
        return error_set(err, "the current must be a number above 0 A");
    if (!is_percent_on(percent_on) || !is_percent_on(at_percent_on))
        return error_set(err, "a percent-on lies above 0 %% and not above 100 %%");
    *equivalent_a = current_a * __builtin_sqrt(percent_on / at_percent_on);
    return 0;
}

int equivalent_percent_on(double current_a, double percent_on, double at_current_a, double *equivalent_pct,
                          struct error *err)
{
    if (!positive(current_a) || !positive(at_current_a))
        return error_set(err, "currents must be numbers above 0 A");
    if (!is_percent_on(percent_on))
        return error_set(err, "a percent-on lies above 0 %% and not above 100 %%");
    double ratio = current_a / at_current_a, pct = percent_on * ratio * ratio;
    *equivalent_pct = pct < 100 ? pct : 100;
    return 0;
}

/* Highest resistance of plain copper at 20 degC, ohm per km: EN 60228 class 6 to 95 mm2, class 5 above. */
static const double cables[][2] = {{16, 1.21},  {25, 0.78},   {35, 0.554},  {50, 0.386},  {70, 0.272},
                                   {95, 0.206}, {120, 0.161}, {150, 0.129}, {185, 0.106}, {240, 0.0817}};

int cable_resistance(double area_mm2, double *ohm_per_m, struct error *err)
{
    for (int i = 0; i < (int)(sizeof cables / sizeof cables[0]); i++) {
        if (!(area_mm2 < cables[i][0]) && !(area_mm2 > cables[i][0])) {
            *ohm_per_m = cables[i][1] / 1000;
            return 0;
        }
    }
    return error_set(err, "no tabulated resistance for a cable of %g mm2: 16 25 35 50 70 95 120 150 185 240", area_mm2);
}

int cable_ambient_factor(double ambient_degc, double *factor, struct error *err)
{
    if (!(ambient_degc >= -40) || !(ambient_degc < 85))
        return error_set(err, "a cable's rating is known for ambients from -40 degC to below 85 degC");
    *factor = __builtin_sqrt((85 - ambient_degc) / 60);
    return 0;
}

static int check_part(const struct path_part *part, int number, const struct lead_load *load,
                      struct lead_part_state *state, struct error *err)
{
    if (!positive(part->current_a) || !is_percent_on(part->percent_on) || !positive(part->cycle_s))
        return error_set(err, "path part %d needs a rated current, its percent-on and the cycle of that rating",
                         number);
    double allowed = part->current_a * __builtin_sqrt(part->percent_on / load->percent_on), factor = 1;
    if (part->is_cable && !__builtin_isnan(load->ambient_degc) &&
        cable_ambient_factor(load->ambient_degc, &factor, err) != 0)
        return -1;
    allowed *= factor;
    *state = (struct lead_part_state){
        .loading_pct = 100 * load->current_a / allowed,
        .allowed_current_a = allowed,
        .over = load->current_a > allowed,
        .other_cycle = part->percent_on < 100 && (part->cycle_s < load->cycle_s || part->cycle_s > load->cycle_s),
    };
    if (part->is_cable && part->area_mm2 > 0) {
        double ohm_per_m = 0;
        if (!(part->length_m >= 0) || cable_resistance(part->area_mm2, &ohm_per_m, err) != 0)
            return error_prefix(err, "path part %d: ", number);
        state->resistance_ohm = ohm_per_m * part->length_m;
        state->drop_v = state->resistance_ohm * load->current_a;
    }
    return 0;
}

int lead_check(const struct path_part *parts, int count, const struct lead_load *load, struct lead_state *state,
               struct error *err)
{
    if (count < 0 || count > PATH_PARTS_MAX)
        return error_set(err, "a path has up to %d parts, not %d", PATH_PARTS_MAX, count);
    if (!positive(load->current_a) || !is_percent_on(load->percent_on) || !positive(load->cycle_s))
        return error_set(err, "current, percent-on and cycle of the run must be figures above 0");
    *state = (struct lead_state){.count = count, .weakest = -1};
    for (int i = 0; i < count; i++) {
        if (check_part(&parts[i], i + 1, load, &state->parts[i], err) != 0)
            return -1;
        state->resistance_ohm += state->parts[i].resistance_ohm;
        state->drop_v += state->parts[i].drop_v;
        if (state->weakest < 0 || state->parts[i].loading_pct > state->parts[state->weakest].loading_pct)
            state->weakest = i;
    }
    return 0;
}

/* 630.11(A), text of 2008: percent-on, multiplier, multiplier for motor-generator sets. The 60 % row is 0.78, which is
 * not the rounded root: the table counts. */
static const double multipliers[][3] = {{100, 1.00, 1.00}, {90, 0.95, 0.96}, {80, 0.89, 0.91},
                                        {70, 0.84, 0.86},  {60, 0.78, 0.81}, {50, 0.71, 0.75},
                                        {40, 0.63, 0.69},  {30, 0.55, 0.62}, {20, 0.45, 0.55}};

int supply_conductor_multiplier(double percent_on, bool motor_generator, double *multiplier, struct error *err)
{
    if (!is_percent_on(percent_on))
        return error_set(err, "a percent-on lies above 0 %% and not above 100 %%");
    for (int i = 0; i < (int)(sizeof multipliers / sizeof multipliers[0]); i++) {
        if (multipliers[i][0] >= percent_on)
            *multiplier = multipliers[i][motor_generator ? 2 : 1];
    }
    return 0;
}

int supply_conductor_group(const double *currents_a, int count, double *ampacity_a, struct error *err)
{
    enum { GROUP_MAX = 32 };
    double sorted[GROUP_MAX];
    if (count < 1 || count > GROUP_MAX)
        return error_set(err, "a group has 1 to %d units, not %d", GROUP_MAX, count);
    for (int i = 0; i < count; i++) {
        if (!positive(currents_a[i]))
            return error_set(err, "unit %d of the group: the current must be a number above 0 A", i + 1);
        int k = i;
        for (; k > 0 && sorted[k - 1] < currents_a[i]; k--)
            sorted[k] = sorted[k - 1];
        sorted[k] = currents_a[i];
    }
    static const double shares[] = {1, 1, 0.85, 0.7};
    *ampacity_a = 0;
    for (int i = 0; i < count; i++)
        *ampacity_a += sorted[i] * (i < 4 ? shares[i] : 0.6);
    return 0;
}
