#include "procedure.h"

#include <math.h>

#include "attribute.h"
#include "begin_part.h"
#include "capture.h"
#include "emit.h"
#include "error.h"
#include "estimate.h"
#include "figures.h"
#include "interlock.h"
#include "judge.h"
#include "load.h"
#include "observed.h"
#include "onload.h"
#include "peak.h"
#include "remote.h"
#include "renewal.h"
#include "strike.h"
#include "survey_run.h"
#include "track.h"
#include "trim.h"

static void phase_in(struct engine *e, int ch, int64_t after_ns)
{
    channel_of(e, ch)->timers[TIMER_PHASE] = e->now_ns + after_ns;
}

void set_state(struct engine *e, int ch, enum channel_state state)
{
    struct channel *c = channel_of(e, ch);
    if (c->state == state)
        return;
    struct event *v = emit_event(e, EVENT_STATE, ch);
    v->code = (int32_t)state;
    v->code2 = (int32_t)c->state;
    c->state = state;
    bool has_fan = bench_channel_of(e, ch)->load.has_bank_fan;
    bool in_use = c->run.active && state != STATE_LOCKED && state != STATE_DONE;
    if (in_use) {
        c->timers[TIMER_FAN] = NEVER_NS;
        if (has_fan && !c->fan_on)
            emit_command(e, COMMAND_FAN, ch, bench_channel_of(e, ch)->load.device)->on = true;
        c->fan_on = true;
    } else if (c->fan_on && c->timers[TIMER_FAN] == NEVER_NS) {
        c->timers[TIMER_FAN] = e->now_ns + e->bench.limits.fan_run_on_ns;
    }
}

bool run_is_continuous(const struct run *r)
{
    return r->rq.point.percent_on >= 100 && r->rq.procedure != PROCEDURE_SURVEY;
}

int64_t on_load_goal_ns(const struct run *r)
{
    if (run_is_past_rating(r) || run_is_continuous(r))
        return NEVER_NS;
    return r->rated_on_ns + r->guard_ns;
}

static int64_t part_cap_ns(const struct engine *e, const struct run *r)
{
    const struct bench_limits *l = &e->bench.limits;
    if (run_is_past_rating(r)) {
        int64_t most = l->max_on_load_ns - 10 * SECOND_NS;
        int64_t cap = r->rq.procedure == PROCEDURE_SURVEY ? most : 2 * r->rated_on_ns;
        cap = r->rq.cap_ns > 0 ? r->rq.cap_ns : cap;
        return cap < most ? cap : most;
    }
    int64_t cap = r->rated_on_ns + r->guard_ns + l->settle_ns[r->rq.point.process] + l->time_ns[TIME_CYCLE];
    return cap < r->cycle_ns - 2 * SECOND_NS ? cap : r->cycle_ns - 2 * SECOND_NS;
}

void run_prepare(const struct engine *e, const struct run_request *rq, struct run *r)
{
    struct error err;
    *r = (struct run){.rq = *rq, .active = true, .begin_ns = e->now_ns, .temperature_factor = 1, .all_held = true};
    if (rq->procedure == PROCEDURE_SURVEY)
        survey_prepare(r);
    const struct rating_point *p = &r->rq.point;
    (void)load_point_find(p->process, p->current_a, p->load_voltage_v, &r->point, &err);
    double cycle_s = p->cycle_s > 0 ? p->cycle_s : 600;
    r->cycle_ns = (int64_t)(cycle_s * 1e9);
    r->rated_on_ns = (int64_t)(cycle_s * 1e7 * p->percent_on);
    r->guard_ns = e->bench.limits.guard_on_load_ns > SECOND_NS ? e->bench.limits.guard_on_load_ns : SECOND_NS;
    r->part_cap_ns = part_cap_ns(e, r);
    r->u0_v = rq->baseline_u0_v;
    r->cutout_degc = NAN;
    drift_begin(&r->drift_points);
}

