#include "unit_history.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "run_data.h"

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
    if (last_on_load(&d->signals[SIG_I2], &from_s, &to_s)) {
        row->rise_k = last_before(hot, to_s) - last_before(&d->signals[SIG_T_INTAKE], to_s);
        row->loss_w = mean_in(&d->signals[SIG_P1], from_s, to_s) -
                      mean_in(&d->signals[SIG_I2], from_s, to_s) * mean_in(&d->signals[SIG_U2], from_s, to_s);
        if (row->rise_k > 0 && row->loss_w > 0)
            row->resistance_k_per_w = row->rise_k / row->loss_w;
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

static void compare(struct history_row *row, const struct history_row *with, double repeatability_pct)
{
    const struct verdict *now = &row->run.verdict, *then = &with->run.verdict;
    double factor = history_normalising_factor(now, then), limit = time_limit_pct(repeatability_pct, now, then);
    bool cut = now->cause == CAUSE_THERMAL_CUTOUT && then->cause == CAUSE_THERMAL_CUTOUT;
    row->against_run = with->run.run_no;
    row->time_to_shutoff = change_of(cut ? now->shutoff_s : NAN, then->shutoff_s, factor, limit);
    row->own_percent_on = change_of(now->own_percent_on, then->own_percent_on, factor, limit);
    row->reset = change_of(now->reset_s, then->reset_s, 1, limit);
    /* A warm unit begins anywhere between cold and equilibrium, and its rise says more of that than of its cooling. */
    if (now->basis != BASIS_WARM_CYCLE)
        row->resistance = change_of(row->resistance_k_per_w, with->resistance_k_per_w, 1, repeatability_pct);
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
    *row =
        (struct history_row){.run = *run, .rise_k = NAN, .loss_w = NAN, .resistance_k_per_w = NAN, .margin_pct = NAN};
    row->time_to_shutoff = row->own_percent_on = row->reset = row->resistance =
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

int unit_history_load(struct journal_reader *reader, const char *serial, int64_t limit, struct unit_history *h,
                      struct error *err)
{
    memset(h, 0, sizeof *h);
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
        if (wanted && read_heat(reader, &h->rows[i], &h->repeatability_pct, err) != 0)
            return -1;
    }
    for (size_t i = 0; i < h->count; i++) {
        const struct history_row *with = partner(h, i);
        h->rows[i].against_baseline = with != NULL && with->run.run_no == h->baseline_run;
        if (with != NULL && h->rows[i].run.run_no != h->baseline_run)
            compare(&h->rows[i], with, h->repeatability_pct);
    }
    return 0;
}

void unit_history_free(struct unit_history *h)
{
    free(h->rows);
    memset(h, 0, sizeof *h);
}
