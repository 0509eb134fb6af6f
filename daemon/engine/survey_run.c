#include "survey_run.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "lead.h"
#include "procedure.h"
#include "remote.h"
#include "track.h"
#include "uncertainty.h"

/* Rest between two currents: common practice, no published source. Hot parts are not seen from outside, so there is a
 * time as well as a temperature; without a temperature, the time that counts as cold. */
enum { LOOK_S = 10, RISE_EVERY_S = 300 };

static struct survey_state *survey_of(struct engine *e, int ch)
{
    return &channel_of(e, ch)->run.survey;
}

bool run_is_past_rating(const struct run *r)
{
    return r->rq.procedure == PROCEDURE_TO_CUTOUT || r->rq.procedure == PROCEDURE_SURVEY;
}

static int repeats_of(const struct run_request *rq)
{
    int n = rq->repeats > 0 ? rq->repeats : SURVEY_REPEATS;
    return n < SURVEY_PARTS_MAX ? n : SURVEY_PARTS_MAX;
}

int survey_cutouts(const struct run_request *rq)
{
    return rq->survey_count * repeats_of(rq);
}

static bool nearly_same(double a, double b)
{
    return a < 1.02 * b && b < 1.02 * a;
}

const char *survey_trouble(const struct run_request *rq, const struct rating_point *plate)
{
    if (rq->survey_count < 2 || rq->survey_count > SURVEY_POINTS_MAX)
        return "a survey needs two to eight currents: name them";
    if (!(plate->percent_on > 0) || plate->percent_on > 100)
        return "the rating point makes no sense: percent-on";
    for (int i = 0; i < rq->survey_count; i++) {
        if (!(rq->survey_a[i] > 0) || rq->survey_a[i] > 1.5 * plate->current_a)
            return "a current of a survey must lie above 0 and within 1.5 times the rated one";
        for (int k = 0; k < i; k++)
            if (nearly_same(rq->survey_a[i], rq->survey_a[k]))
                return "two currents of the survey lie within 2 % of each other";
    }
    if (rq->repeats > 0 && rq->repeats < SURVEY_REPEATS_LEAST)
        return "own percent-on needs three cut-outs at each current: the first never counts";
    if (rq->repeats > SURVEY_PARTS_MAX)
        return "a survey takes at most 16 cut-outs at each current";
    return NULL;
}

void survey_prepare(struct run *r)
{
    r->survey = (struct survey_state){.plate = r->rq.point, .start_over_k = NAN, .last_load_ns = LONG_AGO_NS};
    survey_point_at(&r->survey.plate, r->rq.survey_a[0], &r->rq.point);
}

/* Rise of what is seen of the unit over its intake air. */
static double rise_k(struct engine *e, int ch)
{
    double t = track_value(e, ch, SIG_T_EXHAUST);
    if (isnan(t))
        t = track_value(e, ch, SIG_T_CASE);
    return t - track_value(e, ch, SIG_T_INTAKE);
}

static int64_t least_rest_ns(struct engine *e, int ch)
{
    const struct run_request *rq = &channel_of(e, ch)->run.rq;
    if (rq->survey_rest_ns > 0)
        return rq->survey_rest_ns;
    int64_t cold = e->bench.limits.cold_rest_ns;
    return !isnan(rise_k(e, ch)) && time_of(e, TIME_SURVEY_REST) < cold ? time_of(e, TIME_SURVEY_REST) : cold;
}

/* ---- from one current to the next ---- */

static void point_begin(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    struct survey_state *s = &r->survey;
    struct error err;
    survey_point_at(&s->plate, r->rq.survey_a[s->point], &r->rq.point);
    (void)load_point_find(r->rq.point.process, r->rq.point.current_a, r->rq.point.load_voltage_v, &r->point, &err);
    r->rated_on_ns = (int64_t)(seconds_of(r->cycle_ns) * 1e7 * r->rq.point.percent_on);
    r->mask = 0;
    r->temperature_factor = 1;
    r->tries = 0;
    r->pause_begin_ns = 0;
    s->part_count = s->attempts = 0;
    s->amps = s->intake = 0;
    c->advised = 0;
    s->ask_ns = e->now_ns;
    s->at_bench = c->remote.used;
    remote_forget(e, ch);
    c->course = COURSE_AWAIT;
    set_state(e, ch, STATE_PAUSE);
    if (c->remote.used) {
        c->timers[TIMER_PHASE] = e->now_ns + SECOND_NS;
        return;
    }
    c->timers[TIMER_PHASE] = e->now_ns + time_of(e, TIME_SURVEY_WAIT);
    emit_text(e, EVENT_ADVICE, ch,
              "set the unit to %g A: say \"set\" when you stand at the bench, and again when it is",
              r->point.current_a);
    emit_notify(e, ch, NOTIFY_MORNING, "%.47s on %.47s: the survey goes on when the unit is set to %g A", r->rq.serial,
                bench_channel_of(e, ch)->name, r->point.current_a);
}

