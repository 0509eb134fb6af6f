#include "begin_part.h"

#include "capture.h"
#include "emit.h"
#include "error.h"
#include "figures.h"
#include "interlock.h"
#include "load.h"
#include "peak.h"
#include "placing.h"
#include "procedure.h"
#include "remote.h"
#include "renewal.h"
#include "stagger.h"
#include "strike.h"
#include "track.h"
#include "trim.h"

bool part_hindered(struct engine *e, int ch, char *text, size_t cap)
{
    if (interlock_standing(e, ch, text, cap) != INTERLOCK_NONE)
        return true;
    const struct track *fan = track_of(e, ch, SIG_FAN_PROOF);
    if (fan && !contact_is(e, ch, SIG_FAN_PROOF, true))
        return text_copy(text, cap, "the load bank's fan is not seen turning"), true;
    if (contact_is(e, ch, SIG_SUPPLY_OPEN, true))
        return text_copy(text, cap, "the supply contactor of the unit is open"), true;
    if (!journal_lets_begin(e))
        return text_copy(text, cap, "the record is not healthy enough to begin"), true;
    return stagger_hinders(e, ch, text, cap) || remote_hinders(e, ch, text, cap);
}

void part_wait(struct engine *e, int ch, const char *why)
{
    struct channel *c = channel_of(e, ch);
    c->run.tries++;
    enum bench_time which = c->course == COURSE_READY ? TIME_READY : TIME_HINDRANCE;
    if (c->run.tries > time_of(e, which) / SECOND_NS && !stagger_is_waiting(e, ch)) {
        run_cut_short(e, ch, CAUSE_BENCH_INTERLOCK, why);
        set_state(e, ch, STATE_DONE);
        return;
    }
    (void)text_copy(c->doing, sizeof c->doing, why);
    c->timers[TIMER_PHASE] = e->now_ns + SECOND_NS;
}

static bool choose_steps(struct engine *e, int ch)
{
    struct step_choice choice;
    struct error err;
    double setting;
    if (trim_choose(e, ch, &choice, &setting, &err) != 0) {
        char text[REASON_CAP];
        (void)text_format(text, sizeof text, "the load cannot be made: %.120s", err.text);
        run_cut_short(e, ch, CAUSE_BENCH_INTERLOCK, text);
        set_state(e, ch, STATE_DONE);
        return false;
    }
    struct run *r = &channel_of(e, ch)->run;
    if (r->mask != 0 && (r->mask != choice.mask || r->setting != setting)) {
        struct event *v = emit_event(e, EVENT_TRIM, ch);
        v->code = (int32_t)choice.mask;
        v->code2 = (int32_t)r->mask;
        v->value_count = 3;
        v->values[0] = r->point.resistance_ohm;
        v->values[1] = choice.resistance_ohm;
        v->values[2] = choice.resistance_ohm * r->point.current_a;
    }
    r->mask = choice.mask;
    r->setting = setting;
    return true;
}

void cycle_start(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct run *r = &c->run;
    char why[REASON_CAP];
    if (!placing_lets_begin(e, ch))
        return;
    if (part_hindered(e, ch, why, sizeof why)) {
        part_wait(e, ch, why);
        return;
    }
    r->tries = 0;
    if (!choose_steps(e, ch))
        return;
    if (r->cycle > 0 && r->pause_begin_ns > 0) {
        double pause = seconds_of(e->now_ns - r->pause_begin_ns);
        double planned = seconds_of(r->cycle_ns - r->rated_on_ns);
        r->longest_pause_s = pause > r->longest_pause_s ? pause : r->longest_pause_s;
        if (pause > planned + seconds_of(time_of(e, TIME_CYCLE)) && r->has_last && r->last.valid)
            emit_text(e, EVENT_NOTE, ch, "the pause before cycle %d lasted %.0f s instead of %.0f s", r->cycle + 1,
                      pause, planned);
    }
    r->cycle++;
    r->cycle_begin_ns = e->now_ns;
    c->figures.running = false;
    emit_event(e, EVENT_CYCLE_BEGIN, ch)->code = r->cycle;
    c->course = COURSE_PART;
    c->timers[TIMER_PHASE] = NEVER_NS;
    c->shutoff = (struct shutoff){0};
    set_state(e, ch, STATE_ON_LOAD);
    if (!figures_begin(e, ch, e->now_ns)) {
        run_cut_short(e, ch, CAUSE_BENCH_INTERLOCK, "current and voltage of the channel cannot be judged");
        set_state(e, ch, STATE_DONE);
        return;
    }
    capture_arm(e, ch);
    peak_begin(e, ch);
    if (strike_wanted(e, ch, &r->rq))
        strike_begin(e, ch, COURSE_PART);
    else
        load_close(e, ch, r->mask, r->setting);
}

void setting_start(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    char why[REASON_CAP];
    if (part_hindered(e, ch, why, sizeof why)) {
        part_wait(e, ch, why);
        return;
    }
    if (!choose_steps(e, ch))
        return;
    c->course = COURSE_SETTING;
    set_state(e, ch, STATE_SETTING);
    if (strike_wanted(e, ch, &c->run.rq)) {
        strike_begin(e, ch, COURSE_SETTING);
        return;
    }
    load_close(e, ch, c->run.mask, c->run.setting);
    c->timers[TIMER_PHASE] = e->now_ns + e->bench.limits.setting_cap_ns;
}
