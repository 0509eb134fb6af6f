#include "estimate.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "track.h"
#include "worker_job.h"

/* Readings of a thermometer that still belong to the moment of a shutoff, to either side. */
static const int64_t shutoff_window_ns = 5 * SECOND_NS;

/* The case follows the load more slowly, but all of it is the unit's own; the exhaust is the second choice. */
static enum signal_kind temperature_of(struct engine *e, int ch)
{
    return !isnan(track_value(e, ch, SIG_T_CASE)) ? SIG_T_CASE : SIG_T_EXHAUST;
}

static bool cutout_seen(const struct run *r)
{
    return r->has_first_shutoff && r->first_shutoff.cause == CAUSE_THERMAL_CUTOUT &&
           r->first_shutoff.second == CAUSE_NONE && !isnan(r->cutout_degc);
}

/* A fit takes a tenth of a second or two, and what it can say grows with the share that is new: again when the record
 * has grown by half, or when a cut-out has shown where the limit is. */
static bool has_news(const struct run *r, int64_t span_ns)
{
    return span_ns >= r->estimate_span_ns + r->estimate_span_ns / 2 || (cutout_seen(r) && !r->estimate_with_cutout);
}

void estimate_ask(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    enum signal_kind kind = temperature_of(e, ch);
    bool cycles = r->rq.procedure == PROCEDURE_SOAK || r->rq.procedure == PROCEDURE_TO_CUTOUT ||
                  (r->rq.procedure == PROCEDURE_PROOF && r->rq.cycles > 1);
    int64_t span_ns = e->now_ns - r->begin_ns;
    if (!cycles || r->estimate_job != 0 || isnan(track_value(e, ch, kind)) || span_ns < r->cycle_ns ||
        !has_news(r, span_ns))
        return;
    r->estimate_span_ns = span_ns;
    r->estimate_with_cutout = cutout_seen(r);
    struct command *c = emit_command(e, COMMAND_WORKER, ch, -1);
    c->code = JOB_HEAT;
    c->mask = (uint32_t)kind;
    c->until_ns = r->begin_ns;
    c->percent_on = r->rq.point.percent_on;
    c->cycle_s = seconds_of(r->cycle_ns);
    c->value = cutout_seen(r) ? r->cutout_degc : NAN;
    r->estimate_job = c->number;
    r->estimate.asked = true;
}

void estimate_shutoff(struct engine *e, int ch, const struct shutoff *s)
{
    struct run *r = &channel_of(e, ch)->run;
    const struct track *t = track_of(e, ch, temperature_of(e, ch));
    if (!t || r->has_first_shutoff)
        return;
    double most = track_most(t, s->at.at_ns - shutoff_window_ns, s->at.at_ns + shutoff_window_ns);
    r->cutout_degc = isnan(most) ? track_value(e, ch, temperature_of(e, ch)) : most;
}

static const char *why_not(enum job_status status)
{
    switch (status) {
    case JOB_NOT_IDENTIFIABLE:
        return "the record does not yet fix the time constants";
    case JOB_NOT_LINEAR:
        return "the heating does not follow its load and air alone, as with a fan that runs on demand";
    case JOB_REFUSED:
        return "the worker is busy";
    default:
        return "the record is too short, or its temperatures are not good enough";
    }
}

static void put_answer(struct heat_estimate *to, const struct input_worker *a, int64_t now_ns)
{
    const double *v = a->values;
    *to = (struct heat_estimate){.asked = true,
                                 .answered = true,
                                 .status = (enum job_status)a->status,
                                 .equilibrium_degc = v[HEAT_VALUE_EQUILIBRIUM_DEGC],
                                 .equilibrium_u_k = v[HEAT_VALUE_EQUILIBRIUM_U_K],
                                 .here_pct = v[HEAT_VALUE_HERE_PCT],
                                 .here_low_pct = v[HEAT_VALUE_HERE_LOW_PCT],
                                 .here_high_pct = v[HEAT_VALUE_HERE_HIGH_PCT],
                                 .rated_pct = v[HEAT_VALUE_PERCENT_ON],
                                 .rated_low_pct = v[HEAT_VALUE_LOW_PCT],
                                 .rated_high_pct = v[HEAT_VALUE_HIGH_PCT],
                                 .at_least = v[HEAT_VALUE_AT_LEAST] > 0,
                                 .intake_degc = v[HEAT_VALUE_INTAKE_DEGC],
                                 .limit_degc = v[HEAT_VALUE_LIMIT_DEGC],
                                 .at_ns = now_ns};
}

static void tell(struct engine *e, int ch)
{
    const struct heat_estimate *h = &channel_of(e, ch)->run.estimate;
    struct event *v = emit_event(e, EVENT_ESTIMATE, ch);
    v->code = (int32_t)h->status;
    v->code2 = h->at_least;
    if (h->status != JOB_HOLDS) {
        (void)text_format(v->text, sizeof v->text, "no estimate: %s", why_not(h->status));
        return;
    }
    const double values[] = {h->equilibrium_degc, h->equilibrium_u_k, h->here_pct,      h->here_low_pct,
                             h->here_high_pct,    h->rated_pct,       h->rated_low_pct, h->rated_high_pct};
    v->value_count = EVENT_VALUES_MAX;
    for (int i = 0; i < EVENT_VALUES_MAX; i++)
        v->values[i] = values[i];
    (void)text_format(
        v->text, sizeof v->text,
        "estimated: equilibrium at %.0f +/- %.0f degC; percent-on at equilibrium %s%.0f %% (%.0f to %.0f) "
        "at %.0f degC intake, %s%.0f %% (%.0f to %.0f) at 40 degC",
        h->equilibrium_degc, h->equilibrium_u_k, h->at_least ? "at least " : "", h->here_pct, h->here_low_pct,
        h->here_high_pct, h->intake_degc, h->at_least ? "at least " : "", h->rated_pct, h->rated_low_pct,
        h->rated_high_pct);
}

void estimate_take(struct engine *e, const struct input_worker *answer)
{
    int ch = answer->channel;
    if (ch < 0 || ch >= e->bench.channel_count || answer->job == 0)
        return;
    struct run *r = &channel_of(e, ch)->run;
    if (answer->job != r->estimate_job)
        return;
    r->estimate_job = 0;
    bool held = r->estimate.answered && r->estimate.status == JOB_HOLDS;
    bool same_no = r->estimate.answered && (int32_t)r->estimate.status == answer->status;
    /* A refusal takes nothing away from what an earlier fit said; any other answer is the better informed one. */
    if (!r->active || (answer->status == JOB_REFUSED && held))
        return;
    put_answer(&r->estimate, answer, e->now_ns);
    if (answer->status == JOB_HOLDS || !same_no)
        tell(e, ch);
}

void estimate_conclude(struct engine *e, int ch)
{
    const struct heat_estimate *h = &channel_of(e, ch)->run.estimate;
    if (h->answered && h->at_ns != e->now_ns)
        tell(e, ch);
}
