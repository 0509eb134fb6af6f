#include "observed.h"

#include <math.h>

#include "attribute.h"
#include "emit.h"
#include "error.h"
#include "estimate.h"
#include "figures.h"
#include "judge.h"
#include "load.h"
#include "onload.h"
#include "procedure.h"
#include "survey_run.h"
#include "track.h"

/* While no current flows the books begin anew this often, so that gaps in a pause are not gaps in the on-load part. */
static const int64_t renew_ns = 10 * SECOND_NS;

bool load_is_observed(const struct engine *e, int ch)
{
    return bench_channel_of(e, ch)->load.kind == LOAD_OBSERVED;
}

bool load_knows_command(const struct engine *e, int ch)
{
    return !load_is_observed(e, ch) || bench_channel_of(e, ch)->load.feedback_signal >= 0;
}

static int64_t lag_ns(const struct engine *e, int ch)
{
    return 2 * SECOND_NS + 2 * signal_lag_ns(e, ch, SIG_I2) + 2 * signal_lag_ns(e, ch, SIG_U2);
}

static void wait_for_current(struct engine *e, int ch, enum course course)
{
    struct channel *c = channel_of(e, ch);
    c->course = course;
    c->timers[TIMER_PHASE] = NEVER_NS;
    c->load.phase = LOAD_OPEN;
    if (!c->figures.running)
        (void)figures_begin(e, ch, e->now_ns);
    c->run.observed.renewed_ns = e->now_ns;
}

void observed_begin(struct engine *e, int ch)
{
    wait_for_current(e, ch, COURSE_READY);
    set_state(e, ch, STATE_PAUSE);
}

/* No-load voltage of a unit that is live while no current flows: what a later rise is held against. */
static void learn_no_load_voltage(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    double u = track_value(e, ch, SIG_U2), i = track_value(e, ch, SIG_I2);
    if (r->live_told || !(u > 1.3 * r->point.voltage_v) || !(i < flow_threshold(e, ch)))
        return;
    r->live_told = true;
    r->u0_v = u;
    struct event *v = emit_event(e, EVENT_UNIT_LIVE, ch);
    v->value_count = 1;
    v->values[0] = u;
    (void)text_format(v->text, sizeof v->text, "output present: %.1f V with no current flowing", u);
}

/* How the unit stood when current first flowed. */
static void first_part(struct engine *e, int ch, const struct cycle_figures *f, int64_t since_ns)
{
    struct run *r = &channel_of(e, ch)->run;
    char why[REASON_CAP];
    enum start_condition stated = r->start;
    r->begin_ns = since_ns;
    r->start = judge_start(e, ch, &r->rq, why, sizeof why);
    if (r->start != stated)
        emit_text(e, EVENT_NOTE, ch, "start %s: %.150s", start_condition_name(r->start), why);
    r->observed.begin_unseen = !f->began || f->begin.earliest_ns <= channel_of(e, ch)->figures.cycle.begin_ns;
    if (r->observed.begin_unseen)
        emit_text(e, EVENT_NOTE, ch,
                  "the record begins on-load: since when the current flowed is not known, times are at least what they "
                  "are here");
}

/* Pause before this part, and whether what went before was heavier than the rating's own cycle. */
static void take_pause(struct engine *e, int ch, int64_t since_ns)
{
    struct run *r = &channel_of(e, ch)->run;
    double pause = seconds_of(since_ns - r->observed.end_ns), planned = seconds_of(r->cycle_ns - r->rated_on_ns);
    r->longest_pause_s = pause > r->longest_pause_s ? pause : r->longest_pause_s;
    if (pause < 0.98 * planned - seconds_of(time_of(e, TIME_CYCLE)))
        r->observed.heavier = true;
    if (pause > planned + seconds_of(time_of(e, TIME_CYCLE)) || pause < planned - seconds_of(time_of(e, TIME_CYCLE)))
        emit_text(e, EVENT_NOTE, ch, "the pause before cycle %d lasted %.0f s instead of %.0f s", r->cycle + 1, pause,
                  planned);
}

