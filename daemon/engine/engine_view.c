/* What the engine shows to others: the view, and what the next session has to know. */
#include <math.h>

#include "engine_state.h"
#include "error.h"
#include "figures.h"
#include "load.h"
#include "procedure.h"
#include "queue_expect.h"
#include "renewal.h"
#include "run_queue.h"
#include "strike.h"
#include "supply_seen.h"
#include "survey_run.h"
#include "track.h"

static const char *doing_of(const struct channel *c)
{
    switch (c->course) {
    case COURSE_READY:
        return c->doing[0] ? c->doing : "waiting for fans, signals and supply";
    case COURSE_SETTING:
        if (c->remote.used)
            return "on-load: is the current that of the remote control?";
        return c->run.rq.procedure == PROCEDURE_SURVEY
                   ? "on-load: turn the unit to the current asked for, then say that it is set"
                   : "on-load: turn the unit to its rated current, then say that it is set";
    case COURSE_AWAIT:
        return "go to the bench to set the unit to the next current, and say \"set\" when you stand there";
    case COURSE_BACK:
        return c->doing;
    case COURSE_STRIKE:
        return strike_doing(c);
    case COURSE_SET_OPEN:
    case COURSE_REST:
        return "resting after setting";
    case COURSE_PART:
        return load_is_switching(c) ? "closing" : "on-load";
    case COURSE_CONFIRM:
        return "the current has gone: is it a shutoff?";
    case COURSE_PART_OPEN:
    case COURSE_ENDING:
        return "opening";
    case COURSE_DRAIN:
    case COURSE_PAUSE:
        return c->doing[0] && c->run.tries > 0 ? c->doing : "pause: the unit cools";
    case COURSE_EVIDENCE:
    case COURSE_RECOVER:
        return "shut off: waiting for its reset, leave it switched on";
    case COURSE_NONE:
        break;
    }
    if (c->state == STATE_LOCKED)
        return c->latched_text;
    if (c->state == STATE_RIGGING)
        return c->rigged ? "rigged: may be started" : "being rigged: nothing closes";
    return c->needs_confirm ? "the last session broke off, or the computer slept: look at the bench, then confirm" : "";
}

static void view_channel(struct engine *e, int ch, struct channel_view *v)
{
    const struct channel *c = &e->channels[ch];
    const struct run *r = &c->run;
    *v = (struct channel_view){
        .state = c->state,
        .switching = load_is_switching(c),
        .latched = c->latched,
        .run_no = c->run_no_shown,
        .procedure = r->rq.procedure,
        .point = r->rq.point,
        .cycle = c->run_no_shown ? r->cycle : 0,
        .mask_commanded = c->load.mask,
        .verdict = c->verdict,
        .cause = c->cause,
        .estimate = r->estimate,
        .run_expected_s = NAN,
        .supply_v = NAN,
        .supply_worst_v = NAN,
    };
    (void)load_feedback(e, ch, LONG_AGO_NS, &v->mask_closed);
    if (c->run_no_shown)
        (void)text_copy(v->serial, sizeof v->serial, r->rq.serial);
    if (r->active) {
        struct supply_seen supply = supply_now(e, ch, &r->rq.point);
        v->supply_v = supply.mean;
        v->supply_worst_v = supply.worst;
        v->run_elapsed_s = seconds_of(e->step_ns - r->begin_ns);
        v->run_expected_s = run_expected_s(r);
        v->cycle_elapsed_s = r->cycle > 0 ? seconds_of(e->step_ns - r->cycle_begin_ns) : 0;
        v->on_load_goal_s = seconds_of(run_is_past_rating(r) ? r->part_cap_ns : r->rated_on_ns + r->guard_ns);
        if (c->figures.running) {
            struct cycle_figures f;
            figures_now(e, ch, &f);
            v->on_load_s = seconds_of(f.conducting.best_ns);
        } else if (r->has_last && r->last.number == r->cycle) {
            v->on_load_s = seconds_of(r->last.figures.conducting.best_ns);
        }
    }
    for (int k = 0; k < SIG_KIND_COUNT_; k++) {
        int s = e->bench.channels[ch].signal[k];
        v->values[k] = s >= 0 ? e->tracks[s].value : NAN;
        v->qualities[k] = s < 0 || !e->tracks[s].any ? QUALITY_STALE : e->tracks[s].quality;
        if (s >= 0 && v->qualities[k] == QUALITY_GOOD && track_is_lost(e, s))
            v->qualities[k] = QUALITY_STALE;
    }
    (void)text_copy(v->doing, sizeof v->doing, doing_of(c));
}

void engine_view(const struct engine *engine, struct bench_view *view)
{
    /* Ages are looked up by code that the step uses too; nothing is written. */
    struct engine *e = (struct engine *)(uintptr_t)engine;
    view->now_ns = e->step_ns;
    view->utc_ns = e->booted ? utc_of(e, e->step_ns) : 0;
    queue_view(e, view);
    view->channel_count = e->bench.channel_count;
    view->device_count = e->bench.device_count;
    view->circuit_count = e->bench.circuit_count;
    view->journal_healthy = journal_lets_begin(e);
    view->live = false;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        view_channel(e, ch, &view->channels[ch]);
        view->live = view->live || e->channels[ch].load.phase != LOAD_OPEN || e->channels[ch].load.trigger_on ||
                     view->channels[ch].mask_closed != 0;
    }
    for (int i = 0; i < e->bench.circuit_count; i++)
        view->circuit_heat[i] = e->circuits[i].heat;
    for (int d = 0; d < e->bench.device_count; d++)
        view->devices[d] = (struct device_view){
            .up = e->devices[d].up,
            .watchdog_proved = e->devices[d].proved,
            .beat_stopped = e->devices[d].beat_stopped,
            .lease_until_ns = e->devices[d].lease_until_ns > 0 ? e->devices[d].lease_until_ns : 0,
        };
}

void engine_carry(const struct engine *e, struct input_boot *boot)
{
    int64_t utc = e->booted ? utc_of(e, e->step_ns) : 0;
    boot->channel_count = e->bench.channel_count;
    boot->device_count = e->bench.device_count;
    boot->circuit_count = e->bench.circuit_count;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct channel *c = &e->channels[ch];
        boot->channels[ch] = (struct carry_channel){
            .last_load_utc_ns = c->load.phase != LOAD_OPEN ? utc : c->last_load_utc_ns,
            .latched = c->latched,
            .cutouts_tonight = c->cutouts_tonight,
        };
    }
    boot->queue_waiting = e->queue.count;
    for (int d = 0; d < e->bench.device_count; d++)
        boot->devices[d] = (struct carry_device){
            .watchdog_proved_utc_ns = e->devices[d].proved ? e->devices[d].proved_utc_ns : 0,
            .watchdog_took_ns = e->devices[d].proved_took_ns,
            .power_up_count = e->devices[d].proved_count,
        };
    for (int i = 0; i < e->bench.circuit_count; i++)
        boot->circuits[i] = (struct carry_circuit){
            .heat = e->circuits[i].heat,
            .at_utc_ns = e->booted ? utc_of(e, e->circuits[i].at_ns > 0 ? e->circuits[i].at_ns : e->step_ns) : 0,
        };
}