static void point_next(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    r->survey.point++;
    if (r->survey.point >= r->rq.survey_count)
        run_finish(e, ch, ENDING_COMPLETE);
    else
        point_begin(e, ch);
}

bool survey_at_bench(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (c->course != COURSE_AWAIT || c->run.survey.at_bench)
        return false;
    c->run.survey.at_bench = true;
    c->timers[TIMER_PHASE] = e->now_ns;
    return true;
}

static void end_early(struct engine *e, int ch, const char *why)
{
    (void)text_copy(survey_of(e, ch)->ended, REASON_CAP, why);
    run_finish(e, ch, ENDING_COMPLETE);
}

bool survey_may_set(struct engine *e, int ch)
{
    if (survey_of(e, ch)->at_bench)
        return true;
    end_early(e, ch, "nobody came to set the unit");
    return false;
}

void survey_rest(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    c->run.survey.last_load_ns = e->now_ns;
    c->run.survey.rest_since_ns = e->now_ns;
    c->course = COURSE_BACK;
    c->run.tries = 0;
    set_state(e, ch, STATE_PAUSE);
    c->timers[TIMER_PHASE] = e->now_ns + SECOND_NS;
}

bool survey_is_back(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    struct survey_state *s = &r->survey;
    double over = rise_k(e, ch), x = r->rq.point.percent_on;
    int64_t rested = e->now_ns - s->rest_since_ns, least = least_rest_ns(e, ch);
    if (s->point == 0 && s->taken == 0) /* what setting put in is rested off, as in every run */
        least = x < 100 ? (int64_t)(r->setting_s * (100 - x) / x * 1e9) : SECOND_NS;
    bool same = s->taken == 0 || isnan(over) || isnan(s->start_over_k) ||
                over - s->start_over_k <= e->bench.limits.cold_within_k;
    if (rested >= least && same) {
        if (s->taken == 0)
            s->start_over_k = over;
        return true;
    }
    if (rested > 2 * least && rested > 2 * e->bench.limits.cold_rest_ns) {
        end_early(e, ch, "the unit did not come back to the start of the first current");
        return false;
    }
    if (rested < least)
        (void)text_format(c->doing, sizeof c->doing, "rest before %g A: %.0f min more at least", r->point.current_a,
                          seconds_of(least - rested) / 60);
    else
        (void)text_format(c->doing, sizeof c->doing,
                          "rest before %g A: %.1f K over the intake air, %.1f K at the first start", r->point.current_a,
                          over, s->start_over_k);
    c->timers[TIMER_PHASE] = e->now_ns + LOOK_S * SECOND_NS;
    return false;
}

/* ---- the parts of one current ---- */

void survey_look(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    struct survey_state *s = &r->survey;
    if (s->next_rise_ns < r->cycle_begin_ns) {
        drift_begin(&r->drift_points);
        s->next_rise_ns = r->cycle_begin_ns;
    }
    if (e->now_ns < s->next_rise_ns)
        return;
    (void)drift_add(&r->drift_points, e->now_ns, rise_k(e, ch));
    s->next_rise_ns = e->now_ns + RISE_EVERY_S * SECOND_NS;
}

/* Expanded uncertainty of the current, % of it. */
static double current_pct(const struct engine *e, int ch, double amps)
{
    const struct bench_signal *i2 = signal_of(e, ch, SIG_I2);
    return i2 && amps > 0 ? 100 * uncertainty_expanded(&i2->uncertainty, amps) / amps : 0;
}

static struct event *tell(struct engine *e, int ch, enum survey_outcome outcome, double amps, double intake)
{
    struct survey_state *s = survey_of(e, ch);
    struct event *v = emit_event(e, EVENT_SURVEY_POINT, ch);
    struct error err;
    v->code = s->point + 1;
    v->code2 = (int32_t)outcome;
    v->value_count = EVENT_VALUES_MAX;
    for (int i = 0; i < EVENT_VALUES_MAX; i++)
        v->values[i] = NAN;
    v->values[SURVEY_CURRENT_A] = amps;
    v->values[SURVEY_INTAKE_DEGC] = intake;
    (void)equivalent_percent_on(s->plate.current_a, s->plate.percent_on, amps, &v->values[SURVEY_LAW], &err);
    s->taken++;
    return v;
}