static void part_begin(struct engine *e, int ch, const struct cycle_figures *f, int64_t since_ns)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    if (r->cycle == 0)
        first_part(e, ch, f, since_ns);
    else
        take_pause(e, ch, since_ns);
    r->cycle++;
    r->cycle_begin_ns = since_ns;
    struct event *v = emit_event(e, EVENT_CYCLE_BEGIN, ch);
    v->code = r->cycle;
    v->at_ns = since_ns;
    v->half_width_ns = f->began ? f->begin.half_width_ns : 0;
    c->load.phase = LOAD_ON;
    c->load.closing_ns = c->load.commanded_on_ns = f->began ? f->begin.earliest_ns : since_ns;
    c->shutoff = (struct shutoff){0};
    c->course = COURSE_PART;
    if (run_is_continuous(r))
        c->timers[TIMER_PHASE] = r->cycle_begin_ns + r->cycle_ns;
    set_state(e, ch, STATE_ON_LOAD);
}

static void look_for_current(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct cycle_figures f;
    figures_now(e, ch, &f);
    int64_t since = figures_since_ns(e, ch, &f);
    if (since != NEVER_NS && cycle_conducting(&c->figures.cycle) == RANGE_INSIDE) {
        part_begin(e, ch, &f, since);
        return;
    }
    learn_no_load_voltage(e, ch);
    if (since != NEVER_NS || e->now_ns - c->run.observed.renewed_ns < renew_ns + lag_ns(e, ch))
        return;
    c->run.observed.renewed_ns = e->now_ns;
    (void)figures_begin(e, ch, e->now_ns - lag_ns(e, ch));
}

/* Commanded on and off, where the record has it. */
static void take_feedback(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    int s = bench_channel_of(e, ch)->load.feedback_signal;
    uint32_t mask;
    if (!load_feedback(e, ch, LONG_AGO_NS, &mask) || (mask != 0) == c->run.observed.closed)
        return;
    c->run.observed.closed = mask != 0;
    figures_commanded(e, ch, track_stamp(&e->tracks[s]), mask != 0);
}

static void poll_part(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct cycle_figures f;
    if (onload_stopped(e, ch))
        return;
    if (run_is_continuous(&c->run) && c->timers[TIMER_PHASE] == NEVER_NS)
        c->timers[TIMER_PHASE] = c->run.cycle_begin_ns + c->run.cycle_ns;
    figures_now(e, ch, &f);
    onload_look(e, ch, &f);
}

void observed_poll(struct engine *e, int ch)
{
    const struct channel *c = &e->channels[ch];
    if (!c->run.active)
        return;
    take_feedback(e, ch);
    switch (c->course) {
    case COURSE_READY:
    case COURSE_PAUSE:
        look_for_current(e, ch);
        break;
    case COURSE_PART:
        poll_part(e, ch);
        break;
    case COURSE_PART_OPEN: /* of a 100 % point that has done its time */
        run_finish(e, ch, ENDING_COMPLETE);
        break;
    case COURSE_RECOVER:
        if (shutoff_reset_seen(e, ch))
            procedure_after_recovery(e, ch, true);
        break;
    case COURSE_ENDING:
        run_finish(e, ch, c->run.never_text[0] ? ENDING_NEVER_REACHED : ENDING_CUT_SHORT);
        break;
    default:
        break;
    }
}

/* Has the present on-load part surely been held for its time? */
static bool has_held(struct engine *e, int ch)
{
    const struct run *r = &e->channels[ch].run;
    struct cycle_figures f;
    figures_now(e, ch, &f);
    int64_t u_ns = (int64_t)(figures_time_uncertainty_s(&f) * 1e9);
    return !run_is_continuous(r) &&
           hold_outcome(f.at_rated.low_ns, f.at_rated.high_ns, r->rated_on_ns, u_ns, false) == OUTCOME_HOLD;
}

