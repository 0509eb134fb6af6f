#include "placing.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "procedure.h"
#include "stagger.h"
#include "stagger_plan.h"

/* How late a begin may be for its place (the plan counts on-load parts that much longer), and how long a run waits. */
enum { LATE_S = 5, WAIT_MAX_S = 12 * 3600, LOOK_AGAIN_S = 600 };

/* How long a plan may take. Bench time: a virtual bench that runs fast has the worker's real time against it. */
static int64_t patience_ns(const struct engine *e)
{
    return (int64_t)(2e9 * (e->bench.rate > 1 ? e->bench.rate / 4 + 1 : 1));
}

bool placing_lets_begin(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    if (r->cycle > 0 || r->rq.procedure == PROCEDURE_SURVEY) /* a survey comes and goes as its operator does */
        return true;
    bool in_time = r->place == PLACE_GIVEN && e->now_ns <= r->place_ns + LATE_S * SECOND_NS;
    if (in_time && e->now_ns >= r->place_ns)
        return true;
    if (!in_time && !stagger_shares(e, ch)) {
        r->place = PLACE_NONE;
        return true;
    }
    if (in_time) {
        c->timers[TIMER_PHASE] = r->place_ns;
        return false;
    }
    if (r->place != PLACE_WAITS) {
        r->place = PLACE_WANTED;
        (void)text_copy(c->doing, sizeof c->doing, "waiting for its place among the other channels' cycles");
    }
    c->timers[TIMER_PHASE] = NEVER_NS; /* placing_run sees to it */
    return false;
}

/* ---- places ---- */

static void give(struct engine *e, int ch, const struct stagger_place *p, const struct stagger_plan *plan, int others)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    bool waited = r->place == PLACE_WAITS;
    if (!p->placed) {
        r->place = PLACE_WAITS;
        (void)text_format(
            c->doing, sizeof c->doing,
            "waiting, number %d: no room in bank or circuit beside the other channels, whatever the shift", p->turn);
        if (!waited || r->turn != p->turn)
            emit_text(e, EVENT_NOTE, ch, "%s", c->doing);
        r->turn = p->turn;
        return;
    }
    int64_t at_ns = e->stagger.zero_ns + p->offset_ms * 1000000;
    bool moved = r->place != PLACE_GIVEN || r->place_ns != at_ns;
    r->place = PLACE_GIVEN;
    r->place_ns = at_ns;
    r->turn = 0;
    c->timers[TIMER_PHASE] = at_ns;
    (void)text_format(
        c->doing, sizeof c->doing, "waiting %.0f s for its place: then %d channels peak at %.1f kW, at once at %.1f kW",
        seconds_of(at_ns - e->now_ns), others, (double)plan->peak_mw / 1e6, (double)plan->together_mw / 1e6);
    if (moved)
        emit_text(e, EVENT_NOTE, ch, "%s", c->doing);
}

static void apply(struct engine *e, const struct stagger_job *job, const struct stagger_plan *plan)
{
    for (int i = 0; i < job->count; i++)
        if (job->items[i].kind != STAGGER_FIXED)
            give(e, job->items[i].channel, &plan->places[i], plan, job->count - plan->waiting);
}

/* The question as it is now. Runs that were not asked about stay out of it, and want a place still. */
static void job_now(const struct engine *e, const struct input_worker *answer, struct stagger_job *job)
{
    int kept;
    stagger_job_begin(e, job);
    stagger_job_under_way(e, job, e->stagger.zero_ns);
    kept = job->count;
    stagger_job_new(e, job, false);
    for (int i = kept; i < job->count; i++)
        if (!answer || !isnan(answer->values[job->items[i].channel]))
            job->items[kept++] = job->items[i];
    job->count = kept;
}

/* Without the worker: one after the other, within the limits. */
static void do_without(struct engine *e, const char *why)
{
    struct stagger_job job;
    struct stagger_plan plan;
    e->stagger.job = 0;
    emit_text(e, EVENT_NOTE, -1, "%s: the channels are placed one after the other", why);
    job_now(e, NULL, &job);
    stagger_plan_in_turn(&job, &plan);
    apply(e, &job, &plan);
}

void placing_take(struct engine *e, const struct input_worker *answer)
{
    struct stagger_job job;
    struct stagger_plan plan;
    if (e->stagger.job == 0 || answer->job != e->stagger.job)
        return;
    if (answer->status != JOB_HOLDS) {
        do_without(e, "the worker made no plan of the channels' cycles");
        return;
    }
    job_now(e, answer, &job);
    if (!stagger_plan_from_values(&job, answer->values, &plan) || !stagger_plan_holds(&job, &plan)) {
        do_without(e, "the worker's plan of the channels' cycles breaks a limit as things are now");
        return;
    }
    e->stagger.job = 0;
    apply(e, &job, &plan);
}

/* ---- when to ask ---- */

/* What stands in the way of those that wait: another figure when that has changed. */
static uint64_t load_key(const struct engine *e)
{
    uint64_t key = UINT64_C(14695981039346656037);
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct run *r = &e->channels[ch].run;
        if (r->active && !stagger_is_new(e, r))
            key = (key ^ ((uint64_t)r->rq.run_no * 64 + (uint64_t)ch)) * UINT64_C(1099511628211);
    }
    return key;
}

static void ask(struct engine *e)
{
    struct stagger_state *s = &e->stagger;
    struct stagger_job *job = &e->out->stagger_job;
    struct command *c = emit_command(e, COMMAND_WORKER, -1, -1);
    c->code = JOB_STAGGER;
    s->job = c->number;
    s->due_ns = e->now_ns + patience_ns(e);
    s->zero_ns = s->due_ns + SECOND_NS;
    s->asked_key = load_key(e);
    s->again_ns = e->now_ns + LOOK_AGAIN_S * SECOND_NS;
    job_now(e, NULL, job);
}

void placing_run(struct engine *e)
{
    struct stagger_state *s = &e->stagger;
    bool wanted = false, waits = false;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct run *r = &channel_of(e, ch)->run;
        if (!r->active || r->cycle > 0)
            continue;
        wanted = wanted || r->place == PLACE_WANTED;
        if (r->place == PLACE_WAITS && e->now_ns - r->begin_ns > WAIT_MAX_S * SECOND_NS) {
            run_cut_short(e, ch, CAUSE_BENCH_INTERLOCK, "no room in bank or circuit within twelve hours");
            set_state(e, ch, STATE_DONE);
        }
        waits = waits || r->place == PLACE_WAITS;
    }
    s->any_waits = waits;
    if (s->job != 0 && e->now_ns >= s->due_ns)
        do_without(e, "no plan of the channels' cycles came in time");
    else if (s->job == 0 && (wanted || (waits && (load_key(e) != s->asked_key || e->now_ns >= s->again_ns))))
        ask(e);
}

int64_t placing_next_ns(const struct engine *e)
{
    const struct stagger_state *s = &e->stagger;
    if (s->job != 0)
        return s->due_ns;
    return s->any_waits ? s->again_ns : NEVER_NS;
}
