#include "figures.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "supply_seen.h"
#include "track.h"
#include "uncertainty.h"

double channel_lead_ohm(const struct engine *e, int ch)
{
    const struct bench_channel *b = bench_channel_of(e, ch);
    return b->u2_at_bank ? 0 : b->load.lead_resistance_ohm;
}

double channel_ohm_factor(const struct engine *e, int ch)
{
    double f = e->channels[ch].run.temperature_factor;
    return f > 0 ? f : 1;
}

static void slow_begin(struct slow_mean *m, const struct track *t)
{
    *m = (struct slow_mean){.taken = t ? t->count : 0};
}

bool figures_begin(struct engine *e, int ch, int64_t begin_ns)
{
    struct channel *c = channel_of(e, ch);
    struct figures *f = &c->figures;
    const struct bench_signal *i2 = signal_of(e, ch, SIG_I2);
    const struct bench_signal *u2 = signal_of(e, ch, SIG_U2);
    struct error err = {{0}};
    if (!i2 || !u2)
        return false;
    double unc = uncertainty_expanded(&i2->uncertainty, c->run.point.current_a);
    if (cycle_setup_for(&c->run.rq.point, c->run.point.voltage_v, unc, &e->bench.limits, i2, u2, &f->setup, &err) !=
            0 ||
        (!f->running && cycle_begin(&f->cycle, &f->setup, begin_ns, &err) != 0)) {
        emit_text(e, EVENT_NOTE, ch, "no figures: %.200s", err.text);
        f->running = false;
        return false;
    }
    bool goes_on = f->running;
    if (goes_on) {
        struct cycle before = f->cycle;
        cycle_begin_after(&f->cycle, &before, begin_ns);
    }
    f->running = true;
    struct supply_sources sources = supply_sources_of(e, ch, &c->run.rq.point);
    for (int k = 0; k < sources.count; k++) {
        slow_begin(&f->u1[k], track_of(e, ch, sources.kinds[k]));
        if (!goes_on) /* else a sag goes on over the edge of two cycles */
            f->out[k] = (struct supply_stretch){0};
    }
    f->longest = (struct supply_stretch){0};
    slow_begin(&f->intake, track_of(e, ch, SIG_T_INTAKE));
    f->is_void = false;
    f->void_text[0] = '\0';
    f->reduced_told = false;
    f->rated_seen = false;
    f->low_since_ns = NEVER_NS;
    return true;
}

void figures_commanded(struct engine *e, int ch, int64_t at_ns, bool on)
{
    struct figures *f = &channel_of(e, ch)->figures;
    if (f->running)
        cycle_command(&f->cycle, at_ns, 0, on);
}

void figures_take(struct engine *e, const struct input_readings *m, const struct reading *r)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct figures *f = &e->channels[ch].figures;
        if (!f->running)
            continue;
        const int *signal = e->bench.channels[ch].signal;
        if (r->signal == signal[SIG_I2])
            cycle_feed(&f->cycle, CYCLE_I2, m->stamp_ns, m->half_width_ns, r->value, r->quality);
        else if (r->signal == signal[SIG_U2])
            cycle_feed(&f->cycle, CYCLE_U2, m->stamp_ns, m->half_width_ns, r->value, r->quality);
        else if (r->signal == signal[SIG_U1] || r->signal == signal[SIG_U1_A] || r->signal == signal[SIG_U1_B] ||
                 r->signal == signal[SIG_U1_C] || r->signal == signal[SIG_T_INTAKE])
            figures_slow(e, ch);
    }
}

void figures_now(struct engine *e, int ch, struct cycle_figures *f)
{
    const struct cycle *c = &channel_of(e, ch)->figures.cycle;
    int64_t known = cycle_known_ns(c);
    cycle_figures(c, known > c->begin_ns ? known : c->begin_ns, f);
}

int64_t figures_since_ns(const struct engine *e, int ch, const struct cycle_figures *f)
{
    if (f->began)
        return f->begin.at_ns;
    return f->conducting.best_ns > 0 ? e->channels[ch].figures.cycle.begin_ns : NEVER_NS;
}

/* The next sample of the on-load part, NULL when there is none (yet). */
static const struct sample *slow_next(struct slow_mean *m, const struct track *t, const struct cycle_figures *f,
                                      int64_t from_ns)
{
    while (m->taken < t->count) {
        const struct sample *s = track_sample(t, m->taken);
        if (s && s->stamp_ns > f->known_ns)
            return NULL;
        m->taken++;
        if (!s || s->stamp_ns < from_ns || (f->ends > 0 && s->stamp_ns > f->first_end.at_ns))
            continue;
        m->sum += s->value;
        m->count++;
        return s;
    }
    return NULL;
}

