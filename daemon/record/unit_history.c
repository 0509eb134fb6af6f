#include "unit_history.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "coverage.h"
#include "run_data.h"
#include "uncertainty.h"

static const double headroom_k = 65; /* trip point over 40 degC: common practice, no published source */

bool history_comparable(const struct journal_run *a, const struct journal_run *b)
{
    const struct rating_point *p = &a->request.point, *q = &b->request.point;
    return a->judged && b->judged && a->request.procedure == b->request.procedure &&
           a->verdict.basis == b->verdict.basis && p->process == q->process && p->output == q->output &&
           p->current_a <= q->current_a && p->current_a >= q->current_a && p->percent_on <= q->percent_on &&
           p->percent_on >= q->percent_on && p->phases == q->phases &&
           (isnan(p->supply_v) || isnan(q->supply_v) || (p->supply_v <= q->supply_v && p->supply_v >= q->supply_v));
}

static double ratio(double of, double at)
{
    return of > 0 && at > 0 ? of / at : 1;
}

double history_normalising_factor(const struct verdict *of, const struct verdict *at)
{
    double i = ratio(of->current_a, at->current_a), u = ratio(of->load_voltage_v, at->load_voltage_v);
    double supply = ratio(of->supply_v, at->supply_v);
    double air = isnan(of->intake_degc) || isnan(at->intake_degc) ? 0 : of->intake_degc - at->intake_degc;
    return i * i * sqrt(u) / sqrt(supply) * (1 + air / headroom_k);
}

/* Index range [*from, *to) of the last stretch in which current flowed, by half of its own highest reading. */
static bool last_on_load(const struct series *i2, double *from_s, double *to_s)
{
    double most = 0;
    for (size_t n = 0; n < i2->count; n++)
        most = i2->value[n] > most ? i2->value[n] : most;
    size_t end = i2->count;
    while (end > 0 && !(i2->value[end - 1] > most / 2))
        end--;
    size_t begin = end;
    while (begin > 0 && i2->value[begin - 1] > most / 2)
        begin--;
    if (end == begin || !(most > 1))
        return false;
    *from_s = i2->t_s[begin];
    *to_s = i2->t_s[end - 1];
    return true;
}

/* Mean of the good readings in a stretch; NAN when there is none. */
static double mean_in(const struct series *s, double from_s, double to_s)
{
    double sum = 0;
    size_t n = 0;
    for (size_t i = 0; i < s->count; i++) {
        if (s->t_s[i] < from_s || s->t_s[i] > to_s || isnan(s->value[i]))
            continue;
        sum += s->value[i];
        n++;
    }
    return n > 0 ? sum / (double)n : NAN;
}

static double last_before(const struct series *s, double t_s)
{
    double value = NAN;
    for (size_t i = 0; i < s->count && s->t_s[i] <= t_s; i++) {
        if (!isnan(s->value[i]))
            value = s->value[i];
    }
    return value;
}

/* The last reading before t_s, or else the first of all. */
static double about(const struct series *s, double t_s)
{
    double value = last_before(s, t_s);
    for (size_t i = 0; isnan(value) && i < s->count; i++)
        value = s->value[i];
    return value;
}

/* Meters that were last read before the load closed, and those that lag, belong to neither end of the part. */
static const double part_begins = 0.15, part_ends = 0.98;

/* A fan that runs after load takes tens of watts: what the unit draws then, meters and thermostat settled, tells
 * whether it does. NAN when the record ends too soon or current flows again. */
static void read_idle(const struct run_data *d, double off_s, struct history_row *row)
{
    static const double after_s = 10, for_s = 40;
    const struct bench_channel *c = &d->bench->channels[d->run.channel];
    int p1 = c->signal[SIG_P1];
    if (d->length_s < off_s + after_s + for_s)
        return;
    row->idle_w = mean_in(&d->signals[SIG_P1], off_s + after_s, off_s + after_s + for_s);
    if (p1 >= 0)
        row->idle_uncertainty_w = uncertainty_expanded(&d->bench->signals[p1].uncertainty, row->idle_w);
}

/* Heat of the run: how far the unit warms for what it loses. */
static int read_heat(struct journal_reader *reader, struct history_row *row, double *repeatability_pct,
                     struct error *err)
{
    struct run_data *d = run_data_load(reader, row->run.run_no, err);
    if (d == NULL)
        return -1;
    double from_s, to_s;
    *repeatability_pct = d->bench->limits.repeatability_pct;
    row->rise_is_exhaust = d->signals[SIG_T_CASE].count == 0;
    const struct series *hot = &d->signals[row->rise_is_exhaust ? SIG_T_EXHAUST : SIG_T_CASE];
    const struct series *air = &d->signals[SIG_T_INTAKE];
    if (last_on_load(&d->signals[SIG_I2], &from_s, &to_s)) {
        double length_s = to_s - from_s, a_s = from_s + part_begins * length_s, b_s = from_s + part_ends * length_s;
        row->on_load_s = length_s;
        row->rise_k = last_before(hot, to_s) - last_before(air, to_s);
        row->start_rise_k = about(hot, from_s) - about(air, from_s);
        row->loss_w = mean_in(&d->signals[SIG_P1], a_s, b_s) -
                      mean_in(&d->signals[SIG_I2], a_s, b_s) * mean_in(&d->signals[SIG_U2], a_s, b_s);
        if (row->rise_k > 0 && row->loss_w > 0)
            row->resistance_k_per_w = row->rise_k / row->loss_w;
        read_idle(d, to_s, row);
    }
    run_data_free(d);
    return 0;
}

