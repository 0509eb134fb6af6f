#include "record_replay.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"
#include "heat_job.h"
#include "uncertainty.h"
#include "worker_job.h"

#define SECOND INT64_C(1000000000)

enum { SAMPLES = 4096 };

/* Readings that come faster serve nobody, and would push what went before a shutoff out of the engine's sight. */
static const int64_t fastest_ns = 40000000;

/* Intervals between readings, an even choice of them however many there are. */
struct intervals {
    int64_t last_ns, stride, at;
    int count;
    int64_t values[SAMPLES];
};

static void intervals_take(struct intervals *v, int64_t at_ns)
{
    int64_t before = v->last_ns;
    v->last_ns = at_ns;
    if (before == INT64_MIN || v->at++ % v->stride != 0)
        return;
    if (v->count == SAMPLES) {
        for (int i = 0; i < SAMPLES / 2; i++)
            v->values[i] = v->values[2 * i];
        v->count = SAMPLES / 2;
        v->stride *= 2;
    }
    v->values[v->count++] = at_ns - before;
}

static int by_length(const void *a, const void *b)
{
    const int64_t *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

static int64_t intervals_usual(struct intervals *v)
{
    if (v->count == 0)
        return 0;
    qsort(v->values, (size_t)v->count, sizeof v->values[0], by_length);
    return v->values[v->count / 2];
}

struct job {
    struct record_question *q;
    struct record_map map; /* as asked, for the second reading */
    struct record_answer *a;
    struct engine *engine;
    struct engine_out *out;
    struct input *in;
    struct heat_series *series;
    struct heat_job_room *room;
    struct heat_sample *samples;
    uint64_t seq;
    int64_t base_ns; /* of the file's first stamp, on the engine's clock */
    int64_t now_ns;
    int64_t line;
    bool over;
    bool has_answer;
    struct input_worker answer;
};

/* ---- first reading: digest, intervals, errors ---- */

static int scan(struct record_question *q, struct record_answer *a, struct error *err)
{
    struct record_warnings unused;
    struct record_row row;
    struct intervals *v = calloc(MAP_SIGNALS_MAX, sizeof *v);
    struct record_rows *rows = record_rows_open(&q->file, &q->map, &unused, err); /* told at the second reading */
    int got = v && rows ? 1 : -1;
    int64_t last_ns = 0;
    memset(&unused, 0, sizeof unused);
    for (int i = 0; v && i < MAP_SIGNALS_MAX; i++)
        v[i] = (struct intervals){.last_ns = INT64_MIN, .stride = 1};
    while (got > 0 && (got = record_rows_next(rows, &row, err)) > 0) {
        if (a->fed++ == 0)
            a->first_half_ns = row.half_ns;
        for (int i = 0; i < row.count; i++) {
            intervals_take(&v[row.readings[i].signal], row.at_ns);
            a->readings[row.readings[i].signal]++;
        }
        last_ns = row.at_ns > last_ns ? row.at_ns : last_ns;
    }
    for (int i = 0; got == 0 && i < MAP_SIGNALS_MAX; i++)
        a->interval_ns[i] = intervals_usual(&v[i]);
    if (got == 0) {
        got = record_rows_digest(rows, &a->digest, err);
        a->rows = record_rows_count(rows);
        a->first_utc_ns = record_rows_first_utc_ns(rows);
        a->utc_is_local = record_rows_utc_is_local(rows);
        a->span_ns = last_ns;
    }
    record_rows_close(rows);
    free(v);
    return got;
}

/* ---- the bench that the engine is told of ---- */

static int signal_of_kind(const struct record_map *m, enum signal_kind kind)
{
    for (int i = 0; i < m->count; i++)
        if (m->signals[i].kind == kind)
            return i;
    return -1;
}

static void put_signal(struct bench *b, const struct record_question *q, int i, enum signal_kind kind,
                       const struct record_signal *s, int64_t interval_ns)
{
    struct bench_signal *g = &b->signals[i];
    int64_t stale = q->gap_ns > 0 ? q->gap_ns : interval_ns * 5 / 2,
            least = b->limits.stale_ns[signal_kind_class(kind)];
    *g = (struct bench_signal){.kind = kind,
                               .cls = signal_kind_class(kind),
                               .channel = 0,
                               .device = i,
                               .dim = signal_kind_dimension(kind),
                               .mean = q->run.point.output == OUTPUT_AC ? MEAN_RMS : MEAN_ARITHMETIC,
                               .correction_gain = 1,
                               .stale_after_ns = stale > least || q->gap_ns > 0 ? stale : least};
    (void)text_copy(g->name, sizeof g->name, signal_kind_name(kind));
    if (s) {
        g->uncertainty = s->uncertainty;
        g->refresh_ns = s->refresh_ns;
        g->averaging_ns = s->averaging_ns;
        g->damping_ns = s->damping_ns;
    }
    struct bench_device *d = &b->devices[i];
    *d = (struct bench_device){.poll_ns = interval_ns, .powered_from = -1};
    (void)text_copy(d->name, sizeof d->name, g->name);
    b->channels[0].signal[kind] = i;
    if (kind == SIG_FEEDBACK)
        b->channels[0].load.feedback_signal = i;
    b->signal_count = b->device_count = i + 1;
}

static void make_bench(const struct record_question *q, struct record_answer *a)
{
    struct bench *b = a->bench;
    const struct record_map *m = &q->map;
    *b = (struct bench){.rate = 1, .bus_count = 1, .channel_count = 1};
    bench_limits_default(&b->limits);
    b->limits.altitude_m = q->altitude_m;
    b->limits.max_on_load_ns = 7 * 24 * 3600 * SECOND; /* nobody here could have opened it */
    (void)text_copy(b->name, sizeof b->name, "elsewhere");
    (void)text_copy(b->bus_names[0], NAME_CAP, "record");
    struct bench_channel *c = &b->channels[0];
    *c = (struct bench_channel){.circuit = -1, .load = {.kind = LOAD_OBSERVED, .device = -1, .feedback_signal = -1}};
    (void)text_copy(c->name, sizeof c->name, "record");
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        c->signal[k] = -1;
    for (int i = 0; i < m->count; i++)
        put_signal(b, q, i, m->signals[i].kind, &m->signals[i], a->interval_ns[i] * a->thinned);
    if (!isnan(q->intake_degc) && c->signal[SIG_T_INTAKE] < 0)
        put_signal(b, q, m->count, SIG_T_INTAKE, NULL, a->interval_ns[signal_of_kind(m, SIG_I2)] * a->thinned);
    if (q->circuit[0] == '\0')
        return;
    b->circuit_count = 1;
    c->circuit = 0;
    b->circuits[0] = (struct bench_circuit){.voltage_v = q->run.point.supply_v, .phases = q->run.point.phases};
    (void)text_copy(b->circuits[0].name, NAME_CAP, q->circuit);
}

/* ---- feeding ---- */

static void keep_event(struct job *k, const struct event *e)
{
    struct record_answer *a = k->a;
    if (e->run_no == 0 || e->kind == EVENT_STATE)
        return;
    if (a->event_count == RECORD_EVENTS_MAX) {
        a->events_left_out++;
        return;
    }
    struct event *to = &a->events[a->event_count++];
    *to = *e;
    to->at_ns -= k->base_ns;
    to->seen_ns -= k->base_ns;
}

static void step(struct job *k, enum input_kind kind, int64_t seen_ns)
{
    k->in->kind = kind;
    k->in->seq = ++k->seq;
    k->in->seen_ns = k->now_ns = seen_ns > k->now_ns ? seen_ns : k->now_ns;
    engine_step(k->engine, k->in, k->out);
    for (int i = 0; i < k->out->command_count; i++) {
        const struct command *c = &k->out->commands[i];
        if (c->kind != COMMAND_WORKER || c->code != JOB_HEAT || k->has_answer)
            continue;
        int n = heat_series_copy(k->series, c->channel, c->until_ns, k->samples);
        heat_job_answer(c, k->samples, n, k->room, &k->answer);
        k->has_answer = true;
    }
    if (kind == INPUT_READINGS)
        heat_series_take(k->series, &k->in->u.readings);
    for (int i = 0; i < k->out->event_count; i++)
        keep_event(k, &k->out->events[i]);
    for (int i = 0; i < k->out->verdict_count; i++) {
        k->a->verdict = k->out->verdicts[i];
        k->a->judged = true;
        k->a->decided_line = k->line;
        k->over = true;
    }
}

/* An estimate that was asked for. */
static void give_answer(struct job *k)
{
    while (k->has_answer && !k->over) {
        k->has_answer = false;
        k->in->u.worker = k->answer;
        step(k, INPUT_WORKER, k->now_ns);
    }
}

/* What falls due before the next reading. */
static void let_pass(struct job *k, int64_t until_ns)
{
    for (int64_t at = engine_next_timer_ns(k->engine); at < until_ns && !k->over;
         at = engine_next_timer_ns(k->engine)) {
        step(k, INPUT_TIME, at);
        give_answer(k);
    }
}

static void begin(struct job *k)
{
    const struct record_question *q = k->q;
    struct input_boot *boot = &k->in->u.boot;
    *boot = (struct input_boot){.epoch = 1, .utc_ns = k->a->first_utc_ns - (k->base_ns - k->now_ns)};
    (void)text_copy(boot->engine_version, sizeof boot->engine_version, engine_version());
    step(k, INPUT_BOOT, k->now_ns);
    k->in->u.operator_ = (struct input_operator){.verb = VERB_START, .channel = 0, .device = -1, .run = q->run};
    step(k, INPUT_OPERATOR, k->now_ns);
}

static void feed_row(struct job *k, const struct record_row *row)
{
    struct input_readings *m = &k->in->u.readings;
    int64_t stamp = k->base_ns + row->at_ns;
    int64_t bears = k->a->bench->signals[signal_of_kind(&k->q->map, SIG_I2)].stale_after_ns;
    if (k->a->fed > 0 && stamp - k->now_ns > bears) { /* the engine is to see that nothing comes */
        int64_t missed_ns = k->now_ns + bears + 1000000;
        let_pass(k, missed_ns);
        if (!k->over)
            step(k, INPUT_TIME, missed_ns);
    }
    let_pass(k, stamp);
    if (k->over)
        return;
    k->line = row->line;
    *m = (struct input_readings){.stamp_ns = stamp, .half_width_ns = row->half_ns, .count = row->count};
    for (int i = 0; i < row->count; i++) {
        const struct record_reading *r = &row->readings[i];
        m->items[i] = (struct reading){r->signal, r->quality, r->quality == QUALITY_GOOD ? r->value : NAN};
    }
    if (!isnan(k->q->intake_degc) && k->a->bench->signal_count > k->q->map.count)
        m->items[m->count++] = (struct reading){k->q->map.count, QUALITY_GOOD, k->q->intake_degc};
    step(k, INPUT_READINGS, stamp);
    give_answer(k);
    k->a->fed++;
}

/* ---- curves ---- */

static void curve_take(struct record_curve *c, int64_t at_ns, double value)
{
    int64_t n = at_ns > 0 ? at_ns / c->width_ns : 0;
    while (n >= CURVE_POINTS) {
        for (int i = 0; i < CURVE_POINTS; i++) {
            bool there = 2 * i + 1 < CURVE_POINTS;
            double low = there ? fmin(c->points[2 * i].low, c->points[2 * i + 1].low) : NAN;
            double high = there ? fmax(c->points[2 * i].high, c->points[2 * i + 1].high) : NAN;
            c->points[i].low = low;
            c->points[i].high = high;
        }
        c->width_ns *= 2;
        n = at_ns / c->width_ns;
    }
    c->points[n].low = fmin(c->points[n].low, value);
    c->points[n].high = fmax(c->points[n].high, value);
    c->count = (int)n + 1 > c->count ? (int)n + 1 : c->count;
}

static void curves_begin(struct record_answer *a, int count)
{
    for (int i = 0; i < count; i++) {
        struct record_curve *c = &a->curves[i];
        c->signal = i;
        c->width_ns = a->interval_ns[i] > SECOND / 100 ? a->interval_ns[i] : SECOND / 100;
        for (int n = 0; n < CURVE_POINTS; n++)
            c->points[n].low = c->points[n].high = NAN;
    }
}

/* ---- what has to be said of the record ---- */

static void tell_gap(struct job *k, const struct record_row *row, int64_t *last_ns)
{
    int i2 = signal_of_kind(&k->q->map, SIG_I2);
    for (int i = 0; i < row->count; i++) {
        if (row->readings[i].signal != i2)
            continue;
        int64_t gap = *last_ns == INT64_MIN ? 0 : row->at_ns - *last_ns;
        if (gap > k->a->bench->signals[i2].stale_after_ns)
            record_warn(&k->a->warnings, TROUBLE_GAP, row->line,
                        "no i2 for %.1f s, from %.1f s on: that time is not seen", (double)gap / 1e9,
                        (double)*last_ns / 1e9);
        *last_ns = row->at_ns;
    }
}

static void tell_pace(const struct record_question *q, struct record_answer *a)
{
    int64_t interval = a->interval_ns[signal_of_kind(&q->map, SIG_I2)] * a->thinned;
    double s = (double)interval / 1e9, rated_s = q->run.point.cycle_s * q->run.point.percent_on / 100;
    double u = time_uncertainty_s(s / 2, s / 2);
    if (s > 0.01 * rated_s || s > 2.5)
        record_warn(
            &a->warnings, TROUBLE_SLOW, 0,
            "i2 every %.1f s: begin and end of an on-load part are known to +/- %.1f s each (U %.1f s of the rated "
            "%.0f s), and what went first at a shutoff is not known within that",
            s, s / 2, u, rated_s);
    if (a->thinned > 1)
        record_warn(&a->warnings, TROUBLE_SLOW, 0, "readings every %.1f ms: one row in %lld was taken, every %.1f ms",
                    (double)interval / 1e6 / (double)a->thinned, (long long)a->thinned, (double)interval / 1e6);
}

static bool has_current(const struct job *k, const struct record_row *row)
{
    int i2 = signal_of_kind(&k->q->map, SIG_I2);
    for (int i = 0; i < row->count; i++)
        if (row->readings[i].signal == i2)
            return true;
    return false;
}

static int feed_all(struct job *k, struct error *err)
{
    struct record_answer *a = k->a;
    struct record_row row;
    struct digest digest;
    int64_t last_i2 = INT64_MIN, n = 0;
    struct record_rows *rows = record_rows_open(&k->q->file, &k->map, &a->warnings, err);
    if (!rows)
        return -1;
    int got = 1;
    begin(k);
    while ((got = record_rows_next(rows, &row, err)) > 0) {
        for (int i = 0; i < row.count; i++)
            if (row.readings[i].quality == QUALITY_GOOD)
                curve_take(&a->curves[row.readings[i].signal], row.at_ns, row.readings[i].value);
        tell_gap(k, &row, &last_i2);
        if (!k->over && (!has_current(k, &row) || n++ % a->thinned == 0))
            feed_row(k, &row);
    }
    if (got == 0)
        got = record_rows_digest(rows, &digest, err);
    record_rows_close(rows);
    if (got != 0)
        return -1;
    if (memcmp(&digest, &a->digest, sizeof digest) != 0)
        return error_set(err, "%s changed while it was read: judge it when nobody writes to it", k->q->file.path);
    if (!k->over) {
        k->line = 0;
        k->in->u.operator_ = (struct input_operator){.verb = VERB_END, .channel = 0, .device = -1};
        step(k, INPUT_OPERATOR, k->now_ns);
    }
    return a->judged ? 0
                     : error_set(err, "%s gave no verdict: a fault of this program, please report it", k->q->file.path);
}

static int judge(struct record_question *q, const struct record_map *asked, struct record_answer *a, struct error *err)
{
    struct job k = {.q = q, .map = *asked, .a = a, .now_ns = SECOND};
    int result = -1;
    int64_t reach = a->first_half_ns;
    for (int n = 0; n < q->map.count; n++) {
        const struct record_signal *s = &q->map.signals[n];
        int64_t lag = s->refresh_ns + s->averaging_ns + s->damping_ns + a->first_half_ns;
        reach = lag > reach ? lag : reach;
    }
    /* The engine hears of the run a moment before the first reading, further than that reading reaches back. */
    k.base_ns = k.now_ns + reach + SECOND / 1000 - q->file.from_ns;
    k.engine = engine_new(a->bench);
    k.out = calloc(1, sizeof *k.out);
    k.in = calloc(1, sizeof *k.in);
    k.series = heat_series_new(a->bench);
    k.room = calloc(1, sizeof *k.room);
    k.samples = calloc(HEAT_SAMPLES_MAX, sizeof *k.samples);
    if (k.engine && k.out && k.in && k.series && k.room && k.samples)
        result = feed_all(&k, err);
    else
        error_set(err, "memory is short");
    engine_free(k.engine);
    free(k.out);
    free(k.in);
    heat_series_free(k.series);
    free(k.room);
    free(k.samples);
    return result;
}

struct record_answer *record_replay(struct record_question *question, struct error *err)
{
    struct record_answer *a = calloc(1, sizeof *a);
    struct record_map *asked = malloc(sizeof *asked);
    int result = -1;
    if (a) {
        a->bench = calloc(1, sizeof *a->bench);
        a->events = calloc(RECORD_EVENTS_MAX, sizeof *a->events);
    }
    if (!a || !asked || !a->bench || !a->events) {
        error_set(err, "memory is short");
    } else {
        *asked = question->map;
        result = scan(question, a, err);
    }
    if (result == 0) {
        int64_t usual = a->interval_ns[signal_of_kind(&question->map, SIG_I2)];
        a->thinned = usual > 0 && usual < fastest_ns ? (fastest_ns + usual - 1) / usual : 1;
        a->fed = 0;
        make_bench(question, a);
        curves_begin(a, question->map.count);
        tell_pace(question, a);
        result = judge(question, asked, a, err);
    }
    free(asked);
    if (result == 0)
        return a;
    record_answer_free(a);
    return NULL;
}

void record_answer_free(struct record_answer *answer)
{
    if (!answer)
        return;
    free(answer->bench);
    free(answer->events);
    free(answer);
}
