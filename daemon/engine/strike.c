#include "strike.h"

#include <math.h>

#include "begin_part.h"
#include "emit.h"
#include "error.h"
#include "figures.h"
#include "load.h"
#include "onload.h"
#include "procedure.h"
#include "track.h"

bool strike_wanted(const struct engine *e, int ch, const struct run_request *rq)
{
    return strike_is_wanted(&bench_channel_of(e, ch)->load, rq);
}

int strike_plan_for(const struct engine *e, int ch, const struct run_request *rq, const struct load_point *point,
                    uint32_t mask, double setting, struct strike_plan *plan, struct error *err)
{
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    struct strike_wish wish = {
        .load = l,
        .final_mask = mask,
        .final_setting = setting,
        .lead_ohm = channel_lead_ohm(e, ch),
        .temperature_factor = e->channels[ch].run.active ? channel_ohm_factor(e, ch) : 1,
        .current_a = point->current_a,
        .u0_v = highest_no_load_v(&e->bench.limits, &rq->point, rq->s_marked),
        .triggered = rq->point.control != CONTROL_ALWAYS_LIVE && l->has_trigger,
    };
    return strike_plan_make(&wish, plan, err);
}

static const struct strike_move *move_of(const struct channel *c)
{
    return &c->strike.plan.moves[c->strike.move];
}

const char *strike_doing(const struct channel *c)
{
    if (c->strike.resting)
        return c->run.tries > 0 && c->doing[0] ? c->doing
                                               : "strike: the unit did not start, resting before another try";
    if (c->strike.failed)
        return "strike: the unit did not start, opening";
    switch (move_of(c)->moment) {
    case STRIKE_LOW:
        return "strike: low resistance";
    case STRIKE_HIGH:
        return "strike: high resistance";
    case STRIKE_FINAL:
        break;
    }
    return "strike: does the unit give its current?";
}

/* One attempt, from an open load. */
static void attempt(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct strike_state *s = &c->strike;
    s->attempt++;
    s->move = 0;
    s->failed = s->resting = false;
    s->began_ns = e->now_ns;
    s->low_a = s->high_v = NAN;
    c->run.tries = 0;
    c->run.cycle_begin_ns = e->now_ns;
    c->figures.running = false;
    c->timers[TIMER_PHASE] = NEVER_NS;
    set_state(e, ch, s->then == COURSE_SETTING ? STATE_SETTING : STATE_ON_LOAD);
    load_close(e, ch, move_of(c)->mask, move_of(c)->setting);
}

void strike_begin(struct engine *e, int ch, enum course then)
{
    struct channel *c = channel_of(e, ch);
    struct error err = {{0}};
    c->strike = (struct strike_state){.then = then};
    if (strike_plan_for(e, ch, &c->run.rq, &c->run.point, c->run.mask, c->run.setting, &c->strike.plan, &err) != 0) {
        char text[REASON_CAP];
        (void)text_format(text, sizeof text, "no strike: %.140s", err.text);
        run_cut_short(e, ch, CAUSE_BENCH_INTERLOCK, text);
        set_state(e, ch, STATE_DONE);
        return;
    }
    c->course = COURSE_STRIKE;
    attempt(e, ch);
}

static double current_now(struct engine *e, int ch)
{
    double i = track_value(e, ch, SIG_I2);
    return i < 0 ? -i : i;
}

static void tell(struct engine *e, int ch, enum strike_outcome outcome, const char *why)
{
    const struct strike_state *s = &channel_of(e, ch)->strike;
    const struct bench_strike *b = &bench_channel_of(e, ch)->load.strike;
    struct event *v = emit_event(e, EVENT_STRIKE, ch);
    v->code = s->attempt;
    v->code2 = (int32_t)outcome;
    v->value_count = 4;
    v->values[STRIKE_LOW_A] = s->low_a;
    v->values[STRIKE_HIGH_V] = s->high_v;
    v->values[STRIKE_END_A] = current_now(e, ch);
    v->values[STRIKE_LASTED_S] = seconds_of(e->now_ns - s->began_ns);
    (void)text_format(v->text, sizeof v->text, "attempt %d of %d", s->attempt, b->attempts);
    if (!isnan(s->low_a))
        (void)text_append(v->text, sizeof v->text, ", %.0f A at low resistance", s->low_a);
    if (!isnan(s->high_v))
        (void)text_append(v->text, sizeof v->text, ", %.1f V at high", s->high_v);
    (void)text_append(v->text, sizeof v->text, ": %s, %.0f A", why, v->values[STRIKE_END_A]);
}

/* This attempt came to nothing: open in good order. */
static void fail(struct engine *e, int ch, enum strike_outcome outcome, const char *why)
{
    struct channel *c = channel_of(e, ch);
    double i = current_now(e, ch);
    tell(e, ch, outcome, why);
    c->strike.end_a = isnan(i) ? 0 : i;
    c->strike.end_v = track_value(e, ch, SIG_U2);
    c->strike.failed = true;
    c->timers[TIMER_PHASE] = NEVER_NS;
    load_open(e, ch, false);
}

