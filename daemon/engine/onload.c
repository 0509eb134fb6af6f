#include "onload.h"

#include <math.h>

#include "attribute.h"
#include "capture.h"
#include "emit.h"
#include "error.h"
#include "evidence.h"
#include "figures.h"
#include "frozen.h"
#include "lead_watch.h"
#include "load.h"
#include "observed.h"
#include "peak.h"
#include "procedure.h"
#include "supply_seen.h"
#include "track.h"

/* Highest value of a voltage since the output was commanded on; 0 when none was read. */
static double highest_since_on(struct engine *e, int ch, enum signal_kind kind)
{
    const struct track *t = track_of(e, ch, kind);
    double highest = 0;
    for (uint64_t n = t ? t->count : 0; n > 0; n--) {
        const struct sample *s = track_sample(t, n - 1);
        if (!s || s->stamp_ns < e->channels[ch].load.commanded_on_ns)
            break;
        if (s->stamp_ns - s->half_ns < e->channels[ch].load.commanded_on_ns && kind == SIG_U2_PEAK)
            continue; /* a latch that may hold what was before */
        highest = s->value > highest ? s->value : highest;
    }
    return highest;
}

/* Is the unit's supply gone: by its voltage, the breaker's contact, or the silence of a meter that it feeds? */
static bool supply_is_gone(struct engine *e, int ch)
{
    const struct bench_channel *b = bench_channel_of(e, ch);
    const struct rating_point *p = &e->channels[ch].run.rq.point;
    struct supply_sources sources = supply_sources_of(e, ch, p);
    struct supply_seen seen = supply_now(e, ch, p);
    if (b->circuit < 0)
        return false;
    if (supply_is_dead(&seen, p) || contact_is(e, ch, SIG_BREAKER_AUX, false))
        return true;
    const struct bench_signal *s = sources.count > 0 ? signal_of(e, ch, sources.kinds[0]) : NULL;
    return isnan(seen.worst) && s && e->bench.devices[s->device].powered_from == b->circuit;
}

/* No current at all says nothing about the unit: it had no supply, it gave its no-load voltage (the path is open), or
 * nothing (nobody knows why). */
static enum shutoff_cause cause_of_nothing(struct engine *e, int ch, char *text)
{
    double u = highest_since_on(e, ch, SIG_U2), peak = highest_since_on(e, ch, SIG_U2_PEAK);
    double seen = peak > u ? peak : u;
    struct phase_look phases = supply_phases_now(e, ch, &e->channels[ch].run.rq.point, false);
    if (supply_is_gone(e, ch)) {
        (void)text_copy(text, REASON_CAP, "no current, and the unit has no supply");
        return CAUSE_SUPPLY_LOST;
    }
    if (phases.loss != PHASES_THERE) {
        supply_phase_text(&phases, text, REASON_CAP);
        return CAUSE_SUPPLY_LOW;
    }
    if (seen > 1.3 * e->channels[ch].run.point.voltage_v) {
        (void)text_format(text, REASON_CAP, "no current at %.0f V", seen);
        return CAUSE_LOAD_PATH_OPEN;
    }
    (void)text_copy(text, REASON_CAP, "no current and no voltage");
    return CAUSE_UNKNOWN;
}

/* A current far below the rated one at a voltage far below an arc's: the unit gives what it gives while it believes
 * that its electrode still touches (bench practice 49). That is how it starts, not what it can. */
static bool waits_for_arc(struct engine *e, int ch, double amps, double volts)
{
    const struct bench_strike *s = &bench_channel_of(e, ch)->load.strike;
    double arc_v = s->fitted ? s->arc_v : level_of(e, LEVEL_WAITS_V);
    return 100 * amps < level_of(e, LEVEL_WAITS_PCT) * channel_of(e, ch)->run.point.current_a && volts < arc_v;
}

static void say_never(struct engine *e, int ch, double reached_a, bool waits, double volts)
{
    struct channel *c = channel_of(e, ch);
    char *text = c->run.never_text;
    (void)text_format(text, REASON_CAP, "%.0f A reached of the rated %.0f A", reached_a, c->run.point.current_a);
    if (waits)
        (void)text_append(text, REASON_CAP, " at %.1f V, as by a unit that waits for its arc", volts);
    if (c->strike.attempt > 0)
        (void)text_append(text, REASON_CAP, "; strike tried %d time%s", c->strike.attempt,
                          c->strike.attempt == 1 ? "" : "s");
}

static void advise(struct engine *e, int ch, double reached_a, bool nothing, bool waits)
{
    const struct channel *c = channel_of(e, ch);
    if (nothing)
        emit_text(e, EVENT_ADVICE, ch, "no output: is the unit on, the mode right, the torch switch connected?");
    else if (waits && c->strike.attempt > 0)
        emit_text(
            e, EVENT_ADVICE, ch,
            "the strike did not start the unit: look at its start mode, and at length and resistance of the strike");
    else if (waits)
        emit_text(e, EVENT_ADVICE, ch,
                  "the unit seems to wait for its arc (lift start): it needs a strike, or another start mode");
    else
        emit_text(e, EVENT_ADVICE, ch, "raise the unit by %.0f A", c->run.point.current_a - reached_a);
}