static void prepare_channel(struct engine *e, int ch, const struct run_request *rq)
{
    struct channel *c = channel_of(e, ch);
    run_prepare(e, rq, &c->run);
    c->shutoff = (struct shutoff){0};
    c->figures.running = false;
    c->verdict = VERDICT_NONE;
    c->cause = CAUSE_NONE;
    c->run_no_shown = rq->run_no;
    c->strike = (struct strike_state){0};
    remote_prepare(e, ch);
    c->advised = 0;
    for (int i = 0; i < INTERLOCK_COUNT_; i++)
        c->hold_since_ns[i] = NEVER_NS;
    for (int i = 0; i < RULES_MAX; i++)
        c->rules[i] = (struct rule_state){.since_ns = NEVER_NS};
    c->load.triggered = rq->point.control != CONTROL_ALWAYS_LIVE && bench_channel_of(e, ch)->load.has_trigger;
}

void run_begin(struct engine *e, int ch, const struct run_request *rq)
{
    struct channel *c = channel_of(e, ch);
    char why[REASON_CAP];
    c->cutouts_tonight = judge_cutouts(e, ch, rq);
    enum start_condition start = judge_start(e, ch, rq, why, sizeof why);
    prepare_channel(e, ch, rq);
    c->run.start = start;
    struct event *v = emit_event(e, EVENT_RUN_START, ch);
    v->code = (int32_t)rq->procedure;
    char point[96];
    rating_point_print(point, sizeof point, &rq->point);
    (void)text_format(v->text, sizeof v->text, "%.47s: %s, %s, start %s", rq->serial, procedure_name(rq->procedure),
                      point, start_condition_name(c->run.start));
    if (load_is_observed(e, ch)) {
        observed_begin(e, ch);
        return;
    }
    c->course = COURSE_READY;
    if (bench_channel_of(e, ch)->load.has_supply_trip)
        emit_command(e, COMMAND_SUPPLY, ch, bench_channel_of(e, ch)->load.device)->on = true;
    c->supply_off = false;
    set_state(e, ch, STATE_PREFLIGHT);
    phase_in(e, ch, SECOND_NS);
}

bool procedure_set(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (survey_at_bench(e, ch))
        return true;
    if (c->course != COURSE_SETTING)
        return false;
    c->run.setting_s = seconds_of(e->now_ns - c->load.since_ns) + c->remote.spent_s;
    c->remote.spent_s = 0;
    c->run.start = START_WARM;
    c->course = COURSE_SET_OPEN;
    c->timers[TIMER_PHASE] = NEVER_NS;
    load_open(e, ch, false);
    return true;
}

/* Rest after setting, so long that setting and rest together are no heavier than the rating. */
static void rest_after_setting(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    double x = c->run.rq.point.percent_on;
    double rest_s = x < 100 ? c->run.setting_s * (100 - x) / x : 1;
    emit_text(e, EVENT_NOTE, ch, "on-load for %.0f s while the unit was set, resting %.0f s", c->run.setting_s, rest_s);
    c->course = COURSE_REST;
    c->run.tries = 0;
    set_state(e, ch, STATE_PAUSE);
    phase_in(e, ch, (int64_t)(rest_s * 1e9) + SECOND_NS);
}

static void part_finish(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    c->course = COURSE_PART_OPEN;
    c->timers[TIMER_PHASE] = NEVER_NS;
    c->run.pause_begin_ns = e->now_ns;
    load_open(e, ch, false);
}

bool run_is_done(const struct engine *e, const struct run *r)
{
    int64_t elapsed = e->now_ns - r->begin_ns;
    int64_t cap = r->rq.soak_cap_ns > 0 ? r->rq.soak_cap_ns : 24 * 3600 * SECOND_NS;
    switch (r->rq.procedure) {
    case PROCEDURE_PROOF:
        return r->cycle >= (r->rq.cycles > 0 ? r->rq.cycles : 1);
    case PROCEDURE_SOAK: {
        bool long_enough = elapsed >= r->rq.soak_ns;
        bool settled = r->at_equilibrium && r->last.valid;
        bool to_equilibrium = r->rq.to_equilibrium || r->rq.soak_ns <= 0;
        return elapsed >= cap || (long_enough && (!to_equilibrium || settled));
    }
    default:
        return true;
    }
}