static void tell_own(struct engine *e, int ch)
{
    struct survey_state *s = survey_of(e, ch);
    struct survey_share share;
    struct error err = {{0}};
    int n = s->part_count;
    double amps = n > 0 ? s->amps / n : channel_of(e, ch)->run.point.current_a, intake = n > 0 ? s->intake / n : NAN;
    if (n < SURVEY_REPEATS_LEAST ||
        survey_share_find(s->parts, n, level_of(e, LEVEL_SURVEY), current_pct(e, ch, amps), &share, &err) != 0) {
        struct event *v = tell(e, ch, SURVEY_NOT_SETTLED, amps, intake);
        (void)text_format(v->text, sizeof v->text, "%.1f A: %d cut-outs that count, not settled, no figure", amps, n);
        return;
    }
    struct event *v = tell(e, ch, SURVEY_OWN, amps, intake);
    v->values[SURVEY_PERCENT_ON] = share.percent_on;
    v->values[SURVEY_LOW] = share.low;
    v->values[SURVEY_HIGH] = share.high;
    v->values[SURVEY_ON_S] = share.on_s;
    v->values[SURVEY_RESET_S] = share.reset_s;
    s->mapped++;
    (void)text_format(v->text, sizeof v->text,
                      "%.1f A: own percent-on %.1f %% (%.1f to %.1f %%) by %d settled cut-outs; square law %.1f %%",
                      amps, share.percent_on, share.low, share.high, share.settled, v->values[SURVEY_LAW]);
}

void survey_part_held(struct engine *e, int ch, const struct cycle_result *r)
{
    struct run *run = &channel_of(e, ch)->run;
    const struct bench_limits *l = &e->bench.limits;
    double amps = r->figures.current_a.mean, on_s = seconds_of(r->figures.conducting.best_ns);
    struct error err;
    run->survey.last_load_ns = e->now_ns;
    run->drift_known = drift_find(&run->drift_points, l->drift_window_ns, 0.1, COVERAGE_90, &run->drift, &err) == 0;
    bool level = r->valid && run->drift_known && run->survey.part_count == 0 &&
                 drift_is_equilibrium(&run->drift, l->drift_window_ns, l->drift_limit_k_per_h);
    struct event *v = tell(e, ch, SURVEY_AT_LEAST, amps, r->intake_degc);
    v->values[SURVEY_ON_S] = on_s;
    if (level) {
        run->survey.mapped++;
        v->values[SURVEY_PERCENT_ON] = v->values[SURVEY_LOW] = 100;
        (void)text_format(v->text, sizeof v->text,
                          "%.1f A: no cut-out in %.0f min on-load, at equilibrium: carried continuously", amps,
                          on_s / 60);
    } else {
        (void)text_format(v->text, sizeof v->text,
                          "%.1f A: no cut-out in %.0f min on-load%s: at least that from this start, percent-on not "
                          "bounded",
                          amps, on_s / 60, run->survey.part_count > 0 ? " after earlier ones" : "");
    }
    point_next(e, ch);
}

/* Keeps the part that a cut-out ended. Void ones, and those that something else ended, do not count. */
static void keep_part(struct engine *e, int ch)
{
    const struct channel *c = channel_of(e, ch);
    struct survey_state *s = survey_of(e, ch);
    const struct shutoff *off = &c->shutoff;
    const struct cycle_result *last = &c->run.last;
    if (off->cause != CAUSE_THERMAL_CUTOUT || !off->reset_seen || !last->valid || s->part_count >= SURVEY_PARTS_MAX)
        return;
    double begin_half = last->figures.began ? seconds_of(last->figures.begin.half_width_ns) : 0;
    struct survey_part *p = &s->parts[s->part_count++];
    *p = (struct survey_part){
        .pause_s = s->attempts > 0 ? seconds_of(last->figures.begin.at_ns - s->last_load_ns) : NAN,
        .on_s = off->on_s,
        .on_half_s = begin_half + seconds_of(off->at.half_width_ns),
        .reset_s = off->reset_s,
        .reset_half_s = off->reset_half_s,
    };
    s->amps += last->figures.current_a.mean;
    s->intake += last->intake_degc;
}

bool survey_part_over(struct engine *e, int ch, bool reset_seen)
{
    const struct channel *c = channel_of(e, ch);
    struct survey_state *s = survey_of(e, ch);
    const struct run_request *rq = &c->run.rq;
    keep_part(e, ch);
    s->attempts++;
    s->last_load_ns = c->shutoff.at.at_ns;
    if (!reset_seen) {
        tell_own(e, ch);
        end_early(e, ch, "the unit did not come back after a shutoff");
        return false;
    }
    if (s->part_count < repeats_of(rq) && s->attempts < 2 * repeats_of(rq))
        return true;
    tell_own(e, ch);
    point_next(e, ch);
    return false;
}

void survey_say(const struct run *r, const char *air, char *text, size_t cap)
{
    const struct survey_state *s = &r->survey;
    (void)text_format(text, cap, "a survey maps and does not judge: %d of %d currents taken%s, %d with a figure",
                      s->taken, (int)r->rq.survey_count, air, s->mapped);
    if (s->ended[0] != '\0')
        (void)text_append(text, cap, "; ended early: %s", s->ended);
}
