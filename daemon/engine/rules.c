#include "rules.h"

#include <math.h>
#include <string.h>

#include "emit.h"
#include "error.h"
#include "procedure.h"
#include "track.h"

/* Over how long "rising" is measured. */
static const int64_t rise_window_ns = 60 * SECOND_NS;

static int find_signal(const struct engine *e, const char *name, int ch)
{
    enum signal_kind kind = signal_kind_parse(name);
    if (kind != SIG_OTHER)
        return e->bench.channels[ch].signal[kind];
    for (int i = 0; i < e->bench.signal_count; i++)
        if ((e->bench.signals[i].channel == ch || e->bench.signals[i].channel < 0) &&
            strcmp(e->bench.signals[i].name, name) == 0)
            return i;
    return -1;
}

void rules_bind(struct engine *e)
{
    for (int r = 0; r < e->bench.rule_count; r++)
        for (int ch = 0; ch < e->bench.channel_count; ch++) {
            const struct bench_rule *rule = &e->bench.rules[r];
            bool named = rule->channel < 0 || rule->channel == ch;
            e->rule_signal[r][ch] = named ? (int16_t)find_signal(e, rule->signal, ch) : -1;
        }
}

/* Rate of change over the window, per hour; NAN when there is too little history. */
static double rise_per_hour(const struct track *t)
{
    if (t->count < 2)
        return NAN;
    const struct sample *last = track_sample(t, t->count - 1), *first = last;
    for (uint64_t n = t->count - 1; n > 0; n--) {
        const struct sample *s = track_sample(t, n - 1);
        if (!s || last->stamp_ns - s->stamp_ns > rise_window_ns)
            break;
        first = s;
    }
    int64_t span = last->stamp_ns - first->stamp_ns;
    return span >= rise_window_ns / 2 ? (last->value - first->value) / (seconds_of(span) / 3600) : NAN;
}

static bool holds(const struct engine *e, const struct bench_rule *rule, int signal, double *value)
{
    const struct track *t = &e->tracks[signal];
    *value = rule->sense == RULE_RISING ? rise_per_hour(t) : t->value;
    switch (rule->sense) {
    case RULE_ABOVE:
    case RULE_RISING:
        return *value > rule->high;
    case RULE_BELOW:
        return *value < rule->low;
    case RULE_OUTSIDE:
        return *value > rule->high || *value < rule->low;
    default:
        return false;
    }
}

static bool in_state(const struct channel *c, const struct bench_rule *rule)
{
    return rule->while_state[0] == '\0' || strcmp(rule->while_state, channel_state_name(c->state)) == 0;
}

static void act(struct engine *e, int ch, int r, double value)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_rule *rule = &e->bench.rules[r];
    struct event *v = emit_event(e, EVENT_RULE, ch);
    v->code = r;
    v->code2 = (int32_t)rule->action;
    v->value_count = 1;
    v->values[0] = value;
    (void)text_format(v->text, sizeof v->text, "rule %.47s: %.47s at %.4g", rule->name, rule->signal, value);
    if (rule->notify)
        emit_notify(e, ch, NOTIFY_MORNING, "channel %.47s, rule %.47s: %.47s at %.4g", e->bench.channels[ch].name,
                    rule->name, rule->signal, value);
    char text[REASON_CAP];
    (void)text_format(text, sizeof text, "rule %.47s: %.47s at %.4g", rule->name, rule->signal, value);
    if (rule->action == RULE_FLAG && c->run.active)
        (void)text_append(c->run.flags, sizeof c->run.flags, "%s%.47s", c->run.flags[0] ? ", " : "", rule->name);
    else if (rule->action == RULE_END)
        run_end_soon(e, ch, CAUSE_BENCH_INTERLOCK, text);
    else if (rule->action == RULE_OPEN) {
        c->asked = INTERLOCK_RULE;
        (void)text_copy(c->asked_text, sizeof c->asked_text, text);
    }
}

void rules_run(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    for (int r = 0; r < e->bench.rule_count; r++) {
        int s = e->rule_signal[r][ch];
        struct rule_state *state = &c->rules[r];
        double value;
        if (s < 0 || !in_state(c, &e->bench.rules[r]) || track_is_lost(e, s) ||
            !holds(e, &e->bench.rules[r], s, &value)) {
            *state = (struct rule_state){.since_ns = NEVER_NS};
            continue;
        }
        if (state->since_ns == NEVER_NS)
            state->since_ns = e->step_ns;
        if (state->told || e->step_ns - state->since_ns < e->bench.rules[r].for_ns)
            continue;
        state->told = true;
        act(e, ch, r, value);
    }
}

int64_t rules_next_ns(const struct engine *e, int ch)
{
    int64_t next = NEVER_NS;
    for (int r = 0; r < e->bench.rule_count; r++) {
        const struct rule_state *s = &e->channels[ch].rules[r];
        if (s->since_ns != NEVER_NS && !s->told && s->since_ns + e->bench.rules[r].for_ns < next)
            next = s->since_ns + e->bench.rules[r].for_ns;
    }
    return next;
}
