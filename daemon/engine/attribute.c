#include "attribute.h"

#include <math.h>

#include "capture.h"
#include "emit.h"
#include "error.h"
#include "estimate.h"
#include "evidence.h"
#include "figures.h"
#include "load.h"
#include "observed.h"
#include "peak.h"
#include "procedure.h"
#include "supply_seen.h"
#include "track.h"

enum { SLOW_RESET_S = 600 };

int64_t shutoff_evidence_ns(const struct engine *e, int ch)
{
    static const enum signal_kind kinds[] = {SIG_I1, SIG_BREAKER_AUX, SIG_THERMAL_LAMP, SIG_ENGINE_SPEED};
    int64_t lag = signals_lag_ns(e, ch, kinds, sizeof kinds / sizeof kinds[0]), supply = supply_lag_ns(e, ch);
    lag = supply > lag ? supply : lag;
    return 2 * SECOND_NS + (lag < time_of(e, TIME_EVIDENCE) ? lag : time_of(e, TIME_EVIDENCE));
}

int64_t shutoff_confirm_ns(const struct engine *e, int ch)
{
    int64_t i2 = signal_lag_ns(e, ch, SIG_I2), u2 = signal_lag_ns(e, ch, SIG_U2);
    return SECOND_NS + 2 * (i2 > u2 ? i2 : u2) + slack_ns(e);
}

/* Below this the unit counts as off; above the meter's zero and far below any current that a run is judged at. */
static double off_threshold_a(const struct engine *e, int ch)
{
    double share = 0.1 * e->channels[ch].run.point.current_a, zero = flow_threshold(e, ch);
    return share > zero ? share : zero;
}

bool shutoff_watch(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct track *t = track_of(e, ch, SIG_I2);
    double limit = off_threshold_a(e, ch);
    struct cycle_figures f;
    if (t->count < 2 || t->value >= limit)
        return false;
    figures_now(e, ch, &f);
    int64_t since = figures_since_ns(e, ch, &f);
    if (since == NEVER_NS || track_stamp(t) <= since)
        return false;
    for (uint64_t n = t->count - 1; n > 0; n--) {
        const struct sample *after = track_sample(t, n), *before = track_sample(t, n - 1);
        if (!before || before->stamp_ns < c->load.closing_ns)
            return false;
        if (before->value < limit)
            continue;
        const struct bench_signal *s = signal_of(e, ch, SIG_I2);
        struct meter_timing timing = meter_timing_of(s);
        c->shutoff = (struct shutoff){.suspect_ns = e->now_ns, .cycle = c->run.cycle};
        c->shutoff.at = edge_locate(&timing, before->stamp_ns, before->half_ns, after->stamp_ns, after->half_ns,
                                    before->value / limit);
        return true;
    }
    return false;
}

bool voltage_doubted(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    double u = track_value(e, ch, SIG_U2), i = track_value(e, ch, SIG_I2);
    int64_t *since = &c->hold_since_ns[INTERLOCK_NONE];
    if (!c->figures.rated_seen || isnan(u) || u > 0.5 || u < -0.5 || !(i > 0.9 * c->run.point.current_a)) {
        *since = NEVER_NS;
        return false;
    }
    if (*since == NEVER_NS)
        *since = e->step_ns;
    if (e->step_ns - *since < time_of(e, TIME_METER_DOUBT) + 2 * signal_lag_ns(e, ch, SIG_U2))
        return false;
    struct event *v = emit_event(e, EVENT_METER_DOUBT, ch);
    v->code = bench_channel_of(e, ch)->signal[SIG_U2];
    (void)text_copy(v->text, sizeof v->text,
                    "the voltage reading vanished while the current flows on: look at the sense leads");
    c->run.meter_doubt = true;
    return true;
}

enum confirmed shutoff_confirm(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    const struct track *i2 = track_of(e, ch, SIG_I2), *u2 = track_of(e, ch, SIG_U2);
    int64_t from = c->shutoff.at.latest_ns + signal_lag_ns(e, ch, SIG_U2);
    if (i2->value >= off_threshold_a(e, ch)) {
        emit_text(e, EVENT_NOTE, ch, "the current was gone for a moment and came back");
        figures_void(e, ch, "the current was interrupted");
        return CONFIRMED_RECOVERED;
    }
    double before = track_mean(u2, c->shutoff.at.earliest_ns - 5 * SECOND_NS, c->shutoff.at.earliest_ns, NULL);
    double after = track_mean(u2, from, e->now_ns, NULL);
    if (before > 2 && after > 0.8 * before && after < 1.2 * before) {
        struct event *v = emit_event(e, EVENT_METER_DOUBT, ch);
        v->code = bench_channel_of(e, ch)->signal[SIG_I2];
        (void)text_copy(v->text, sizeof v->text,
                        "the current reading vanished while the voltage stands: look at the current sensor");
        c->run.meter_doubt = true;
        return CONFIRMED_METER_DOUBT;
    }
    c->shutoff.opened_ns = e->now_ns;
    return CONFIRMED_SHUTOFF;
}

