#include "survey.h"

#include <math.h>

#include "capability.h"
#include "coverage.h"
#include "lead.h"
#include "load_voltage.h"

/* The two bounds of one part's share, in %. */
static double share_high(const struct survey_part *p)
{
    double on = p->on_s + p->on_half_s, reset = p->reset_s - p->reset_half_s;
    return 100 * on / (on + (reset > 0 ? reset : 0));
}

static double share_low(const struct survey_part *p)
{
    double on = p->on_s - p->on_half_s, off = p->reset_s + p->reset_half_s;
    if (p->pause_s > off)
        off = p->pause_s;
    return on > 0 ? 100 * on / (on + off) : 0;
}

static double share_of(const struct survey_part *p)
{
    return 100 * p->on_s / (p->on_s + p->reset_s);
}

static double within(double pct)
{
    return pct < 0 ? 0 : pct > 100 ? 100 : pct;
}

/* Half-width of the mean's interval from the scatter of the settled parts. */
static double scatter_of(const struct survey_part *parts, int n, double mean)
{
    double squares = 0;
    for (int i = 0; i < n; i++) {
        double off = share_of(&parts[i]) - mean;
        squares += off * off;
    }
    return coverage_factor(COVERAGE_95, n - 1) * __builtin_sqrt(squares / (n - 1) / n);
}

int survey_share_find(const struct survey_part *parts, int count, double settled_pct, double current_pct,
                      struct survey_share *share, struct error *err)
{
    struct cutout_cycle cycles[SURVEY_PARTS_MAX];
    struct capability own;
    if (count > SURVEY_PARTS_MAX)
        return error_set(err, "a point of a survey has at most %d cut-outs, not %d", SURVEY_PARTS_MAX, count);
    for (int i = 0; i < count; i++)
        cycles[i] = (struct cutout_cycle){parts[i].on_s, parts[i].reset_s};
    if (capability_find(cycles, count, settled_pct, &own, err) != 0)
        return -1;
    const struct survey_part *settled = &parts[own.first_settled];
    int n = own.settled;
    double low = 0, high = 0, on = 0, reset = 0;
    for (int i = 0; i < n; i++) {
        low += share_low(&settled[i]) / n;
        high += share_high(&settled[i]) / n;
        on += settled[i].on_s / n;
        reset += settled[i].reset_s / n;
    }
    double scatter = scatter_of(settled, n, own.percent_on);
    double current = 2 * current_pct / 100 * own.percent_on;
    double half = __builtin_sqrt(scatter * scatter + current * current);
    double moved = share_of(&settled[n - 1]) - share_of(&settled[0]);
    *share = (struct survey_share){.percent_on = own.percent_on,
                                   .low = within(low - half + (moved < 0 ? moved : 0)),
                                   .high = within(high + half + (moved > 0 ? moved : 0)),
                                   .on_s = on,
                                   .reset_s = reset,
                                   .settled = n};
    return 0;
}

void survey_point_at(const struct rating_point *plate, double current_a, struct rating_point *point)
{
    struct error err;
    struct load_point there, here;
    bool same = current_a >= plate->current_a && current_a <= plate->current_a;
    *point = *plate;
    if (same)
        return;
    point->current_a = current_a;
    point->load_voltage_v = NAN;
    (void)equivalent_percent_on(plate->current_a, plate->percent_on, current_a, &point->percent_on, &err);
    if (load_point_find(plate->process, plate->current_a, plate->load_voltage_v, &there, &err) != 0 ||
        load_point_find(plate->process, current_a, NAN, &here, &err) != 0)
        return;
    point->i1max_a = plate->i1max_a * here.power_w / there.power_w;
    point->i1eff_a = NAN;
}