/* Books of an on-load part whose time was over. */
static void close_part(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    struct cycle_result result;
    estimate_ask(e, ch);
    cycle_close(e, ch, false, &result);
    r->observed.end_ns = result.figures.ends > 0 ? result.figures.first_end.at_ns : e->now_ns;
    r->observed.begin_unseen = false;
    if (seconds_of(result.figures.conducting.best_ns) >
        1.02 * seconds_of(r->rated_on_ns) + seconds_of(time_of(e, TIME_CYCLE)) + seconds_of(r->guard_ns))
        r->observed.heavier = true;
}

bool observed_plain_end(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (run_is_past_rating(&c->run) || !has_held(e, ch))
        return false;
    close_part(e, ch);
    if (run_is_done(e, &c->run)) {
        run_finish(e, ch, ENDING_COMPLETE);
        return true;
    }
    wait_for_current(e, ch, COURSE_PAUSE);
    set_state(e, ch, STATE_PAUSE);
    return true;
}

enum load_knowledge { LOAD_NOT_KNOWN, LOAD_STAYED_ON, LOAD_WAS_OPENED };

/* Was the load on until the current went? By its contact, where the readings about that moment settle it; else by what
 * somebody states. */
static enum load_knowledge knows_load(const struct engine *e, int ch, const struct shutoff *s)
{
    int signal = bench_channel_of(e, ch)->load.feedback_signal;
    const struct track *t = signal >= 0 ? &e->tracks[signal] : NULL;
    for (uint64_t n = t && t->count > TRACK_CAP ? t->count - TRACK_CAP : 0; t && n < t->count; n++) {
        const struct sample *m = track_sample(t, n);
        if (m->stamp_ns >= s->at.latest_ns - m->half_ns && m->value >= 0.5)
            return LOAD_STAYED_ON;
        if (m->stamp_ns < s->at.earliest_ns - 5 * SECOND_NS || m->value >= 0.5)
            continue;
        return m->stamp_ns <= s->at.earliest_ns ? LOAD_WAS_OPENED : LOAD_NOT_KNOWN;
    }
    return e->channels[ch].run.rq.load_held ? LOAD_STAYED_ON : LOAD_NOT_KNOWN;
}

static void doubt(struct shutoff *s, enum shutoff_cause cause, enum shutoff_cause second, double confidence,
                  const char *because)
{
    s->cause = cause;
    s->second = second;
    s->confidence = s->confidence < confidence ? s->confidence : confidence;
    (void)text_append(s->evidence, sizeof s->evidence, "; %s", because);
}

void observed_weigh(struct engine *e, int ch, struct shutoff *s)
{
    const struct run *r = &e->channels[ch].run;
    enum load_knowledge load = knows_load(e, ch, s);
    struct cycle_figures f;
    if (cause_is_outside_unit(s->cause) && s->cause != CAUSE_LOAD_PATH_OPEN && s->cause != CAUSE_SWITCHED_OFF)
        return; /* seen at the supply, or in the load path before the current went */
    if (load == LOAD_STAYED_ON || (s->confidence > 0.96 && s->cause != CAUSE_LOAD_PATH_OPEN))
        return;
    figures_now(e, ch, &f);
    bool time_over = f.at_rated.high_ns >= r->rated_on_ns - time_of(e, TIME_CYCLE) && !run_is_continuous(r);
    if (load == LOAD_WAS_OPENED) {
        doubt(s, CAUSE_OPERATOR, CAUSE_NONE, 0.95, "the load's contact opened before the current went");
    } else if (s->cause == CAUSE_LOAD_PATH_OPEN) {
        doubt(s, CAUSE_OPERATOR, CAUSE_LOAD_PATH_OPEN, 0.6, "so does a load that somebody opens");
    } else if (time_over) {
        doubt(s, CAUSE_OPERATOR, CAUSE_THERMAL_CUTOUT, 0.5,
              "its time was nearly over, and nothing says that the load stayed on");
    } else if (s->cause != CAUSE_UNKNOWN) {
        doubt(s, s->cause, CAUSE_OPERATOR, 0.5, "nothing says that the load stayed on until then");
    } else {
        doubt(s, CAUSE_UNKNOWN, s->second, 0.3, "nothing says that the load stayed on until then");
    }
}