static struct history_change change_of(double now, double then, double factor, double own_limit_pct)
{
    struct history_change c = {NAN, own_limit_pct, false};
    if (!(now > 0) || !(then > 0))
        return c;
    c.change_pct = 100 * (now * factor / then - 1);
    c.beyond = fabs(c.change_pct) > own_limit_pct;
    return c;
}

static double share_pct(double part, double whole)
{
    return part > 0 && whole > 0 ? 100 * part / whole : 0;
}

/* The bench's repeatability and both times' own uncertainty, which are independent: root of the sum of squares. */
static double time_limit_pct(double repeatability_pct, const struct verdict *a, const struct verdict *b)
{
    double ua = share_pct(a->time_uncertainty_s, a->at_rated_s), ub = share_pct(b->time_uncertainty_s, b->at_rated_s);
    return sqrt(repeatability_pct * repeatability_pct + ua * ua + ub * ub);
}

/* How far a rise a watt may differ for other reasons than the cooling. Before equilibrium a unit that was warmer when
 * the load closed, or that carried it for longer, is warmer at the end as well; neither by more than the difference
 * itself, so that much is added to what the bench repeats. */
static double heat_limit_pct(double repeatability_pct, const struct history_row *a, const struct history_row *b)
{
    if (a->run.verdict.basis == BASIS_EQUILIBRIUM || a->run.verdict.basis == BASIS_EQUILIBRIUM_40)
        return repeatability_pct;
    double warmer = fabs(a->start_rise_k - b->start_rise_k), longer = fabs(a->on_load_s - b->on_load_s);
    return repeatability_pct + share_pct(warmer, fmin(a->rise_k, b->rise_k)) +
           share_pct(longer, fmin(a->on_load_s, b->on_load_s));
}

/* Both meters' uncertainty there and what the bench repeats; a difference of a few watts is no fan in any case. */
static double idle_limit_pct(double repeatability_pct, const struct history_row *a, const struct history_row *b)
{
    static const double fan_least_w = 10; /* common practice, no published source: fans of such units take 20 to 60 W */
    double ua = share_pct(a->idle_uncertainty_w, b->idle_w), ub = share_pct(b->idle_uncertainty_w, b->idle_w);
    double limit = sqrt(repeatability_pct * repeatability_pct + ua * ua + ub * ub);
    return fmax(limit, share_pct(fan_least_w, b->idle_w));
}

static void compare(struct history_row *row, const struct history_row *with, const struct unit_history *h)
{
    const struct verdict *now = &row->run.verdict, *then = &with->run.verdict;
    double factor = history_normalising_factor(now, then), limit = time_limit_pct(h->times.pct, now, then);
    bool cut = now->cause == CAUSE_THERMAL_CUTOUT && then->cause == CAUSE_THERMAL_CUTOUT;
    row->against_run = with->run.run_no;
    row->time_to_shutoff = change_of(cut ? now->shutoff_s : NAN, then->shutoff_s, factor, limit);
    row->own_percent_on = change_of(now->own_percent_on, then->own_percent_on, factor, limit);
    row->reset = change_of(now->reset_s, then->reset_s, 1, limit);
    double heat_limit = heat_limit_pct(h->heat.pct, row, with);
    if (!isnan(heat_limit))
        row->resistance = change_of(row->resistance_k_per_w, with->resistance_k_per_w, 1, heat_limit);
    row->idle = change_of(row->idle_w, with->idle_w, 1, idle_limit_pct(h->heat.pct, row, with));
}

static int take_run(void *ctx, const struct journal_run *run)
{
    struct unit_history *h = ctx;
    if (!run->judged)
        return 0;
    if (h->count == h->cap) {
        size_t cap = h->cap == 0 ? 16 : 2 * h->cap;
        struct history_row *rows = realloc(h->rows, cap * sizeof *rows);
        if (rows == NULL)
            return 1;
        h->rows = rows;
        h->cap = cap;
    }
    struct history_row *row = &h->rows[h->count++];
    *row = (struct history_row){.run = *run,
                                .rise_k = NAN,
                                .start_rise_k = NAN,
                                .on_load_s = NAN,
                                .loss_w = NAN,
                                .idle_w = NAN,
                                .resistance_k_per_w = NAN,
                                .margin_pct = NAN};
    row->time_to_shutoff = row->own_percent_on = row->reset = row->resistance = row->idle =
        (struct history_change){NAN, NAN, false};
    if (run->verdict.rated_on_s > 0)
        row->margin_pct = 100 * (run->verdict.at_rated_s / run->verdict.rated_on_s - 1);
    return 0;
}