static void tell(struct engine *e, int ch, enum event_kind kind)
{
    struct shutoff *s = &channel_of(e, ch)->shutoff;
    struct event *v = emit_event(e, kind, ch);
    v->code = (int32_t)s->cause;
    v->code2 = (int32_t)s->second;
    v->at_ns = s->at.at_ns;
    v->half_width_ns = s->at.half_width_ns;
    v->value_count = kind == EVENT_SHUTOFF_REVISED ? 3 : 2;
    v->values[0] = s->on_s;
    v->values[1] = s->confidence;
    v->values[2] = (double)s->event_id;
    (void)text_copy(v->text, sizeof v->text, s->evidence);
    s->event_id = v->id;
    channel_of(e, ch)->cause = s->cause;
}

static bool tells_against_unit(const struct cycle_result *r, const struct shutoff *s)
{
    return r->outcome == OUTCOME_SHUTOFF && !cause_is_outside_unit(s->cause) && s->cause != CAUSE_UNKNOWN;
}

/* Keeps the shutoff that the verdict will rest on: the first that tells against the unit, else the first. */
static void remember(struct run *r, const struct shutoff *s, const struct cycle_result *result)
{
    if (r->has_first_shutoff &&
        (tells_against_unit(&r->shutoff_cycle, &r->first_shutoff) || !tells_against_unit(result, s)))
        return;
    r->has_first_shutoff = true;
    r->first_shutoff = *s;
    r->shutoff_cycle = *result;
}

static bool ends_the_run(const struct channel *c)
{
    const struct shutoff *s = &c->shutoff;
    switch (s->cause) {
    case CAUSE_THERMAL_CUTOUT:
    case CAUSE_UNIT_PROTECTION:
    case CAUSE_UNKNOWN:
    case CAUSE_UNIT_FAULT:
        break;
    default:
        return s->second != CAUSE_THERMAL_CUTOUT && s->cause != CAUSE_SWITCHED_OFF;
    }
    /* A screen need not wait where both candidates tell the same of the unit. */
    bool own = s->cause == CAUSE_THERMAL_CUTOUT && (s->second == CAUSE_NONE || s->second == CAUSE_UNIT_FAULT);
    return c->run.rq.procedure == PROCEDURE_SCREEN && own && s->confidence >= 0.8;
}

bool shutoff_settled(struct engine *e, int ch)
{
    if (capture_is_awaited(e, ch) || !ends_the_run(channel_of(e, ch)))
        return false;
    run_finish(e, ch, ENDING_SHUTOFF);
    return true;
}

void shutoff_explain(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct shutoff *s = &c->shutoff;
    struct cycle_result result;
    struct evidence *ev = &e->evidence[ch];
    evidence_gather(e, ch, ev);
    evidence_weigh(ev, s);
    if (load_is_observed(e, ch))
        observed_weigh(e, ch, s);
    peak_let_go(e, ch);
    cycle_close(e, ch, true, &result);
    s->found = true;
    s->on_s = seconds_of(result.figures.conducting.best_ns);
    s->at_rated = result.figures.at_rated;
    if (result.figures.ends > 0)
        s->at = result.figures.first_end;
    s->supply_v = result.supply_v;
    s->last_off_ns = s->opened_ns;
    tell(e, ch, EVENT_SHUTOFF);
    c->run.cutouts++;
    c->cutouts_tonight++;
    estimate_shutoff(e, ch, s);
    remember(&c->run, s, &result);
    if (shutoff_settled(e, ch))
        return;
    c->course = COURSE_RECOVER;
    if (load_is_observed(e, ch))
        observed_after_shutoff(e, ch);
    c->timers[TIMER_PHASE] = e->now_ns + e->bench.limits.recover_cap_ns;
    if (c->load.triggered) /* a first look early: what comes back in seconds was no heat */
        c->timers[TIMER_PROBE] = e->now_ns + time_of(e, TIME_PROBE_FIRST);
}

void shutoff_probe(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (c->course != COURSE_RECOVER)
        return;
    if (c->shutoff.probing) {
        load_probe(e, ch, false);
        c->shutoff.probing = false;
        c->shutoff.last_off_ns = e->now_ns;
        c->timers[TIMER_PROBE] = e->now_ns + time_of(e, TIME_PROBE_EVERY);
        return;
    }
    load_probe(e, ch, true);
    if (!c->load.trigger_on)
        return;
    c->shutoff.probing = true;
    c->shutoff.probe_ns = e->now_ns;
    c->timers[TIMER_PROBE] = e->now_ns + time_of(e, TIME_PROBE_HOLD) + 2 * signal_lag_ns(e, ch, SIG_U2) + slack_ns(e);
}

