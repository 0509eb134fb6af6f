#include "track.h"

#include <math.h>

#include "emit.h"
#include "error.h"

static int64_t max_ns(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static void take_same(struct track *t, int64_t stamp_ns, double value)
{
    if (t->count > 0 && value == t->value) {
        t->same_count++;
        return;
    }
    t->same_count = 1;
    t->same_since_ns = stamp_ns;
    t->same_judged = t->noisy = t->frozen_told = false;
    t->frozen_ns = 0;
}

void track_take(struct engine *e, const struct input_readings *m, const struct reading *r)
{
    if (r->signal < 0 || r->signal >= e->bench.signal_count)
        return;
    struct track *t = &e->tracks[r->signal];
    t->any = true;
    t->quality = r->quality;
    if (r->quality != QUALITY_GOOD || !isfinite(r->value)) {
        if (r->quality == QUALITY_GOOD)
            t->quality = QUALITY_INVALID;
        return;
    }
    if (m->stamp_ns <= track_stamp(t))
        return;
    take_same(t, m->stamp_ns, r->value);
    t->value = r->value;
    t->good_seen_ns = e->now_ns;
    t->ring[t->count % TRACK_CAP] = (struct sample){m->stamp_ns, m->half_width_ns, r->value};
    t->count++;
}

struct track *track_of(struct engine *e, int ch, enum signal_kind kind)
{
    int s = e->bench.channels[ch].signal[kind];
    return s >= 0 ? &e->tracks[s] : NULL;
}

const struct bench_signal *signal_of(const struct engine *e, int ch, enum signal_kind kind)
{
    int s = e->bench.channels[ch].signal[kind];
    return s >= 0 ? &e->bench.signals[s] : NULL;
}

int64_t track_stamp(const struct track *t)
{
    return t->count > 0 ? t->ring[(t->count - 1) % TRACK_CAP].stamp_ns : LONG_AGO_NS;
}

const struct sample *track_sample(const struct track *t, uint64_t n)
{
    if (n >= t->count || t->count - n > TRACK_CAP)
        return NULL;
    return &t->ring[n % TRACK_CAP];
}

double track_value(struct engine *e, int ch, enum signal_kind kind)
{
    int s = e->bench.channels[ch].signal[kind];
    if (s < 0 || e->tracks[s].count == 0 || track_is_lost(e, s))
        return NAN;
    return e->tracks[s].value;
}

double track_mean(const struct track *t, int64_t from_ns, int64_t to_ns, int *count)
{
    double sum = 0;
    int n = 0;
    for (uint64_t i = t->count > TRACK_CAP ? t->count - TRACK_CAP : 0; i < t->count; i++) {
        const struct sample *s = track_sample(t, i);
        if (s->stamp_ns >= from_ns && s->stamp_ns <= to_ns) {
            sum += s->value;
            n++;
        }
    }
    if (count)
        *count = n;
    return n > 0 ? sum / n : NAN;
}

static double extreme(const struct track *t, int64_t from_ns, int64_t to_ns, bool most)
{
    double found = NAN;
    for (uint64_t i = t->count > TRACK_CAP ? t->count - TRACK_CAP : 0; i < t->count; i++) {
        const struct sample *s = track_sample(t, i);
        if (s->stamp_ns < from_ns || s->stamp_ns > to_ns)
            continue;
        if (isnan(found) || (most ? s->value > found : s->value < found))
            found = s->value;
    }
    return found;
}

double track_most(const struct track *t, int64_t from_ns, int64_t to_ns)
{
    return extreme(t, from_ns, to_ns, true);
}

double track_least(const struct track *t, int64_t from_ns, int64_t to_ns)
{
    return extreme(t, from_ns, to_ns, false);
}

int64_t track_limit_ns(const struct engine *e, int signal)
{
    const struct bench_signal *s = &e->bench.signals[signal];
    return max_ns(s->stale_after_ns, e->bench.limits.stale_ns[s->cls]);
}

bool track_is_lost(struct engine *e, int signal)
{
    const struct track *t = &e->tracks[signal];
    int64_t since = t->good_seen_ns == LONG_AGO_NS ? e->boot_ns : t->good_seen_ns;
    return e->step_ns - since > track_limit_ns(e, signal);
}

int64_t signal_lag_ns(const struct engine *e, int ch, enum signal_kind kind)
{
    const struct bench_signal *s = signal_of(e, ch, kind);
    if (!s)
        return 0;
    int64_t poll = s->device >= 0 ? e->bench.devices[s->device].poll_ns : 0;
    return s->refresh_ns + s->averaging_ns + 3 * s->damping_ns + poll;
}

int64_t signals_lag_ns(const struct engine *e, int ch, const enum signal_kind *kinds, size_t count)
{
    int64_t lag = 0;
    for (size_t k = 0; k < count; k++) {
        int64_t own = signal_lag_ns(e, ch, kinds[k]);
        lag = own > lag ? own : lag;
    }
    return lag;
}

bool contact_is(struct engine *e, int ch, enum signal_kind kind, bool closed)
{
    double v = track_value(e, ch, kind);
    return !isnan(v) && (v >= 0.5) == closed;
}

void track_tell_losses(struct engine *e)
{
    for (int i = 0; i < e->bench.signal_count; i++) {
        struct track *t = &e->tracks[i];
        if (!t->any || track_is_lost(e, i) == t->lost)
            continue;
        t->lost = !t->lost;
        struct event *v = emit_event(e, EVENT_SIGNAL, e->bench.signals[i].channel);
        v->code = t->lost ? 0 : 1;
        v->code2 = i;
        (void)text_format(v->text, sizeof v->text,
                          t->lost ? "%.47s (%.20s): no good reading for longer than it may be missing"
                                  : "%.47s (%.20s): good readings again",
                          e->bench.signals[i].name, signal_class_name(e->bench.signals[i].cls));
    }
}