/* The on-load part is over, its last readings are in: what next? */
static void part_over(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct cycle_result result;
    cycle_close(e, ch, false, &result);
    if (c->run.rq.procedure == PROCEDURE_SURVEY) {
        survey_part_held(e, ch, &result);
        return;
    }
    if (run_is_done(e, &c->run)) {
        run_finish(e, ch, ENDING_COMPLETE);
        return;
    }
    c->course = COURSE_PAUSE;
    c->timers[TIMER_PHASE] = c->run.cycle_begin_ns + c->run.cycle_ns;
}

/* Continuous on-load: the books change at the boundary, the load stays. */
static void continuous_cycle(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct cycle_result result;
    cycle_close(e, ch, false, &result);
    if (run_is_done(e, &c->run)) {
        c->course = COURSE_PART_OPEN;
        load_open(e, ch, false);
        return;
    }
    estimate_ask(e, ch);
    c->run.cycle++;
    c->run.cycle_begin_ns = e->now_ns;
    emit_event(e, EVENT_CYCLE_BEGIN, ch)->code = c->run.cycle;
    (void)figures_begin(e, ch, e->now_ns);
    phase_in(e, ch, c->run.cycle_ns);
}

void procedure_after_recovery(struct engine *e, int ch, bool reset_seen)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    bool more = false;
    if (reset_seen && r->rq.procedure == PROCEDURE_SOAK)
        more = r->rq.go_on_after_cutout && !run_is_done(e, r);
    if (reset_seen && r->rq.procedure == PROCEDURE_TO_CUTOUT)
        more = r->cutouts < (r->rq.repeats > 0 ? r->rq.repeats : 1);
    if (more && r->rq.unattended && e->bench.limits.cutouts_per_night > 0 &&
        c->cutouts_tonight >= e->bench.limits.cutouts_per_night) {
        emit_text(e, EVENT_NOTE, ch, "%d cut-outs this night: no more are provoked", c->cutouts_tonight);
        more = false;
    }
    c->timers[TIMER_PROBE] = NEVER_NS;
    load_probe(e, ch, false);
    bool survey = r->rq.procedure == PROCEDURE_SURVEY;
    if (survey && !survey_part_over(e, ch, reset_seen))
        return;
    if (!survey && !more) {
        run_finish(e, ch, ENDING_SHUTOFF);
        return;
    }
    estimate_ask(e, ch);
    drift_begin(&r->drift_points);
    r->at_equilibrium = false;
    r->pause_begin_ns = 0;
    c->course = COURSE_PAUSE;
    set_state(e, ch, STATE_PAUSE);
    if (load_is_observed(e, ch))
        observed_after_shutoff(e, ch);
    else
        phase_in(e, ch, 5 * SECOND_NS);
}

static void poll_part(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (!load_is_on(c))
        return;
    if (c->timers[TIMER_PHASE] == NEVER_NS)
        c->timers[TIMER_PHASE] = run_is_continuous(&c->run) ? c->run.cycle_begin_ns + c->run.cycle_ns
                                                            : c->load.commanded_on_ns + c->run.part_cap_ns;
    if (onload_stopped(e, ch))
        return;
    struct cycle_figures f;
    figures_now(e, ch, &f);
    onload_look(e, ch, &f);
    if (c->run.rq.procedure == PROCEDURE_SURVEY)
        survey_look(e, ch);
    if (c->course == COURSE_PART && f.at_rated.low_ns >= on_load_goal_ns(&c->run))
        part_finish(e, ch);
}