static int64_t length_of(const struct supply_stretch *s)
{
    return s->until_ns - s->since_ns;
}

/* How long the supply is out of its band at a stretch: a sag near the end of a part hardly moves the part's mean. */
static void stretch_take(struct supply_stretch *s, const struct sample *sample, double off_pct, double allowed_pct)
{
    if (off_pct <= allowed_pct && off_pct >= -allowed_pct) {
        s->open = false;
        return;
    }
    if (!s->open)
        *s = (struct supply_stretch){.open = true, .since_ns = sample->stamp_ns};
    s->until_ns = sample->stamp_ns;
    s->sum += sample->value;
    s->count++;
}

static void take_supply(struct engine *e, int ch, const struct cycle_figures *cf, int64_t from_ns)
{
    struct channel *c = channel_of(e, ch);
    struct figures *f = &c->figures;
    const struct rating_point *p = &c->run.rq.point;
    struct supply_sources sources = supply_sources_of(e, ch, p);
    for (int k = 0; k < sources.count; k++) {
        const struct track *t = track_of(e, ch, sources.kinds[k]);
        for (const struct sample *s; (s = slow_next(&f->u1[k], t, cf, from_ns)) != NULL;) {
            stretch_take(&f->out[k], s, supply_off_pct(s->value * sources.factor, p), e->bench.limits.u1_void_pct);
            if (!f->out[k].open || length_of(&f->out[k]) <= length_of(&f->longest))
                continue;
            f->longest = f->out[k];
            f->longest_where = sources.kinds[k];
        }
    }
}

void figures_slow(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct cycle_figures f;
    figures_now(e, ch, &f);
    int64_t from = figures_since_ns(e, ch, &f);
    if (from == NEVER_NS)
        return;
    from += c->figures.setup.settle_ns;
    take_supply(e, ch, &f, from);
    const struct track *intake = track_of(e, ch, SIG_T_INTAKE);
    while (intake && slow_next(&c->figures.intake, intake, &f, from))
        ;
}

/* Mean over the on-load part; where no reading fell into it, the latest that still counts. */
static double slow_result(struct engine *e, int ch, const struct slow_mean *m, enum signal_kind kind)
{
    return m->count > 0 ? m->sum / (double)m->count : track_value(e, ch, kind);
}

static void close_supply(struct engine *e, int ch, struct cycle_result *r)
{
    const struct channel *c = channel_of(e, ch);
    struct supply_sources sources = supply_sources_of(e, ch, &c->run.rq.point);
    double means[SUPPLY_PHASES] = {NAN, NAN, NAN};
    for (int k = 0; k < sources.count; k++)
        means[k] = slow_result(e, ch, &c->figures.u1[k], sources.kinds[k]);
    struct supply_seen seen = supply_together(&sources, means, &c->run.rq.point);
    r->supply_v = seen.mean;
    r->supply_worst_v = seen.worst;
    r->supply_where = seen.where;
    const struct supply_stretch *out = &c->figures.longest;
    r->supply_out_ns = length_of(out);
    r->supply_out_v = out->count > 0 ? out->sum / (double)out->count * sources.factor : NAN;
    r->supply_out_where = c->figures.longest_where;
}

void figures_close(struct engine *e, int ch, int64_t end_ns, struct cycle_result *r)
{
    struct channel *c = channel_of(e, ch);
    struct figures *f = &c->figures;
    figures_slow(e, ch);
    figures_now(e, ch, &r->figures);
    r->begin_ns = f->cycle.begin_ns;
    r->length_ns = end_ns - f->cycle.begin_ns;
    r->commanded_s = seconds_of(r->figures.commanded.best_ns);
    close_supply(e, ch, r);
    r->intake_degc = slow_result(e, ch, &f->intake, SIG_T_INTAKE);
}

void figures_void(struct engine *e, int ch, const char *why)
{
    struct figures *f = &channel_of(e, ch)->figures;
    if (!f->running || f->is_void)
        return;
    f->is_void = true;
    (void)text_copy(f->void_text, sizeof f->void_text, why);
}

double figures_time_uncertainty_s(const struct cycle_figures *f)
{
    double begin = f->began ? seconds_of(f->begin.half_width_ns) : 0;
    double end = f->ends > 0 ? seconds_of(f->first_end.half_width_ns) : 0;
    return time_uncertainty_s(begin, end);
}