/* Output present with the load open: against the unit's own no-load voltage where it is known. */
static double live_threshold_v(const struct channel *c)
{
    double u0 = c->run.u0_v;
    return u0 > 5 ? 0.5 * u0 : 5;
}

static bool output_is_back(struct engine *e, int ch, int64_t *earliest_ns, int64_t *latest_ns)
{
    struct channel *c = channel_of(e, ch);
    struct shutoff *s = &c->shutoff;
    const struct track *u2 = track_of(e, ch, SIG_U2), *lamp = track_of(e, ch, SIG_THERMAL_LAMP);
    *earliest_ns = s->last_off_ns;
    if (lamp && contact_is(e, ch, SIG_THERMAL_LAMP, false) && track_most(lamp, s->at.earliest_ns, e->now_ns) >= 0.5) {
        *latest_ns = track_stamp(lamp);
        return true;
    }
    int64_t after = c->load.triggered ? s->probe_ns : s->opened_ns;
    if (!u2 || c->load.phase != LOAD_OPEN || (c->load.triggered && !s->probing) ||
        track_stamp(u2) <= after + signal_lag_ns(e, ch, SIG_U2) + SECOND_NS / 4)
        return false;
    if (u2->value < live_threshold_v(c)) {
        /* An output that is off because nobody holds the torch switch says nothing. */
        if (!c->load.triggered && !(load_is_observed(e, ch) && c->run.rq.point.control != CONTROL_ALWAYS_LIVE))
            s->last_off_ns = track_stamp(u2);
        return false;
    }
    *latest_ns = track_stamp(u2);
    return true;
}

static void revise(struct engine *e, int ch, enum shutoff_cause cause, enum shutoff_cause second, double confidence,
                   const char *because)
{
    struct channel *c = channel_of(e, ch);
    struct shutoff *s = &c->shutoff;
    if (s->cause == cause && s->second == second && s->confidence >= confidence)
        return;
    bool kept = c->run.has_first_shutoff && c->run.first_shutoff.event_id == s->event_id;
    s->cause = cause;
    s->second = second;
    s->confidence = confidence;
    (void)text_append(s->evidence, sizeof s->evidence, "; %s", because);
    tell(e, ch, EVENT_SHUTOFF_REVISED);
    if (kept)
        c->run.first_shutoff = *s;
}

void shutoff_capture(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct shutoff *s = &c->shutoff, again = {0};
    struct evidence *ev = &e->evidence[ch];
    char because[REASON_CAP];
    if (!s->found || !c->run.active)
        return; /* to be weighed with the rest */
    ev->capture = c->capture.look;
    capture_words(&ev->capture, because, sizeof because);
    evidence_weigh(ev, &again);
    switch (ev->capture.shows) {
    case SHOWS_OPEN:
    case SHOWS_SHORT:
        if (again.cause == CAUSE_LOAD_PATH_OPEN || again.cause == CAUSE_LOAD_PATH_SHORT)
            revise(e, ch, again.cause, again.second, again.confidence, because);
        break;
    case SHOWS_TOGETHER:
        if (s->cause == CAUSE_LOAD_PATH_OPEN && s->second == CAUSE_UNIT_PROTECTION)
            revise(e, ch, CAUSE_UNIT_PROTECTION, CAUSE_THERMAL_CUTOUT, 0.6, because);
        else if (again.cause == s->cause && again.second == s->second && again.confidence != s->confidence)
            revise(e, ch, s->cause, s->second, again.confidence, because);
        break;
    case SHOWS_UNCLEAR:
    case SHOWS_NOTHING:
        break;
    }
}

