/* The books of a cycle: its figures, whether it counts, and the drift from cycle to cycle. */
#include <math.h>

#include "emit.h"
#include "error.h"
#include "figures.h"
#include "observed.h"
#include "procedure.h"
#include "supply_seen.h"
#include "survey_run.h"
#include "track.h"
#include "trim.h"

static void add_drift_point(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    double t = track_value(e, ch, SIG_T_EXHAUST);
    if (isnan(t))
        t = track_value(e, ch, SIG_T_CASE);
    double intake = track_value(e, ch, SIG_T_INTAKE);
    if (isnan(t) || isnan(intake))
        return;
    struct error err;
    (void)drift_add(&r->drift_points, e->now_ns, t - intake);
    const struct bench_limits *l = &e->bench.limits;
    if (drift_find(&r->drift_points, l->drift_window_ns, 0.1, COVERAGE_90, &r->drift, &err) != 0)
        return;
    r->drift_known = true;
    bool was = r->at_equilibrium;
    r->at_equilibrium = drift_is_equilibrium(&r->drift, l->drift_window_ns, l->drift_limit_k_per_h);
    if (r->at_equilibrium == was)
        return;
    if (!r->at_equilibrium) {
        emit_text(e, EVENT_NOTE, ch, "no longer in equilibrium: up to %.1f K/h", r->drift.high_k_per_h);
        return;
    }
    struct event *v = emit_event(e, EVENT_EQUILIBRIUM, ch);
    v->value_count = 2;
    v->values[0] = r->drift.slope_k_per_h;
    v->values[1] = r->drift.high_k_per_h;
    (void)text_format(v->text, sizeof v->text, "equilibrium: rise over intake changes by %.2f K/h, at most %.2f K/h",
                      r->drift.slope_k_per_h, r->drift.high_k_per_h);
}

static void tell_cycle(struct engine *e, int ch, const struct cycle_result *r)
{
    struct event *v = emit_event(e, EVENT_CYCLE, ch);
    v->code = r->number;
    v->code2 = r->valid ? 1 : 0;
    v->value_count = EVENT_VALUES_MAX;
    v->values[CYCLE_COMMANDED_S] = load_knows_command(e, ch) ? seconds_of(r->figures.commanded.best_ns) : NAN;
    v->values[CYCLE_CONDUCTING_S] = seconds_of(r->figures.conducting.best_ns);
    v->values[CYCLE_AT_RATED_S] = seconds_of(r->figures.at_rated.best_ns);
    v->values[CYCLE_IN_BAND_S] = seconds_of(r->figures.in_band.best_ns);
    v->values[CYCLE_CURRENT_A] = r->figures.current_a.mean;
    v->values[CYCLE_LOAD_V] = r->figures.voltage_v.mean;
    v->values[CYCLE_SUPPLY_V] = r->supply_v;
    v->values[CYCLE_INTAKE_DEGC] = r->intake_degc;
    (void)text_copy(v->text, sizeof v->text, r->void_text);
}

/* Void for the supply: by the mean of the part, and by the worst stretch of it. */
static void check_cycle_supply(struct engine *e, int ch, const struct cycle_result *r)
{
    const struct rating_point *p = &channel_of(e, ch)->run.rq.point;
    const struct bench_limits *l = &e->bench.limits;
    char text[REASON_CAP];
    double off = supply_off_pct(r->supply_worst_v, p);
    if (off > l->u1_void_pct || off < -l->u1_void_pct) {
        (void)text_format(text, sizeof text, "supply (%s) %+.1f %% off the rated %.0f V",
                          signal_kind_name(r->supply_where), off, p->supply_v);
        figures_void(e, ch, text);
    }
    if (supply_was_out(e, r)) {
        (void)text_format(text, sizeof text, "supply (%s) %+.1f %% off the rated %.0f V for %.0f s",
                          signal_kind_name(r->supply_out_where), supply_off_pct(r->supply_out_v, p), p->supply_v,
                          seconds_of(r->supply_out_ns));
        figures_void(e, ch, text);
    }
}

/* Void for what the figures show: conditions of the test, not the unit's doing. */
static void check_cycle_conditions(struct engine *e, int ch, const struct cycle_result *r)
{
    check_cycle_supply(e, ch, r);
    if (r->figures.ends > 1)
        figures_void(e, ch, "the current was interrupted");
    if (r->figures.unseen_ns > 2 * SECOND_NS + 4 * signal_lag_ns(e, ch, SIG_I2))
        figures_void(e, ch, "the current was not seen for part of the time");
}

/* The bench did not keep the load on for long enough to be sure. */
static void void_for_time(struct engine *e, int ch, const struct cycle_result *r, int64_t rated_ns, double u_s)
{
    char text[REASON_CAP];
    (void)text_format(text, sizeof text, "%.1f s at rated current, U %.1f s, is not surely the rated %.0f s",
                      seconds_of(r->figures.at_rated.best_ns), u_s, seconds_of(rated_ns));
    figures_void(e, ch, text);
}

void cycle_close(struct engine *e, int ch, bool shutoff, struct cycle_result *r)
{
    struct channel *c = channel_of(e, ch);
    struct run *run = &c->run;
    *r = (struct cycle_result){.number = run->cycle};
    figures_close(e, ch, e->now_ns, r);
    double u_s = figures_time_uncertainty_s(&r->figures);
    int64_t rated = run->rated_on_ns;
    if (run_is_continuous(
            run)) /* no pause in which a shutoff would be allowed; a hold has the edges of its first cycle */
        rated = shutoff ? NEVER_NS / 2 : run->rated_on_ns - time_of(e, TIME_CYCLE);
    r->outcome =
        hold_outcome(r->figures.at_rated.low_ns, r->figures.at_rated.high_ns, rated, (int64_t)(u_s * 1e9), shutoff);
    r->after_heavier = run->observed.heavier;
    if (run->observed.begin_unseen && r->outcome == OUTCOME_SHUTOFF)
        r->outcome = OUTCOME_UNCLEAR; /* what went before the record may make up what is missing */
    check_cycle_conditions(e, ch, r);
    if (!shutoff && r->outcome != OUTCOME_HOLD && !run_is_past_rating(run))
        void_for_time(e, ch, r, rated, u_s);
    r->valid = !c->figures.is_void;
    (void)text_copy(r->void_text, sizeof r->void_text, c->figures.is_void ? c->figures.void_text : "");
    c->figures.running = run_is_continuous(run) && !shutoff;
    if (r->valid)
        run->cycles_valid++;
    else
        run->cycles_void++;
    run->last = *r;
    run->has_last = true;
    if (r->valid && !shutoff) {
        run->deciding = *r;
        run->has_deciding = true;
        if (r->outcome != OUTCOME_HOLD)
            run->all_held = false;
    } else if (!shutoff) {
        run->all_held = false;
    }
    tell_cycle(e, ch, r);
    if (!shutoff) {
        trim_learn(e, ch, r);
        if (run->rq.procedure != PROCEDURE_SURVEY)
            add_drift_point(e, ch);
    }
}
