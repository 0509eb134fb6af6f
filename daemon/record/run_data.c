#include "run_data.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Grows an array to hold one more element. Returns 0 or -1. */
static int grow(void **array, size_t count, size_t *cap, size_t element)
{
    if (count < *cap)
        return 0;
    size_t wanted = *cap == 0 ? 256 : *cap * 2;
    void *bigger = realloc(*array, wanted * element);
    if (bigger == NULL)
        return -1;
    *array = bigger;
    *cap = wanted;
    return 0;
}

static int series_add(struct series *s, double t_s, double value)
{
    size_t cap = s->cap;
    if (grow((void **)&s->t_s, s->count, &cap, sizeof *s->t_s) != 0)
        return -1;
    if (grow((void **)&s->value, s->count, &s->cap, sizeof *s->value) != 0)
        return -1;
    s->t_s[s->count] = t_s;
    s->value[s->count++] = value;
    return 0;
}

struct collector {
    struct run_data *data;
    int out_of_memory;
};

double run_data_elapsed_s(const struct run_data *data, int64_t stamp_ns)
{
    return (double)(stamp_ns - data->run.start_ns) / 1e9;
}

static int take_reading(void *ctx, const struct journal_reading *m)
{
    struct collector *c = ctx;
    double t = run_data_elapsed_s(c->data, m->stamp_ns);
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        bool lost = k < 32 && (m->lost >> k & 1) != 0;
        if (isnan(m->values[k]) && !lost)
            continue;
        if (series_add(&c->data->signals[k], t, m->values[k]) != 0) {
            c->out_of_memory = 1;
            return 1;
        }
        if (t > c->data->length_s)
            c->data->length_s = t;
    }
    return 0;
}

static int take_event(void *ctx, const struct journal_event *e)
{
    struct collector *c = ctx;
    struct run_data *d = c->data;
    if (grow((void **)&d->events, d->event_count, &d->event_cap, sizeof *d->events) != 0) {
        c->out_of_memory = 1;
        return 1;
    }
    d->events[d->event_count++] = *e;
    return 0;
}

static int take_verdict(void *ctx, const struct journal_verdict *v)
{
    struct collector *c = ctx;
    struct run_data *d = c->data;
    if (grow((void **)&d->verdicts, d->verdict_count, &d->verdict_cap, sizeof *d->verdicts) != 0) {
        c->out_of_memory = 1;
        return 1;
    }
    d->verdicts[d->verdict_count++] = *v;
    return 0;
}

static int take_addendum(void *ctx, const struct journal_addendum *a)
{
    struct collector *c = ctx;
    struct run_data *d = c->data;
    if (grow((void **)&d->addenda, d->addendum_count, &d->addendum_cap, sizeof *d->addenda) != 0) {
        c->out_of_memory = 1;
        return 1;
    }
    d->addenda[d->addendum_count++] = *a;
    return 0;
}

/* The newest inspection that was on file when the run began. */
static int take_inspection(void *ctx, const struct journal_inspection *t)
{
    struct collector *c = ctx;
    if (t->done_utc_s > c->data->run.start_utc_us / 1000000)
        return 0;
    c->data->inspection = *t;
    c->data->has_inspection = 1;
    return 1;
}

static int load_rows(struct run_data *d, struct journal_reader *reader, struct error *err)
{
    struct collector c = {.data = d};
    struct row_filter filter = row_filter_any();
    filter.run_no = d->run.run_no;
    if (journal_reader_readings(reader, &filter, take_reading, &c, err) != 0 ||
        journal_reader_events(reader, &filter, take_event, &c, err) != 0 ||
        journal_reader_verdicts(reader, &filter, take_verdict, &c, err) != 0 ||
        journal_reader_addenda(reader, d->run.run_no, take_addendum, &c, err) != 0 ||
        journal_reader_inspections(reader, d->run.request.serial, take_inspection, &c, err) != 0)
        return -1;
    return c.out_of_memory ? error_set(err, "memory is short for run %lld", (long long)d->run.run_no) : 0;
}

/* Bench-wide signals that the run's judgement used (room air, bank) come in rows of channel -1. */
static int load_bench_rows(struct run_data *d, struct journal_reader *reader, struct error *err)
{
    struct collector c = {.data = d};
    struct row_filter filter = row_filter_any();
    filter.channel = -1;
    filter.epoch = d->run.epoch;
    filter.from_utc_us = d->run.start_utc_us;
    filter.to_utc_us = d->run.end_utc_us > 0 ? d->run.end_utc_us + 1 : 0;
    if (journal_reader_readings(reader, &filter, take_reading, &c, err) != 0)
        return -1;
    return c.out_of_memory ? error_set(err, "memory is short for run %lld", (long long)d->run.run_no) : 0;
}

static int load_all(struct run_data *d, struct journal_reader *reader, int64_t run_no, struct error *err)
{
    int found = journal_reader_run(reader, run_no, &d->run, err);
    if (found == 0)
        return error_set(err, "there is no run %lld in this journal; `soakbench run list` shows those there are",
                         (long long)run_no);
    if (found < 0 || journal_reader_session(reader, d->run.epoch, &d->session, err) < 0)
        return -1;
    d->bench = malloc(sizeof *d->bench);
    if (d->bench == NULL)
        return error_set(err, "memory is short");
    int bench = journal_reader_bench(reader, d->run.epoch, d->bench, err);
    if (bench == 0)
        return error_set(err, "the journal has lost the bench description of run %lld", (long long)run_no);
    if (bench < 0 ||
        journal_reader_unit(reader, d->run.request.serial, d->run.request.plate_version, &d->unit, err) < 0 ||
        journal_reader_run_digest(reader, run_no, &d->run_digest, err) < 0)
        return -1;
    if (load_rows(d, reader, err) != 0 || load_bench_rows(d, reader, err) != 0)
        return -1;
    if (d->run.end_ns > 0)
        d->length_s = run_data_elapsed_s(d, d->run.end_ns);
    return 0;
}

struct run_data *run_data_load(struct journal_reader *reader, int64_t run_no, struct error *err)
{
    struct run_data *d = calloc(1, sizeof *d);
    if (d == NULL) {
        (void)error_set(err, "memory is short");
        return NULL;
    }
    if (load_all(d, reader, run_no, err) != 0) {
        run_data_free(d);
        return NULL;
    }
    return d;
}

void run_data_free(struct run_data *d)
{
    if (d == NULL)
        return;
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        free(d->signals[k].t_s);
        free(d->signals[k].value);
    }
    free(d->events);
    free(d->verdicts);
    free(d->addenda);
    free(d->bench);
    free(d);
}