/* What a return of the output by itself settles. upper_s: latest that it can have come, since the shutoff. */
static void revise_by_reset(struct engine *e, int ch, double upper_s)
{
    const struct channel *c = channel_of(e, ch);
    const struct shutoff *s = &c->shutoff;
    char because[96];
    bool soon = upper_s < 60, supply = s->cause == CAUSE_SUPPLY_LOW || s->second == CAUSE_SUPPLY_LOW;
    (void)text_format(because, sizeof because, "it reset by itself after %.1f min", s->reset_s / 60);
    if (s->confidence >= 0.9)
        revise(e, ch, s->cause, s->second, 0.98, because);
    else if (supply && soon)
        revise(e, ch, CAUSE_SUPPLY_LOW, CAUSE_THERMAL_CUTOUT, 0.8, because);
    else if (s->cause == CAUSE_UNIT_PROTECTION || (upper_s < 20 && e->evidence[ch].capture.shows == SHOWS_TOGETHER))
        revise(e, ch, CAUSE_UNIT_PROTECTION, CAUSE_THERMAL_CUTOUT, 0.6, because);
    else if (upper_s < 20) /* too soon for heat: a load that opened unseen, or a protection that lets go */
        revise(e, ch, CAUSE_LOAD_PATH_OPEN, CAUSE_UNIT_PROTECTION, 0.6, because);
    else if (soon)
        revise(e, ch, CAUSE_THERMAL_CUTOUT, CAUSE_UNIT_PROTECTION, 0.8, because);
    else if (s->cause == CAUSE_THERMAL_CUTOUT && !(s->second == CAUSE_SWITCHED_OFF && !c->run.rq.unattended))
        revise(e, ch, CAUSE_THERMAL_CUTOUT, CAUSE_NONE, 0.97, because);
    else /* somebody may have switched it on again */
        revise(e, ch, CAUSE_THERMAL_CUTOUT, CAUSE_SWITCHED_OFF, 0.8, because);
}

/* What a workshop acts on: off early, and slow to cool. Common practice, no published source. */
static void tell_poor_cooling(struct engine *e, int ch, const char *cooling)
{
    const struct channel *c = channel_of(e, ch);
    const struct shutoff *s = &c->shutoff;
    if (s->cause != CAUSE_THERMAL_CUTOUT && s->second != CAUSE_THERMAL_CUTOUT)
        return;
    if (c->run.rq.procedure == PROCEDURE_SURVEY || !(s->on_s > 15 && s->on_s < 0.8 * seconds_of(c->run.rated_on_ns)))
        return;
    emit_text(e, EVENT_FINDING, ch, "off at %.1f min of the rated %.1f min and %s: look at the unit's fan and vents",
              s->on_s / 60, seconds_of(c->run.rated_on_ns) / 60, cooling);
}

bool shutoff_reset_seen(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct shutoff *s = &c->shutoff;
    int64_t earliest, latest;
    if (!output_is_back(e, ch, &earliest, &latest))
        return false;
    bool kept = c->run.has_first_shutoff && c->run.first_shutoff.event_id == s->event_id;
    s->reset_seen = true;
    s->reset_s = seconds_of(earliest + (latest - earliest) / 2 - s->at.at_ns);
    s->reset_half_s = seconds_of((latest - earliest) / 2 + s->at.half_width_ns);
    struct event *v = emit_event(e, EVENT_RESET_SEEN, ch);
    v->value_count = 2;
    v->values[0] = s->reset_s;
    v->values[1] = s->reset_half_s;
    v->at_ns = latest;
    if (observed_reset_tells(e, ch))
        revise_by_reset(e, ch, seconds_of(latest - s->at.at_ns));
    if (s->reset_s > SLOW_RESET_S)
        tell_poor_cooling(e, ch, "slow to cool");
    if (kept)
        c->run.first_shutoff = *s;
    if (c->run.cutouts <= CAPABILITY_MAX && c->run.cutouts > 0)
        c->run.cutout_cycles[c->run.cutouts - 1] = (struct cutout_cycle){s->on_s, s->reset_s};
    return true;
}

void shutoff_never_reset(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct shutoff *s = &c->shutoff;
    char because[96];
    if (!observed_reset_tells(e, ch))
        return;
    (void)text_format(because, sizeof because, "no reset within %.0f min",
                      seconds_of(e->bench.limits.recover_cap_ns) / 60);
    if (s->cause == CAUSE_THERMAL_CUTOUT && s->second == CAUSE_SWITCHED_OFF)
        revise(e, ch, CAUSE_SWITCHED_OFF, CAUSE_THERMAL_CUTOUT, 0.5, because);
    else if (s->cause == CAUSE_THERMAL_CUTOUT)
        revise(e, ch, CAUSE_UNIT_FAULT, CAUSE_THERMAL_CUTOUT, 0.6, because);
    else if (s->cause == CAUSE_UNIT_PROTECTION)
        revise(e, ch, CAUSE_UNIT_FAULT, CAUSE_UNIT_PROTECTION, 0.5, because);
    else
        revise(e, ch, s->cause, s->second, 0.4, because);
    tell_poor_cooling(e, ch, "not back in that time");
}

void shutoff_operator_note(struct engine *e, int ch, const char *text)
{
    struct channel *c = channel_of(e, ch);
    if (c->run.active && c->shutoff.found)
        (void)text_append(c->shutoff.evidence, sizeof c->shutoff.evidence, "; operator: %.80s", text);
    emit_text(e, EVENT_NOTE, ch, "%.250s", text);
}