/* The baseline where it is of the same kind, else the unit's first run of this kind. */
static const struct history_row *partner(const struct unit_history *h, size_t index)
{
    const struct history_row *first = NULL;
    for (size_t i = 0; i < h->count; i++) {
        const struct history_row *other = &h->rows[i];
        if (i == index || !history_comparable(&other->run, &h->rows[index].run))
            continue;
        if (other->run.run_no == h->baseline_run)
            return other;
        if (first == NULL && i < index)
            first = other;
    }
    return first;
}

/* Sum of squares of relative deviations within groups of comparable runs, and its degrees of freedom. */
struct spread {
    double sum_squares;
    int dof, runs;
};

static double check_time(const struct history_row *row, const struct history_row *first)
{
    const struct verdict *v = &row->run.verdict;
    return v->cause == CAUSE_THERMAL_CUTOUT ? v->shutoff_s * history_normalising_factor(v, &first->run.verdict) : NAN;
}

static double check_heat(const struct history_row *row, const struct history_row *first)
{
    (void)first;
    return row->resistance_k_per_w;
}

/* One kind of run: the group whose oldest run is `first`. */
static void add_group(struct spread *s, const struct unit_history *h, size_t first,
                      double (*figure)(const struct history_row *, const struct history_row *))
{
    double mean = 0, squares = 0;
    int n = 0;
    for (size_t i = first; i < h->count; i++) {
        double v = figure(&h->rows[i], &h->rows[first]);
        if ((i != first && !history_comparable(&h->rows[i].run, &h->rows[first].run)) || !(v > 0))
            continue;
        n++;
        double step = v - mean;
        mean += step / n;
        squares += step * (v - mean);
    }
    if (n < 2)
        return;
    s->sum_squares += squares / (mean * mean);
    s->dof += n - 1;
    s->runs += n;
}

/* Repeatability limit of two single results: t * sqrt(2) * s (ISO 5725-6, from memory: 2.8 s for many runs). */
static void take_spread(struct history_repeatability *r, const struct unit_history *h,
                        double (*figure)(const struct history_row *, const struct history_row *))
{
    static const int enough_dof = 5;
    struct spread s = {0, 0, 0};
    for (size_t i = 0; i < h->count; i++) {
        bool begun = false;
        for (size_t k = 0; k < i && !begun; k++)
            begun = history_comparable(&h->rows[k].run, &h->rows[i].run);
        if (!begun)
            add_group(&s, h, i, figure);
    }
    if (s.dof < enough_dof)
        return;
    r->pct = 100 * coverage_factor(COVERAGE_95, s.dof) * sqrt(2 * s.sum_squares / s.dof);
    r->check_runs = s.runs;
}

/* Rows with what was measured of the heat; nothing compared yet. */
static int load_rows(struct journal_reader *reader, const char *serial, int64_t limit, struct unit_history *h,
                     struct error *err)
{
    struct journal_baseline baseline;
    int found = journal_reader_baseline(reader, serial, &baseline, err);
    struct run_filter filter = {.serial = serial};
    if (found < 0 || journal_reader_runs(reader, &filter, take_run, h, err) != 0)
        return -1;
    h->baseline_run = found == 1 ? baseline.run_no : 0;
    /* The first runs stay, since they are what later ones are compared with; of the rest only so many are read. */
    size_t from = limit > 0 && h->count > (size_t)limit ? h->count - (size_t)limit : 0;
    for (size_t i = 0; i < h->count; i++) {
        bool wanted = i >= from || h->rows[i].run.run_no == h->baseline_run || i == 0;
        if (wanted && read_heat(reader, &h->rows[i], &h->times.pct, err) != 0)
            return -1;
    }
    h->heat.pct = h->times.pct;
    return 0;
}

int unit_history_load(struct journal_reader *reader, const char *serial, const char *check_unit, int64_t limit,
                      struct unit_history *h, struct error *err)
{
    memset(h, 0, sizeof *h);
    if (load_rows(reader, serial, limit, h, err) != 0)
        return -1;
    if (check_unit != NULL && check_unit[0] != '\0' && h->count > 0) {
        struct unit_history check;
        char name[NAME_CAP] = "";
        memset(&check, 0, sizeof check);
        int found = journal_reader_find_unit(reader, check_unit, name, err);
        if (found < 0 || found == 2)
            return error_prefix(err, "check_unit");
        int rc = found == 1 ? load_rows(reader, name, limit, &check, err) : 0;
        if (rc == 0) {
            take_spread(&h->times, &check, check_time);
            take_spread(&h->heat, &check, check_heat);
        }
        unit_history_free(&check);
        if (rc != 0)
            return -1;
    }
    for (size_t i = 0; i < h->count; i++) {
        const struct history_row *with = partner(h, i);
        h->rows[i].against_baseline = with != NULL && with->run.run_no == h->baseline_run;
        if (with != NULL && h->rows[i].run.run_no != h->baseline_run)
            compare(&h->rows[i], with, h);
    }
    return 0;
}

void unit_history_free(struct unit_history *h)
{
    free(h->rows);
    memset(h, 0, sizeof *h);
}
