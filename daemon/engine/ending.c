/* How runs end. */
#include "attribute.h"
#include "emit.h"
#include "error.h"
#include "estimate.h"
#include "figures.h"
#include "judge.h"
#include "load.h"
#include "procedure.h"
#include "remote.h"

static void stop_timers(struct channel *c)
{
    c->timers[TIMER_PHASE] = NEVER_NS;
    c->timers[TIMER_SHUTOFF] = NEVER_NS;
    c->timers[TIMER_PROBE] = NEVER_NS;
}

static void tell_finding(struct engine *e, int ch, const struct verdict *v)
{
    if (v->finding[0] != '\0')
        emit_text(e, EVENT_FINDING, ch, "%.250s", v->finding);
}

void run_finish(struct engine *e, int ch, enum ending ending)
{
    struct channel *c = channel_of(e, ch);
    if (!c->run.active)
        return;
    stop_timers(c);
    remote_safe(e, ch);
    struct verdict *v = emit_verdict(e);
    judge_run(e, ch, ending, v);
    tell_finding(e, ch, v);
    estimate_conclude(e, ch);
    struct event *said = emit_event(e, EVENT_VERDICT, ch);
    said->code = (int32_t)v->kind;
    said->code2 = (int32_t)v->basis;
    (void)text_copy(said->text, sizeof said->text, v->reason);
    struct event *end = emit_event(e, EVENT_RUN_END, ch);
    end->code = (int32_t)v->kind;
    (void)text_copy(end->text, sizeof end->text, v->reason);
    c->verdict = v->kind;
    c->cause = v->cause;
    c->course = COURSE_NONE;
    c->figures.running = false;
    if (c->load.phase != LOAD_OPEN)
        load_open(e, ch, true);
    c->run.active = false;
    if (c->end_request != 0)
        emit_answer(e, c->end_request, 2, "ended: %.200s", v->reason);
    c->end_request = 0;
    if (c->latched == INTERLOCK_NONE)
        set_state(e, ch, STATE_DONE);
    emit_notify(e, ch, NOTIFY_MORNING, "%.47s on %.47s: %.140s", c->run.rq.serial, e->bench.channels[ch].name,
                v->reason);
}

void run_cut_short(struct engine *e, int ch, enum shutoff_cause cause, const char *text)
{
    struct channel *c = channel_of(e, ch);
    if (!c->run.active)
        return;
    c->run.ending_cause = cause;
    (void)text_copy(c->run.ending_text, sizeof c->run.ending_text, text);
    if (c->figures.running && c->course != COURSE_ENDING) {
        struct cycle_result result;
        figures_void(e, ch, text);
        cycle_close(e, ch, false, &result);
    }
    run_finish(e, ch, ENDING_CUT_SHORT);
}

void run_end_soon(struct engine *e, int ch, enum shutoff_cause cause, const char *text)
{
    struct channel *c = channel_of(e, ch);
    if (!c->run.active || c->course == COURSE_ENDING)
        return;
    stop_timers(c);
    if (c->load.trigger_on && c->load.phase == LOAD_OPEN)
        load_probe(e, ch, false);
    if (c->load.phase == LOAD_OPEN) {
        run_cut_short(e, ch, cause, text);
        return;
    }
    c->run.ending_cause = cause;
    (void)text_copy(c->run.ending_text, sizeof c->run.ending_text, text);
    load_open(e, ch, false);
    if (c->figures.running) {
        struct cycle_result result;
        figures_void(e, ch, text);
        cycle_close(e, ch, false, &result);
    }
    c->course = COURSE_ENDING;
}