void observed_after_shutoff(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    c->run.observed.end_ns = c->shutoff.at.at_ns;
    c->run.observed.begin_unseen = false;
    if (!c->figures.running)
        (void)figures_begin(e, ch, e->now_ns);
}

bool observed_reset_tells(const struct engine *e, int ch)
{
    return !load_is_observed(e, ch) || e->channels[ch].run.rq.load_held;
}

static void finish_confirming(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    c->timers[TIMER_SHUTOFF] = NEVER_NS;
    if (c->course == COURSE_CONFIRM) {
        enum confirmed is = shutoff_confirm(e, ch);
        c->course = is == CONFIRMED_SHUTOFF ? COURSE_EVIDENCE : COURSE_PART;
        if (is == CONFIRMED_SHUTOFF && observed_plain_end(e, ch))
            return;
    }
    if (c->course == COURSE_EVIDENCE) {
        c->load.phase = LOAD_OPEN;
        shutoff_explain(e, ch);
    }
}

/* Does what was seen until here answer what was asked? */
static bool answers(const struct engine *e, const struct run *r, char *why)
{
    double length_s = seconds_of(e->now_ns - r->begin_ns);
    if (!r->has_last)
        return text_copy(why, REASON_CAP, "the record holds no complete on-load part"), false;
    if (r->rq.procedure == PROCEDURE_PROOF && r->rq.cycles != CYCLES_ALL && r->cycles_valid < r->rq.cycles) {
        (void)text_format(why, REASON_CAP, "the record ends after %d of %d cycles", r->cycles_valid, (int)r->rq.cycles);
        return false;
    }
    if (r->rq.procedure == PROCEDURE_SOAK &&
        length_s < seconds_of(r->rq.soak_ns) - seconds_of(time_of(e, TIME_CYCLE))) {
        (void)text_format(why, REASON_CAP, "the record ends after %.0f min of %.0f min", length_s / 60,
                          seconds_of(r->rq.soak_ns) / 60);
        return false;
    }
    return true;
}

static void end_on_load(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (has_held(e, ch)) {
        close_part(e, ch);
        return;
    }
    c->figures.running = false;
    emit_text(e, EVENT_NOTE, ch, "the record ends in the on-load part of cycle %d, which does not count", c->run.cycle);
}

void observed_end(struct engine *e, int ch, const char *text)
{
    struct channel *c = channel_of(e, ch);
    char why[REASON_CAP];
    if (c->course == COURSE_CONFIRM || c->course == COURSE_EVIDENCE)
        finish_confirming(e, ch);
    if (!c->run.active)
        return;
    if (c->course == COURSE_PART)
        end_on_load(e, ch);
    c->figures.running = false;
    c->load.phase = LOAD_OPEN;
    if (c->course == COURSE_RECOVER) {
        run_finish(e, ch, ENDING_SHUTOFF);
        return;
    }
    if (answers(e, &c->run, why)) {
        run_finish(e, ch, ENDING_COMPLETE);
        return;
    }
    c->run.ending_cause = CAUSE_NONE;
    (void)text_format(c->run.ending_text, sizeof c->run.ending_text, "%s%s%.40s",
                      c->course == COURSE_READY ? "no current flows in the whole record" : why, text[0] ? ": " : "",
                      text);
    run_finish(e, ch, ENDING_CUT_SHORT);
}
