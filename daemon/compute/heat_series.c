#include "heat_series.h"

#include <math.h>
#include <stdlib.h>

static const int64_t spacing_least_ns = INT64_C(5000000000);

/* Above this a unit heats by its load: common practice, no published source. */
static const double on_above_a = 5;

struct channel_series {
    int count;
    int64_t spacing_ns;
    struct heat_sample now; /* latest of each */
    struct heat_sample samples[HEAT_SAMPLES_MAX];
};

struct heat_series {
    const struct bench *bench;
    struct channel_series *channels;
};

struct heat_series *heat_series_new(const struct bench *bench)
{
    struct heat_series *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    s->bench = bench;
    s->channels = calloc((size_t)bench->channel_count + 1, sizeof *s->channels);
    if (!s->channels) {
        free(s);
        return NULL;
    }
    for (int c = 0; c < bench->channel_count; c++) {
        s->channels[c].spacing_ns = spacing_least_ns;
        s->channels[c].now = (struct heat_sample){.case_degc = NAN, .exhaust_degc = NAN, .intake_degc = NAN};
    }
    return s;
}

void heat_series_free(struct heat_series *series)
{
    if (!series)
        return;
    free(series->channels);
    free(series);
}

/* Every second sample goes, but none at which the load changed. Were there only changes, the older half goes. */
static void thin_out(struct channel_series *c)
{
    int kept = 1;
    unsigned char last_on = c->samples[0].on;
    for (int i = 1; i < c->count; i++) {
        bool change = c->samples[i].on != last_on;
        last_on = c->samples[i].on;
        if (change || i % 2 == 0)
            c->samples[kept++] = c->samples[i];
    }
    c->spacing_ns *= 2;
    if (kept == c->count) {
        for (int i = 0; i < kept / 2; i++)
            c->samples[i] = c->samples[kept - kept / 2 + i];
        kept /= 2;
    }
    c->count = kept;
}

static void add(struct channel_series *c, int64_t stamp_ns)
{
    if (c->count == HEAT_SAMPLES_MAX)
        thin_out(c);
    c->now.stamp_ns = stamp_ns;
    c->samples[c->count++] = c->now;
}

/* Buses end their transactions each in its own time: a stamp that lies before the last sample waits for the next. */
static bool is_later(const struct channel_series *c, int64_t stamp_ns, int64_t by_ns)
{
    return c->count == 0 || stamp_ns - c->samples[c->count - 1].stamp_ns >= by_ns;
}

static void take_value(struct channel_series *c, enum signal_kind kind, double value, int64_t stamp_ns)
{
    unsigned char on = value > on_above_a;
    switch (kind) {
    case SIG_T_CASE:
        c->now.case_degc = value;
        break;
    case SIG_T_EXHAUST:
        c->now.exhaust_degc = value;
        break;
    case SIG_T_INTAKE:
        c->now.intake_degc = value;
        return;
    case SIG_I2:
        if (on != c->now.on && is_later(c, stamp_ns, 1)) {
            c->now.on = on;
            add(c, stamp_ns);
        }
        return;
    default:
        return;
    }
    if (is_later(c, stamp_ns, c->spacing_ns))
        add(c, stamp_ns);
}

void heat_series_take(struct heat_series *series, const struct input_readings *in)
{
    for (int i = 0; i < in->count; i++) {
        const struct reading *r = &in->items[i];
        if (r->quality != QUALITY_GOOD || r->signal < 0 || r->signal >= series->bench->signal_count)
            continue;
        const struct bench_signal *signal = &series->bench->signals[r->signal];
        if (signal->channel >= 0 && signal->channel < series->bench->channel_count)
            take_value(&series->channels[signal->channel], signal->kind, r->value, in->stamp_ns);
    }
}

int heat_series_copy(const struct heat_series *series, int channel, int64_t from_ns, struct heat_sample *to)
{
    int count = 0;
    if (channel < 0 || channel >= series->bench->channel_count)
        return 0;
    const struct channel_series *c = &series->channels[channel];
    for (int i = 0; i < c->count; i++)
        if (c->samples[i].stamp_ns >= from_ns)
            to[count++] = c->samples[i];
    return count;
}