void onload_never_reached(struct engine *e, int ch, double reached_a)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    double volts = c->course == COURSE_STRIKE ? c->strike.end_v : track_value(e, ch, SIG_U2);
    bool nothing = reached_a < flow_threshold(e, ch), waits = !nothing && waits_for_arc(e, ch, reached_a, volts);
    r->reached_a = nothing || waits ? 0 : reached_a;
    struct event *v = emit_event(e, EVENT_NEVER_REACHED, ch);
    v->value_count = 2;
    v->values[0] = reached_a;
    v->values[1] = r->point.current_a;
    say_never(e, ch, reached_a, waits, volts);
    (void)text_copy(v->text, sizeof v->text, r->never_text);
    advise(e, ch, reached_a, nothing, waits);
    struct cycle_result result;
    figures_void(e, ch, "rated current was not reached");
    c->course = COURSE_ENDING;
    if (c->figures.running)
        cycle_close(e, ch, false, &result);
    c->timers[TIMER_PHASE] = NEVER_NS;
    r->ending_cause = nothing ? cause_of_nothing(e, ch, r->ending_text) : CAUSE_NONE;
    load_open(e, ch, false);
}

static void check_reached(struct engine *e, int ch, const struct cycle_figures *f)
{
    struct channel *c = channel_of(e, ch);
    int64_t patience = time_of(e, TIME_BEGIN) + 2 * signal_lag_ns(e, ch, SIG_I2) + slack_ns(e);
    int64_t since = figures_since_ns(e, ch, f);
    if (since == NEVER_NS) {
        int64_t from =
            c->run.cycle_begin_ns > c->load.commanded_on_ns ? c->run.cycle_begin_ns : c->load.commanded_on_ns;
        if (e->step_ns - from > patience)
            onload_never_reached(e, ch, 0);
        return;
    }
    /* A survey takes the current as it was dialled in; only one that is far off was never there. */
    bool near = c->run.rq.procedure == PROCEDURE_SURVEY && track_value(e, ch, SIG_I2) > 0.9 * c->run.point.current_a;
    if (near || (f->at_rated.high_ns > 0 && f->at_rated.best_ns > 0)) {
        c->figures.rated_seen = true;
        return;
    }
    if (!c->figures.rated_seen && f->known_ns - since > c->figures.setup.settle_ns + time_of(e, TIME_RATED) + patience)
        onload_never_reached(e, ch, f->current_a.mean);
}

/* Why the current is below rated, from what moved with it. */
static const char *why_reduced(struct engine *e, int ch)
{
    const struct channel *c = channel_of(e, ch);
    const struct rating_point *p = &c->run.rq.point;
    double u = track_value(e, ch, SIG_U2);
    struct supply_seen seen = supply_now(e, ch, p);
    if (supply_phases_now(e, ch, p, true).loss != PHASES_THERE)
        return "one phase of the supply is gone: supply-limited";
    if (seen.least < 0.95 * p->supply_v)
        return "the supply is low as well: supply-limited";
    if (u > 0.98 * c->run.point.voltage_v)
        return "the voltage has not moved: the load's resistance has drifted";
    if (p->supply_v > 0 && isnan(seen.worst) && p->phases > 0)
        return "the unit gives less: thermal, or supply-limited; the supply is not measured";
    return "the unit gives less: thermal, or its own drift";
}

/* Current below rated for a while, having been there: not a shutoff, and worth saying once a cycle. */
static void check_reduced(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct figures *f = &c->figures;
    double i = track_value(e, ch, SIG_I2);
    if (!f->rated_seen || f->reduced_told || isnan(i) ||
        100 * i >= c->run.point.current_a * level_of(e, LEVEL_REDUCED) || i < 0.2 * c->run.point.current_a) {
        f->low_since_ns = NEVER_NS;
        return;
    }
    if (f->low_since_ns == NEVER_NS)
        f->low_since_ns = e->step_ns;
    if (e->step_ns - f->low_since_ns < time_of(e, TIME_REDUCED) + signal_lag_ns(e, ch, SIG_I2))
        return;
    f->reduced_told = true;
    const char *why = why_reduced(e, ch);
    struct event *v = emit_event(e, EVENT_OUTPUT_REDUCED, ch);
    v->value_count = 2;
    v->values[0] = c->run.point.current_a;
    v->values[1] = i;
    (void)text_copy(v->text, sizeof v->text, why);
}

static void void_if_lost(struct engine *e, int ch, enum signal_kind kind)
{
    int s = bench_channel_of(e, ch)->signal[kind];
    if (s < 0 || !track_is_lost(e, s))
        return;
    char text[REASON_CAP];
    (void)text_format(text, sizeof text, "%.47s was lost", e->bench.signals[s].name);
    figures_void(e, ch, text);
}

static void check_judgement_signals(struct engine *e, int ch)
{
    struct supply_sources sources = supply_sources_of(e, ch, &e->channels[ch].run.rq.point);
    for (int k = 0; k < sources.count; k++)
        void_if_lost(e, ch, sources.kinds[k]);
    void_if_lost(e, ch, SIG_T_INTAKE);
    if (!load_is_observed(e, ch)) /* else the interlock has ended the run */
        return;
    void_if_lost(e, ch, SIG_I2);
    void_if_lost(e, ch, SIG_U2);
}

void onload_look(struct engine *e, int ch, const struct cycle_figures *f)
{
    check_judgement_signals(e, ch);
    check_reduced(e, ch);
    check_reached(e, ch, f);
    peak_watch(e, ch);
    frozen_watch(e, ch);
    if (channel_of(e, ch)->course == COURSE_PART)
        lead_watch(e, ch);
}

bool onload_stopped(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (voltage_doubted(e, ch)) {
        run_end_soon(e, ch, CAUSE_UNKNOWN, "a meter is in doubt: the voltage vanished while the current flowed on");
        return true;
    }
    if (!shutoff_watch(e, ch))
        return false;
    c->course = COURSE_CONFIRM;
    c->timers[TIMER_SHUTOFF] = e->now_ns + shutoff_confirm_ns(e, ch);
    capture_ask(e, ch);
    return true;
}
