#include "budget.h"

#include <math.h>

#include "uncertainty.h"

int budget_begin(struct budget *b, const char *name, const char *unit, double value, struct error *err)
{
    *b = (struct budget){.value = value, .combined = NAN, .dof = NAN, .k = NAN, .expanded = NAN};
    if (!isfinite(value))
        return error_set(err, "the figure of a budget must be a number");
    if (text_copy(b->name, sizeof b->name, name) != 0 || text_copy(b->unit, sizeof b->unit, unit) != 0)
        return error_set(err, "name or unit of the budget is too long");
    return 0;
}

int budget_add(struct budget *b, const char *name, const char *unit, double u, double sensitivity, double dof,
               struct error *err)
{
    if (b->count == BUDGET_LINES_MAX)
        return error_set(err, "a budget holds %d lines", BUDGET_LINES_MAX);
    if (!(u >= 0) || !isfinite(u) || !isfinite(sensitivity) || !(dof >= 1))
        return error_set(
            err, "%s: uncertainty of at least 0, a sensitivity and at least 1 degree of freedom are needed", name);
    struct budget_line *line = &b->lines[b->count];
    *line = (struct budget_line){.u = u, .sensitivity = sensitivity, .dof = dof};
    if (text_copy(line->name, sizeof line->name, name) != 0 || text_copy(line->unit, sizeof line->unit, unit) != 0)
        return error_set(err, "name or unit of a line is too long: %s", name);
    line->contribution = fabs(sensitivity) * u;
    b->count++;
    return 0;
}

int budget_finish(struct budget *b, enum coverage coverage, struct error *err)
{
    if (b->count == 0)
        return error_set(err, "a budget needs at least one line");
    double variance = 0, fourth = 0;
    for (int i = 0; i < b->count; i++) {
        double v = b->lines[i].contribution * b->lines[i].contribution;
        variance += v;
        fourth += v * v / b->lines[i].dof;
    }
    for (int i = 0; i < b->count; i++) {
        double v = b->lines[i].contribution * b->lines[i].contribution;
        b->lines[i].share_pct = variance > 0 ? 100 * v / variance : 0;
    }
    b->combined = sqrt(variance);
    b->dof = fourth > 0 ? variance * variance / fourth : INFINITY;
    b->coverage = coverage;
    b->k = coverage_factor(coverage, b->dof);
    if (isnan(b->k))
        return error_set(err, "unknown coverage number %d", (int)coverage);
    b->expanded = b->k * b->combined;
    return 0;
}

void budget_print(const struct budget *b, int index, char *to, unsigned cap)
{
    if (index < 0) {
        (void)text_format(to, cap, "%-28s %12s %14s %12s %8s", "influence", "u", "sensitivity", b->unit, "share %");
    } else if (index < b->count) {
        const struct budget_line *l = &b->lines[index];
        char u[48];
        (void)text_format(u, sizeof u, "%.3g %s", l->u, l->unit);
        (void)text_format(to, cap, "%-28s %12s %14.4g %12.3g %8.1f", l->name, u, l->sensitivity, l->contribution,
                          l->share_pct);
    } else {
        (void)text_format(to, cap, "%s = %.5g %s, U = %.2g %s (k = %.2f, about %g %%)", b->name, b->value, b->unit,
                          b->expanded, b->unit, b->k, coverage_percent(b->coverage));
    }
}

int budget_reading(struct budget *b, const char *name, const char *unit, double value, const struct uncertainty *stated,
                   double sd, int count, struct error *err)
{
    if (budget_begin(b, name, unit, value, err) != 0 ||
        budget_add(b, stated->kind == UNC_LIMIT ? "meter, limits of error" : "meter, calibration", unit,
                   uncertainty_standard(stated, value), 1, INFINITY, err) != 0)
        return -1;
    if (count >= 2 && budget_add(b, "scatter of the mean", unit, sd / sqrt(count), 1, count - 1, err) != 0)
        return -1;
    return budget_finish(b, COVERAGE_95_45, err);
}

int budget_on_load(struct budget *b, double on_load_s, double begin_half_width_s, double end_half_width_s,
                   double clock_ppm, struct error *err)
{
    if (budget_begin(b, "on-load time", "s", on_load_s, err) != 0 ||
        budget_add(b, "begin of conduction", "s", begin_half_width_s / sqrt(3), -1, INFINITY, err) != 0 ||
        budget_add(b, "end of conduction", "s", end_half_width_s / sqrt(3), 1, INFINITY, err) != 0 ||
        budget_add(b, "clock", "ppm", clock_ppm / sqrt(3), on_load_s * 1e-6, INFINITY, err) != 0)
        return -1;
    return budget_finish(b, COVERAGE_95_45, err);
}

int budget_percent_on(struct budget *b, const struct percent_on_influences *in, struct error *err)
{
    double x = in->percent_on;
    if (!(x > 0) || x > 100)
        return error_set(err, "a percent-on lies above 0 %% and not above 100 %%");
    if (!(in->cycle_s > 0) || !(in->current_a > 0) || !(in->load_voltage_v > 0) || !(in->headroom_k > 0) ||
        !(in->supply_v > 0))
        return error_set(err, "cycle, current, load voltage, headroom and supply voltage must be above 0");
    if (budget_begin(b, "percent-on", "%", x, err) != 0 ||
        budget_add(b, "current I2 (square law)", "A", in->u_current_a, -2 * x / in->current_a, INFINITY, err) != 0 ||
        budget_add(b, "load voltage U2", "V", in->u_load_voltage_v, -in->load_voltage_exponent * x / in->load_voltage_v,
                   INFINITY, err) != 0 ||
        budget_add(b, "intake air", "K", in->u_ambient_k, -x / in->headroom_k, INFINITY, err) != 0 ||
        budget_add(b, "supply voltage U1", "V", in->u_supply_v, in->supply_exponent * x / in->supply_v, INFINITY,
                   err) != 0 ||
        budget_add(b, "state at the start", "% of X", in->u_start_pct, x / 100, INFINITY, err) != 0 ||
        budget_add(b, "on-load time", "s", in->u_on_load_s, 100 / in->cycle_s, INFINITY, err) != 0)
        return -1;
    return budget_finish(b, COVERAGE_95_45, err);
}