static void opened_after_part(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (run_is_continuous(&c->run)) {
        run_finish(e, ch, ENDING_COMPLETE);
        return;
    }
    c->course = COURSE_DRAIN;
    estimate_ask(e, ch);
    set_state(e, ch, STATE_PAUSE);
    phase_in(e, ch, SECOND_NS + signal_lag_ns(e, ch, SIG_I2) + signal_lag_ns(e, ch, SIG_U2));
}

/* No-load voltage of a unit whose output is live with the load open. */
static void learn_no_load_voltage(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    double u = track_value(e, ch, SIG_U2);
    if (c->load.triggered || c->run.live_told || !(u > 5) || e->step_ns - c->run.begin_ns < SECOND_NS / 2)
        return;
    c->run.live_told = true;
    c->run.u0_v = u;
    struct event *v = emit_event(e, EVENT_UNIT_LIVE, ch);
    v->value_count = 1;
    v->values[0] = u;
    (void)text_format(v->text, sizeof v->text, "output present: %.1f V before the load closes", u);
}

void procedure_poll(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (load_is_observed(e, ch)) {
        observed_poll(e, ch);
        return;
    }
    switch (c->course) {
    case COURSE_READY:
        learn_no_load_voltage(e, ch);
        break;
    case COURSE_STRIKE:
        strike_poll(e, ch);
        break;
    case COURSE_SETTING:
        if (c->remote.used)
            remote_look(e, ch);
        else
            trim_advise(e, ch);
        break;
    case COURSE_SET_OPEN:
        if (c->load.phase != LOAD_OPEN || remote_again(e, ch))
            break;
        if (c->run.rq.procedure == PROCEDURE_SURVEY)
            survey_rest(e, ch);
        else
            rest_after_setting(e, ch);
        break;
    case COURSE_PART:
        poll_part(e, ch);
        break;
    case COURSE_PART_OPEN:
        if (c->load.phase == LOAD_OPEN)
            opened_after_part(e, ch);
        break;
    case COURSE_RECOVER:
        if (!c->shutoff.reset_seen)
            (void)shutoff_reset_seen(e, ch);
        if (c->shutoff.reset_seen && !capture_is_awaited(e, ch))
            procedure_after_recovery(e, ch, true);
        else if (!c->shutoff.reset_seen)
            (void)shutoff_settled(e, ch);
        break;
    case COURSE_ENDING:
        if (c->load.phase == LOAD_OPEN)
            run_finish(e, ch, c->run.never_text[0] ? ENDING_NEVER_REACHED : ENDING_CUT_SHORT);
        break;
    default:
        break;
    }
}

void procedure_timer(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    switch (c->course) {
    case COURSE_READY:
        if (c->run.rq.setting || c->run.rq.procedure == PROCEDURE_SURVEY)
            setting_start(e, ch);
        else
            cycle_start(e, ch);
        break;
    case COURSE_STRIKE:
        strike_timer(e, ch);
        break;
    case COURSE_SETTING:
        emit_text(e, EVENT_ADVICE, ch, "the unit was not set within %.0f s",
                  seconds_of(e->bench.limits.setting_cap_ns));
        run_end_soon(e, ch, CAUSE_OPERATOR, "the unit was not set in time");
        break;
    case COURSE_AWAIT:
        if (survey_may_set(e, ch))
            setting_start(e, ch);
        break;
    case COURSE_BACK:
        if (survey_is_back(e, ch))
            cycle_start(e, ch);
        break;
    case COURSE_REST:
    case COURSE_PAUSE:
        cycle_start(e, ch);
        break;
    case COURSE_PART:
        if (run_is_continuous(&c->run))
            continuous_cycle(e, ch);
        else
            part_finish(e, ch);
        break;
    case COURSE_DRAIN:
        part_over(e, ch);
        break;
    case COURSE_RECOVER:
        shutoff_never_reset(e, ch);
        procedure_after_recovery(e, ch, false);
        break;
    default:
        break;
    }
}