/* Open after an attempt that failed. */
static void after_failure(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_strike *b = &bench_channel_of(e, ch)->load.strike;
    c->strike.failed = false;
    c->strike.resting = true;
    set_state(e, ch, STATE_PAUSE);
    c->timers[TIMER_PHASE] = e->now_ns + b->rest_ns;
}

static void started(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    tell(e, ch, STRIKE_STARTED, "started");
    c->course = c->strike.then;
    c->timers[TIMER_PHASE] = c->course == COURSE_SETTING ? e->now_ns + e->bench.limits.setting_cap_ns : NEVER_NS;
}

/* What the unit has to give to count as started. One that is still to be dialled in may stand anywhere. */
static double started_a(const struct engine *e, int ch)
{
    const struct channel *c = &e->channels[ch];
    const struct bench_strike *b = &bench_channel_of(e, ch)->load.strike;
    double share = c->run.point.current_a * b->started_pct / 100, off_the_lift = 1.5 * b->start_a;
    return c->strike.then == COURSE_SETTING && off_the_lift < share ? off_the_lift : share;
}

/* The point's own load stands: from here on the part is measured. */
static void begin_measuring(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_strike *b = &bench_channel_of(e, ch)->load.strike;
    c->timers[TIMER_PHASE] = e->now_ns + b->within_ns + signal_lag_ns(e, ch, SIG_I2) + slack_ns(e);
    if (c->strike.then == COURSE_SETTING)
        return;
    if (!figures_begin(e, ch, e->now_ns)) {
        run_cut_short(e, ch, CAUSE_BENCH_INTERLOCK, "current and voltage of the channel cannot be judged");
        set_state(e, ch, STATE_DONE);
        return;
    }
    figures_commanded(e, ch, e->now_ns, true);
}

/* Remembers what the moment showed, for the record. */
static void look(struct engine *e, int ch, enum strike_moment moment)
{
    struct strike_state *s = &channel_of(e, ch)->strike;
    double i = current_now(e, ch), u = track_value(e, ch, SIG_U2);
    if (moment == STRIKE_LOW && !isnan(i))
        s->low_a = i;
    if (moment == STRIKE_HIGH && !(u <= s->high_v))
        s->high_v = u;
}

void strike_poll(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct strike_state *s = &c->strike;
    if (s->resting)
        return;
    if (s->failed) {
        if (c->load.phase == LOAD_OPEN)
            after_failure(e, ch);
        return;
    }
    if (c->load.phase == LOAD_OPEN || c->load.phase == LOAD_OPENING) {
        fail(e, ch, STRIKE_BROKEN_OFF, "broken off");
        return;
    }
    if (!load_is_on(c))
        return;
    const struct strike_move *m = move_of(c);
    look(e, ch, m->moment);
    if (m->moment != STRIKE_FINAL) {
        if (c->timers[TIMER_PHASE] == NEVER_NS)
            c->timers[TIMER_PHASE] = e->now_ns + m->for_ns;
        return;
    }
    if (c->timers[TIMER_PHASE] == NEVER_NS)
        begin_measuring(e, ch);
    const struct track *i2 = track_of(e, ch, SIG_I2);
    if (c->course == COURSE_STRIKE && i2 && track_stamp(i2) > c->load.commanded_on_ns &&
        current_now(e, ch) >= started_a(e, ch))
        started(e, ch);
}

/* The next move, or an end of the attempt where more current flows than may be broken. */
static void next_move(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    c->strike.move++;
    const struct strike_move *m = move_of(c);
    double i = current_now(e, ch);
    bool released = m->opens && l->strike.released;
    if (m->opens && !released && i > l->breaks_a) {
        char why[REASON_CAP];
        (void)text_format(why, sizeof why, "broken off, the contactors may break %.0f A only", l->breaks_a);
        fail(e, ch, STRIKE_BROKEN_OFF, why);
        return;
    }
    load_change(e, ch, m->mask, m->setting, released);
}

void strike_timer(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_strike *b = &bench_channel_of(e, ch)->load.strike;
    char why[REASON_CAP];
    if (c->strike.resting) {
        if (c->strike.attempt >= b->attempts)
            onload_never_reached(e, ch, c->strike.end_a);
        else if (part_hindered(e, ch, why, sizeof why))
            part_wait(e, ch, why);
        else
            attempt(e, ch);
    } else if (!c->strike.failed && move_of(c)->moment == STRIKE_FINAL) {
        fail(e, ch, STRIKE_NOT_STARTED, "not started");
    } else if (!c->strike.failed) {
        next_move(e, ch);
    }
}
