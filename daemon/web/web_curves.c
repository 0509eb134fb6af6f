#include "web_curves.h"

#include <math.h>
#include <stdlib.h>

#include "signals.h"

struct column {
    double low, high; /* low > high: nothing yet */
    bool lost;        /* a value was due here and did not come */
};

struct curves {
    int64_t start_ns;
    double from_s, to_s;
    int columns;
    struct column *cells; /* [SIG_KIND_COUNT_][columns] */
    bool seen[SIG_KIND_COUNT_];
    int64_t first_row, last_row; /* of the run's own rows in the stretch; 0: none */
};

static int take(void *ctx, const struct journal_reading *m)
{
    struct curves *c = ctx;
    double t = (double)(m->stamp_ns - c->start_ns) / 1e9;
    if (t < c->from_s || t > c->to_s)
        return 0;
    if (m->run_no != 0) {
        c->first_row = c->first_row == 0 ? m->row : c->first_row;
        c->last_row = m->row;
    }
    int at = (int)((t - c->from_s) / (c->to_s - c->from_s) * c->columns);
    if (at >= c->columns)
        at = c->columns - 1;
    for (int k = 0; k < SIG_OTHER; k++) {
        double v = m->values[k];
        struct column *cell = &c->cells[k * c->columns + at];
        cell->lost = cell->lost || (m->lost >> k & 1u) != 0;
        if (isnan(v))
            continue;
        c->seen[k] = true;
        cell->low = fmin(cell->low, v);
        cell->high = fmax(cell->high, v);
    }
    return 0;
}

static int64_t utc_us_at(const struct journal_run *run, double elapsed_s)
{
    return run->start_utc_us + (int64_t)(elapsed_s * 1e6);
}

static int read_rows(struct curves *c, struct journal_reader *r, const struct journal_run *run, struct error *err)
{
    struct row_filter filter = row_filter_any();
    filter.run_no = run->run_no;
    filter.from_utc_us = utc_us_at(run, c->from_s);
    filter.to_utc_us = utc_us_at(run, c->to_s) + 1;
    if (journal_reader_readings(r, &filter, take, c, err) != 0)
        return -1;
    if (c->first_row == 0)
        return 0;
    /* What belongs to the bench as a whole, room air and load bank, was journaled between the run's own rows: that
     * spares reading all that the journal holds. */
    filter.run_no = 0;
    filter.channel = -1;
    filter.epoch = run->epoch;
    filter.after_row = c->first_row - 1;
    filter.until_row = c->last_row;
    return journal_reader_readings(r, &filter, take, c, err);
}

static json_t *values_of(const struct curves *c, int kind, bool high)
{
    json_t *list = json_array();
    for (int i = 0; i < c->columns; i++) {
        const struct column *cell = &c->cells[kind * c->columns + i];
        bool empty = cell->low > cell->high;
        (void)json_array_append_new(list, empty ? json_null() : json_real(high ? cell->high : cell->low));
    }
    return list;
}

static json_t *gaps_of(const struct curves *c, int kind)
{
    json_t *list = json_array();
    for (int i = 0; i < c->columns; i++)
        if (c->cells[kind * c->columns + i].lost)
            (void)json_array_append_new(list, json_integer(i));
    return list;
}

static json_t *to_json(const struct curves *c)
{
    json_t *signals = json_object();
    for (int k = 0; k < SIG_OTHER; k++) {
        if (!c->seen[k])
            continue;
        const char *unit = dimension_unit(signal_kind_dimension((enum signal_kind)k));
        (void)json_object_set_new(signals, signal_kind_name((enum signal_kind)k),
                                  json_pack("{s:s, s:o, s:o, s:o}", "unit", unit, "low", values_of(c, k, false), "high",
                                            values_of(c, k, true), "gaps", gaps_of(c, k)));
    }
    return json_pack("{s:f, s:f, s:i, s:o}", "from_s", c->from_s, "to_s", c->to_s, "columns", c->columns, "signals",
                     signals);
}

/* Where the curves of a run end: its end, or its last reading so far. */
static int last_stamp(void *ctx, const struct journal_reading *m)
{
    *(int64_t *)ctx = m->utc_us;
    return 0;
}

static double run_length_s(struct journal_reader *r, const struct journal_run *run, struct error *err)
{
    if (run->end_utc_us > 0)
        return (double)(run->end_utc_us - run->start_utc_us) / 1e6;
    int64_t last_us = run->start_utc_us;
    struct row_filter filter = row_filter_any();
    filter.run_no = run->run_no;
    if (journal_reader_readings(r, &filter, last_stamp, &last_us, err) != 0)
        return NAN;
    return (double)(last_us - run->start_utc_us) / 1e6;
}

json_t *web_curves(struct journal_reader *r, int64_t run_no, double from_s, double to_s, int columns, bool *found,
                   struct error *err)
{
    struct journal_run *run = calloc(1, sizeof *run);
    struct curves c = {.from_s = from_s, .to_s = to_s, .columns = columns};
    json_t *out = NULL;
    *found = true;
    if (run == NULL || columns < 1 || columns > CURVE_COLUMNS_MAX) {
        (void)error_set(err, "columns must be from 1 to %d", CURVE_COLUMNS_MAX);
        goto out;
    }
    int rc = journal_reader_run(r, run_no, run, err);
    if (rc <= 0) {
        *found = rc != 0;
        (void)(rc == 0 && error_set(err, "there is no run %lld", (long long)run_no));
        goto out;
    }
    c.start_ns = run->start_ns;
    if (c.to_s <= c.from_s)
        c.to_s = run_length_s(r, run, err);
    if (!(c.to_s > c.from_s))
        c.to_s = c.from_s + 1;
    c.cells = malloc(sizeof *c.cells * (size_t)columns * SIG_KIND_COUNT_);
    if (c.cells == NULL) {
        (void)error_set(err, "memory is short");
        goto out;
    }
    for (size_t i = 0; i < (size_t)columns * SIG_KIND_COUNT_; i++)
        c.cells[i] = (struct column){INFINITY, -INFINITY, false};
    if (read_rows(&c, r, run, err) == 0)
        out = to_json(&c);
out:
    free(c.cells);
    free(run);
    return out;
}
