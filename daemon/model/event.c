#include "event.h"

#include <stddef.h>

static const char *const kind_names[EVENT_KIND_COUNT_] = {
    [EVENT_NOTE] = "note",
    [EVENT_STATE] = "state",
    [EVENT_RUN_START] = "run-start",
    [EVENT_RUN_END] = "run-end",
    [EVENT_INTENT] = "intent",
    [EVENT_STEPS] = "steps",
    [EVENT_CYCLE_BEGIN] = "cycle-begin",
    [EVENT_CYCLE] = "cycle",
    [EVENT_SHUTOFF] = "shutoff",
    [EVENT_SHUTOFF_REVISED] = "shutoff-revised",
    [EVENT_RESET_SEEN] = "reset-seen",
    [EVENT_OUTPUT_REDUCED] = "output-reduced",
    [EVENT_NEVER_REACHED] = "never-reached",
    [EVENT_METER_DOUBT] = "meter-doubt",
    [EVENT_INTERLOCK] = "interlock",
    [EVENT_INTERLOCK_RESET] = "interlock-reset",
    [EVENT_LINK] = "link",
    [EVENT_SIGNAL] = "signal",
    [EVENT_GAP] = "gap",
    [EVENT_WATCHDOG_PROVED] = "watchdog-proved",
    [EVENT_RULE] = "rule",
    [EVENT_EQUILIBRIUM] = "equilibrium",
    [EVENT_FINDING] = "finding",
    [EVENT_VERDICT] = "verdict",
    [EVENT_ELEMENT_FAULT] = "element-fault",
    [EVENT_SUPPLY_TRIP] = "supply-trip",
    [EVENT_ALARM] = "alarm",
    [EVENT_CLOCK] = "clock",
    [EVENT_TRIM] = "trim",
    [EVENT_ADVICE] = "advice",
    [EVENT_PREFLIGHT] = "preflight",
    [EVENT_UNIT_LIVE] = "unit-live",
    [EVENT_ESTIMATE] = "estimate",
    [EVENT_SURVEY_POINT] = "survey-point",
    [EVENT_QUEUE] = "queue",
    [EVENT_STRIKE] = "strike",
};

static const char *const happening_names[QUEUE_HAPPENING_COUNT_] = {
    [QUEUE_ADDED] = "added",     [QUEUE_BEGUN] = "begun",   [QUEUE_SKIPPED] = "skipped",
    [QUEUE_DROPPED] = "dropped", [QUEUE_CLOSED] = "closed",
};

const char *queue_happening_name(enum queue_happening what)
{
    return what >= QUEUE_ADDED && what < QUEUE_HAPPENING_COUNT_ ? happening_names[what] : "?";
}

static const char *const outcome_names[SURVEY_OUTCOME_COUNT_] = {"own", "at-least", "not-settled"};

const char *survey_outcome_name(enum survey_outcome outcome)
{
    return (unsigned)outcome < SURVEY_OUTCOME_COUNT_ ? outcome_names[outcome] : "?";
}

static const char *const strike_names[STRIKE_OUTCOME_COUNT_] = {
    [STRIKE_STARTED] = "started", [STRIKE_NOT_STARTED] = "not-started", [STRIKE_BROKEN_OFF] = "broken-off"};

const char *strike_outcome_name(enum strike_outcome outcome)
{
    return outcome >= STRIKE_STARTED && outcome < STRIKE_OUTCOME_COUNT_ ? strike_names[outcome] : "?";
}

const char *event_kind_name(enum event_kind kind)
{
    if ((unsigned)kind >= EVENT_KIND_COUNT_ || kind_names[kind] == NULL)
        return "?";
    return kind_names[kind];
}

int event_is_urgent(enum event_kind kind)
{
    return kind != EVENT_NOTE && kind != EVENT_TRIM && kind != EVENT_ADVICE && kind != EVENT_ESTIMATE;
}

void put_event(struct writer *w, const struct event *e)
{
    put_u64(w, e->id);
    put_u64(w, e->seq);
    put_u32(w, (uint32_t)e->kind);
    put_i32(w, e->channel);
    put_i64(w, e->run_no);
    put_i64(w, e->seen_ns);
    put_i64(w, e->at_ns);
    put_i64(w, e->half_width_ns);
    put_i32(w, e->code);
    put_i32(w, e->code2);
    put_u32(w, (uint32_t)e->value_count);
    for (int i = 0; i < e->value_count; i++)
        put_f64(w, e->values[i]);
    put_text(w, e->text);
}

void get_event(struct reader *r, struct event *e)
{
    *e = (struct event){0};
    e->id = get_u64(r);
    e->seq = get_u64(r);
    e->kind = (enum event_kind)get_below(r, EVENT_KIND_COUNT_);
    e->channel = get_i32(r);
    e->run_no = get_i64(r);
    e->seen_ns = get_i64(r);
    e->at_ns = get_i64(r);
    e->half_width_ns = get_i64(r);
    e->code = get_i32(r);
    e->code2 = get_i32(r);
    e->value_count = (int32_t)get_below(r, EVENT_VALUES_MAX + 1);
    for (int i = 0; i < e->value_count; i++)
        e->values[i] = get_f64(r);
    get_text(r, e->text, sizeof e->text);
}
