#include "remote.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "load.h"
#include "procedure.h"
#include "track.h"

enum { AGAIN_S = 5 };

static const struct bench_remote *remote_of(const struct engine *e, int ch)
{
    return &bench_channel_of(e, ch)->remote;
}

bool remote_serves(const struct engine *e, int ch, const struct run_request *rq)
{
    return remote_of(e, ch)->fitted && (rq->procedure == PROCEDURE_SURVEY || rq->setting);
}

void remote_prepare(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    c->remote = (struct remote_state){.used = remote_serves(e, ch, &c->run.rq)};
}

const char *remote_trouble(const struct engine *e, int ch, double current_a)
{
    const struct bench_remote *m = remote_of(e, ch);
    if (current_a < m->low_a || current_a > m->high_a)
        return "the remote control does not reach this current: see low_current and high_current";
    return NULL;
}

/* What stands for a current, never beyond the two points that are known. */
static double output_for(const struct bench_remote *m, double amps)
{
    double at = amps < m->low_a ? m->low_a : amps > m->high_a ? m->high_a : amps;
    return m->low_out + (at - m->low_a) * (m->high_out - m->low_out) / (m->high_a - m->low_a);
}

static uint64_t write_output(struct engine *e, int ch, double output)
{
    struct command *k = emit_command(e, COMMAND_REMOTE, ch, remote_of(e, ch)->device);
    k->on = true;
    k->value = output;
    return k->number;
}

bool remote_hinders(struct engine *e, int ch, char *text, size_t cap)
{
    struct channel *c = channel_of(e, ch);
    struct remote_state *s = &c->remote;
    if (!s->used || s->written)
        return false;
    double wanted = c->run.point.current_a;
    if (s->command == 0) {
        double output = output_for(remote_of(e, ch), wanted + s->correction_a);
        s->command = write_output(e, ch, output);
        emit_text(e, EVENT_NOTE, ch, "remote control of the unit: %.4g for %g A", output, wanted);
    }
    (void)text_format(text, cap, "the unit's remote control is being set to %g A", wanted);
    return true;
}

void remote_safe(struct engine *e, int ch)
{
    struct remote_state *s = &channel_of(e, ch)->remote;
    if (!s->used || (!s->written && s->command == 0))
        return;
    s->written = false;
    s->command = 0;
    (void)write_output(e, ch, remote_of(e, ch)->safe_out);
}

void remote_ack(struct engine *e, const struct input_ack *ack)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct remote_state *s = &e->channels[ch].remote;
        if (s->command == 0 || ack->command != s->command)
            continue;
        s->written = ack->kind == ACK_DONE;
        s->command = 0; /* not carried out: the next look tries again */
    }
}

void remote_look(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_remote *m = remote_of(e, ch);
    struct remote_state *s = &c->remote;
    double i = track_value(e, ch, SIG_I2), wanted = c->run.point.current_a;
    int64_t on_ns = e->step_ns - c->load.commanded_on_ns;
    if (!s->used || !load_is_on(c) || isnan(i) || on_ns < m->settle_ns + 2 * signal_lag_ns(e, ch, SIG_I2))
        return;
    double off = wanted - i, most = wanted * m->within_pct / 100;
    if (off <= most && off >= -most) {
        emit_text(e, EVENT_NOTE, ch, "set by the remote control: %.1f A for %g A", i, wanted);
        (void)procedure_set(e, ch);
        return;
    }
    if (++s->tries > m->tries) {
        char why[REASON_CAP];
        (void)text_format(why, sizeof why, "the remote control gives %.0f A where %g A are wanted", i, wanted);
        run_end_soon(e, ch, CAUSE_UNKNOWN, why);
        return;
    }
    emit_text(e, EVENT_NOTE, ch, "the remote control gives %.1f A for %g A: to be set anew", i, wanted);
    s->correction_a += off;
    s->again = true;
    s->spent_s += seconds_of(e->now_ns - c->load.since_ns);
    c->course = COURSE_SET_OPEN;
    c->timers[TIMER_PHASE] = NEVER_NS;
    load_open(e, ch, false);
}

bool remote_again(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (!c->remote.again)
        return false;
    c->remote.again = false;
    c->course = COURSE_READY;
    c->run.tries = 0;
    set_state(e, ch, STATE_PREFLIGHT);
    c->timers[TIMER_PHASE] = e->now_ns + AGAIN_S * SECOND_NS;
    return true;
}

void remote_forget(struct engine *e, int ch)
{
    struct remote_state *s = &channel_of(e, ch)->remote;
    s->correction_a = 0;
    s->tries = 0;
}
