#include "peak.h"

#include <math.h>

#include "capture_look.h"
#include "emit.h"
#include "error.h"
#include "track.h"

/* A latch that lets go by itself does so after some seconds; common practice, no published source. */
static const int64_t by_itself_ns = 15 * SECOND_NS;

static bool is_written(const struct engine *e, int ch)
{
    const struct bench_signal *s = signal_of(e, ch, SIG_U2_PEAK);
    return s && s->latch == LATCH_WRITE;
}

void peak_let_go(struct engine *e, int ch)
{
    struct peak_state *p = &channel_of(e, ch)->peak;
    if (!is_written(e, ch))
        return;
    p->let_go_ns = LONG_AGO_NS;
    p->command = emit_command(e, COMMAND_PEAK_RESET, ch, -1)->number;
}

void peak_begin(struct engine *e, int ch)
{
    channel_of(e, ch)->peak = (struct peak_state){.let_go_ns = LONG_AGO_NS};
    peak_let_go(e, ch);
}

void peak_ack(struct engine *e, const struct input_ack *ack)
{
    for (int ch = 0; ack->command != 0 && ch < e->bench.channel_count; ch++) {
        struct peak_state *p = &e->channels[ch].peak;
        if (ack->command == p->command && ack->kind == ACK_DONE)
            p->let_go_ns = ack->stamp_ns;
    }
}

static void doubt(struct engine *e, int ch, double peak, double line, const char *how)
{
    channel_of(e, ch)->peak.doubted = true;
    struct event *v = emit_event(e, EVENT_METER_DOUBT, ch);
    v->code = bench_channel_of(e, ch)->signal[SIG_U2_PEAK];
    (void)text_format(
        v->text, sizeof v->text,
        "the latched peak of the voltage stays at %.1f V %s, though the load has settled below %.1f V: it "
        "is no evidence in this part",
        peak, how, line);
}

void peak_watch(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct peak_state *p = &c->peak;
    const struct track *t = track_of(e, ch, SIG_U2_PEAK);
    double u = track_value(e, ch, SIG_U2), no_load = c->run.u0_v > 5 ? c->run.u0_v : c->run.rq.point.no_load_v;
    int64_t settled = c->load.commanded_on_ns + c->figures.setup.settle_ns + signal_lag_ns(e, ch, SIG_U2);
    if (!t || p->doubted || p->low_seen || !c->figures.rated_seen || isnan(u) || e->step_ns < settled)
        return;
    bool written = is_written(e, ch);
    if (written && !p->settled) {
        p->settled = true;
        p->settled_ns = e->step_ns;
        peak_let_go(e, ch);
        return;
    }
    int64_t patience = signal_lag_ns(e, ch, SIG_U2_PEAK) + (written ? 2 * SECOND_NS : by_itself_ns);
    int64_t from = written ? p->let_go_ns : settled;
    double line = open_path_line_v(u, no_load);
    if (from != LONG_AGO_NS && track_stamp(t) > from + signal_lag_ns(e, ch, SIG_U2_PEAK) && t->value <= line)
        p->low_seen = true;
    else if (from == LONG_AGO_NS && e->step_ns > p->settled_ns + 10 * SECOND_NS)
        doubt(e, ch, t->value, line, "because the write that resets it was not confirmed");
    else if (from != LONG_AGO_NS && t->count > 0 && e->step_ns > from + patience &&
             track_stamp(t) > from + patience / 2)
        doubt(e, ch, t->value, line, written ? "after its reset" : "on its own");
}

double peak_seen(struct engine *e, int ch, int64_t from_ns, int64_t to_ns)
{
    const struct track *t = track_of(e, ch, SIG_U2_PEAK);
    const struct peak_state *p = &e->channels[ch].peak;
    return t && p->low_seen && !p->doubted ? track_most(t, from_ns, to_ns) : NAN;
}
