#include "load.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "figures.h"
#include "load_parts.h"
#include "observed.h"
#include "remote.h"
#include "track.h"
#include "uncertainty.h"

int64_t slack_ns(const struct engine *e)
{
    double rate = e->bench.rate > 1 ? e->bench.rate : 1;
    return (int64_t)(50e6 * rate);
}

/* Room for the computer itself in waiting for a contactor that closes: a virtual bench that runs fast shares it with
 * whatever else goes on there. */
static int64_t closing_slack_ns(const struct engine *e)
{
    return e->bench.rate > 1 ? 5 * slack_ns(e) : slack_ns(e);
}

/* The record's turn before a closing command goes out, and the heartbeat's: real time too. */
static int64_t patience_ns(const struct engine *e)
{
    return time_of(e, TIME_RECORD) + 2 * closing_slack_ns(e);
}

static int64_t load_poll_ns(const struct engine *e, int ch)
{
    int d = bench_channel_of(e, ch)->load.device;
    return d >= 0 ? e->bench.devices[d].poll_ns : 0;
}

int64_t load_open_limit_ns(const struct engine *e, int ch)
{
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    int64_t worst = l->device >= 0 ? e->bench.devices[l->device].worst_open_ns : 0;
    if (worst <= 0)
        worst = SECOND_NS / 2;
    return worst + l->travel_ns + 3 * load_poll_ns(e, ch) + signal_lag_ns(e, ch, SIG_I2) + slack_ns(e);
}

double flow_threshold(const struct engine *e, int ch)
{
    const struct channel *c = &e->channels[ch];
    const struct bench_signal *i2 = signal_of(e, ch, SIG_I2);
    double least = level_of(e, LEVEL_FLOW_A), share = level_of(e, LEVEL_FLOW_PCT) / 100;
    if (c->run.active && share * c->run.rq.point.current_a > least)
        least = share * c->run.rq.point.current_a;
    double zero = i2 ? 2 * uncertainty_expanded(&i2->uncertainty, 0) : 0;
    return zero > least ? zero : least;
}

bool load_is_switching(const struct channel *c)
{
    return c->load.phase != LOAD_OPEN && c->load.phase != LOAD_ON;
}

bool load_is_on(const struct channel *c)
{
    return c->load.phase == LOAD_ON;
}

bool load_feedback(struct engine *e, int ch, int64_t after_ns, uint32_t *mask)
{
    int s = bench_channel_of(e, ch)->load.feedback_signal;
    if (s < 0)
        return false;
    const struct track *t = &e->tracks[s];
    if (t->count == 0 || track_stamp(t) <= after_ns || track_is_lost(e, s))
        return false;
    double v = t->value;
    *mask = v > 0 ? (uint32_t)(v + 0.5) : 0;
    return true;
}

int load_current_flows(struct engine *e, int ch, int64_t after_ns)
{
    const struct track *t = track_of(e, ch, SIG_I2);
    if (!t || t->count == 0 || track_stamp(t) <= after_ns || isnan(track_value(e, ch, SIG_I2)))
        return -1;
    double v = t->value < 0 ? -t->value : t->value;
    return v >= flow_threshold(e, ch) ? 1 : 0;
}

static bool current_is_lost(struct engine *e, int ch)
{
    return isnan(track_value(e, ch, SIG_I2));
}

bool load_is_confirmed_open(struct engine *e, int ch)
{
    struct load_state *l = &channel_of(e, ch)->load;
    uint32_t mask;
    if (!load_feedback(e, ch, l->opening_ns, &mask) || mask != 0)
        return false;
    int flows = load_current_flows(e, ch, l->opening_ns);
    return flows == 0 || (flows < 0 && current_is_lost(e, ch));
}

void load_arm(struct engine *e, int ch, int64_t after_ns)
{
    channel_of(e, ch)->timers[TIMER_LOAD] = e->now_ns + after_ns;
}

void load_set_fault(struct channel *c, enum interlock which, const char *text)
{
    if (c->load.fault == INTERLOCK_NONE) {
        c->load.fault = which;
        (void)text_copy(c->load.fault_text, sizeof c->load.fault_text, text);
    }
}

/* Channels whose current flows now: what rises later on another channel than ours is a wrong lead. */
static uint64_t channels_live(struct engine *e)
{
    uint64_t live = 0;
    for (int i = 0; i < e->bench.channel_count; i++)
        if (load_current_flows(e, i, LONG_AGO_NS) != 0)
            live |= UINT64_C(1) << i;
    return live;
}

/* What the load is to be at the unit's terminals; NAN where that is the unit's matter (a load set to a current). */
static double expected_ohm(const struct engine *e, int ch, uint32_t mask)
{
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    if (l->kind == LOAD_SETTABLE_RESISTANCE)
        return e->channels[ch].load.setting + channel_lead_ohm(e, ch);
    if (l->kind == LOAD_SETTABLE_CURRENT)
        return NAN;
    double g = step_conductance(l->steps, l->step_count, mask, channel_ohm_factor(e, ch), channel_lead_ohm(e, ch));
    return g > 0 ? 1 / g : NAN;
}

static void send_trigger(struct engine *e, int ch, bool on)
{
    struct load_state *l = &channel_of(e, ch)->load;
    struct command *k = emit_command(e, COMMAND_TRIGGER, ch, bench_channel_of(e, ch)->load.device);
    k->on = on;
    l->trigger_command = k->number;
    l->trigger_on = on;
}

/* Lets go of the torch switch; what follows waits until the current has stopped. */
static void load_release(struct engine *e, int ch)
{
    struct load_state *l = &channel_of(e, ch)->load;
    send_trigger(e, ch, false);
    l->phase = LOAD_RELEASING;
    l->opening_ns = e->now_ns;
    load_arm(e, ch, time_of(e, TIME_RELEASE) + signal_lag_ns(e, ch, SIG_I2) + slack_ns(e));
}

/* Asks for steps or a setting, after a record of the intent. */
static void send_load(struct engine *e, int ch, uint32_t mask, double setting)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_load *b = &bench_channel_of(e, ch)->load;
    bool stepped = b->kind == LOAD_STEPPED;
    struct event *intent = emit_event(e, EVENT_INTENT, ch);
    intent->code = (int32_t)mask;
    struct command *k = emit_command(e, stepped ? COMMAND_STEPS : COMMAND_SETPOINT, ch, b->device);
    k->mask = mask;
    k->on = true;
    k->intent_event = intent->id;
    k->value = stepped ? 0 : setting;
    if (stepped)
        (void)text_format(intent->text, sizeof intent->text, "about to close steps, mask 0x%x", mask);
    else
        (void)text_format(intent->text, sizeof intent->text, "about to set the load to %.4g %s", setting,
                          b->kind == LOAD_SETTABLE_RESISTANCE ? "ohm" : "A");
    struct load_state *l = &c->load;
    l->mask = mask;
    l->setting = setting;
    l->phase = LOAD_CLOSING;
    l->steps_command = k->number;
    l->open_command = 0;
    l->closing_ns = e->now_ns;
    l->off_taken = false;
}

void load_close(struct engine *e, int ch, uint32_t mask, double setting)
{
    struct load_state *l = &channel_of(e, ch)->load;
    send_load(e, ch, mask, setting);
    l->trigger_command = 0;
    l->since_ns = e->now_ns;
    l->changing = l->change_waits = false;
    l->others_live = channels_live(e);
    load_arm(e, ch, patience_ns(e));
}

/* What is closed meanwhile carries current: a record that is slow may not keep it there for long. */
static void send_change(struct engine *e, int ch, uint32_t mask, double setting)
{
    send_load(e, ch, mask, setting);
    channel_of(e, ch)->load.change_waits = false;
    load_arm(e, ch, time_of(e, TIME_CHANGE) + 2 * closing_slack_ns(e));
}

void load_change(struct engine *e, int ch, uint32_t mask, double setting, bool released)
{
    struct load_state *l = &channel_of(e, ch)->load;
    l->changing = true;
    if (!released || !l->trigger_on) {
        send_change(e, ch, mask, setting);
        return;
    }
    l->change_waits = true;
    l->next_mask = mask;
    l->next_setting = setting;
    load_release(e, ch);
}

void load_send_open(struct engine *e, int ch)
{
    struct load_state *l = &channel_of(e, ch)->load;
    struct command *k = emit_command(e, COMMAND_OPEN, ch, bench_channel_of(e, ch)->load.device);
    l->open_command = k->number;
    l->opening_ns = e->now_ns;
    l->phase = LOAD_OPENING;
    load_arm(e, ch, load_open_limit_ns(e, ch));
    remote_safe(e, ch);
}

void load_open(struct engine *e, int ch, bool emergency)
{
    struct load_state *l = &channel_of(e, ch)->load;
    l->change_waits = false;
    if (load_is_observed(e, ch)) {
        l->phase = LOAD_OPEN;
        return;
    }
    if (!emergency && (l->phase == LOAD_OPEN || l->phase == LOAD_OPENING || l->phase == LOAD_RELEASING))
        return;
    if (l->trigger_on && !emergency) {
        load_release(e, ch);
        return;
    }
    if (l->trigger_on)
        send_trigger(e, ch, false);
    if (l->phase == LOAD_OPENING && l->escalation > 0) {
        struct command *k = emit_command(e, COMMAND_OPEN, ch, bench_channel_of(e, ch)->load.device);
        l->open_command = k->number;
        return;
    }
    load_send_open(e, ch);
}

void load_probe(struct engine *e, int ch, bool on)
{
    struct load_state *l = &channel_of(e, ch)->load;
    if (l->phase != LOAD_OPEN || l->trigger_on == on)
        return;
    send_trigger(e, ch, on);
}

void load_link_up(struct engine *e, int ch)
{
    const struct load_state *l = &channel_of(e, ch)->load;
    if (bench_channel_of(e, ch)->load.has_trigger && (l->phase == LOAD_OPEN || l->phase == LOAD_OPENING))
        send_trigger(e, ch, false);
}

/* Steps are confirmed closed. */
static void steps_closed(struct engine *e, int ch, int64_t stamp_ns)
{
    struct channel *c = channel_of(e, ch);
    struct event *v = emit_event(e, EVENT_STEPS, ch);
    v->code = (int32_t)c->load.mask;
    v->at_ns = stamp_ns;
    v->value_count = 1;
    v->values[0] = expected_ohm(e, ch, c->load.mask);
    c->timers[TIMER_LOAD] = NEVER_NS;
    if (c->load.triggered && !c->load.trigger_on) {
        send_trigger(e, ch, true);
        c->load.phase = LOAD_TRIGGER;
        load_arm(e, ch, patience_ns(e));
        return;
    }
    c->load.phase = LOAD_ON;
    c->load.changing = false;
    if (c->load.commanded_on_ns < c->load.closing_ns)
        c->load.commanded_on_ns = stamp_ns;
    figures_commanded(e, ch, c->load.commanded_on_ns, true);
}

static void commanded_off(struct engine *e, int ch, int64_t at_ns)
{
    struct load_state *l = &channel_of(e, ch)->load;
    if (l->off_taken)
        return;
    l->off_taken = true;
    figures_commanded(e, ch, at_ns, false);
}

static void ack_steps(struct engine *e, int ch, const struct input_ack *a)
{
    struct channel *c = channel_of(e, ch);
    if (c->load.phase != LOAD_CLOSING)
        return;
    if (a->kind == ACK_FAILED) {
        load_set_fault(c, INTERLOCK_NOT_CLOSED, "the load controller did not take the command to close");
        return;
    }
    if (a->kind != ACK_DONE)
        return;
    c->load.phase = LOAD_TRAVEL;
    c->load.commanded_on_ns = a->stamp_ns;
    load_arm(e, ch,
             bench_channel_of(e, ch)->load.travel_ns + 4 * load_poll_ns(e, ch) + time_of(e, TIME_CLOSE) +
                 closing_slack_ns(e));
}

static void ack_trigger(struct engine *e, int ch, const struct input_ack *a)
{
    struct channel *c = channel_of(e, ch);
    if (!c->load.trigger_on) {
        if (a->kind == ACK_DONE && c->load.phase != LOAD_OPEN)
            commanded_off(e, ch, a->stamp_ns);
        return;
    }
    if (c->load.phase != LOAD_TRIGGER)
        return;
    if (a->kind == ACK_FAILED) {
        load_set_fault(c, INTERLOCK_NOT_CLOSED, "the torch switch could not be operated");
        return;
    }
    if (a->kind != ACK_DONE)
        return;
    c->load.phase = LOAD_ON;
    c->load.changing = false;
    c->timers[TIMER_LOAD] = NEVER_NS;
    c->load.commanded_on_ns = a->stamp_ns;
    figures_commanded(e, ch, a->stamp_ns, true);
}

void load_ack(struct engine *e, const struct input_ack *ack)
{
    if (ack->command == 0)
        return;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct load_state *l = &e->channels[ch].load;
        if (ack->command == l->steps_command)
            ack_steps(e, ch, ack);
        else if (ack->command == l->trigger_command)
            ack_trigger(e, ch, ack);
        else if (ack->command == l->open_command && ack->kind == ACK_DONE)
            commanded_off(e, ch, ack->stamp_ns);
    }
}

static void opened(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    commanded_off(e, ch, c->load.opening_ns);
    bool was_closed = c->load.mask != 0 && c->load.commanded_on_ns >= c->load.since_ns;
    bool proof = e->proof.phase != PROOF_NONE && e->proof.channel == ch; /* with a dead unit */
    if (was_closed && !proof) {
        c->last_load_utc_ns = utc_of(e, e->now_ns);
        (void)text_copy(c->last_load_serial, sizeof c->last_load_serial, c->run.rq.serial);
    }
    c->load.phase = LOAD_OPEN;
    c->load.mask = 0;
    c->timers[TIMER_LOAD] = NEVER_NS;
    if (c->load.escalation > 0)
        emit_text(e, EVENT_NOTE, ch, "the load is open after all");
}

static void poll_closing(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    uint32_t mask;
    bool stepped = bench_channel_of(e, ch)->load.kind == LOAD_STEPPED;
    if (c->load.changing && !stepped && c->load.phase == LOAD_CLOSING)
        return; /* it is on anyway: what tells is that it took the new setting */
    int64_t after = c->load.changing && c->load.phase == LOAD_TRAVEL ? c->load.commanded_on_ns : c->load.closing_ns;
    if (load_feedback(e, ch, after, &mask) && (stepped ? mask == c->load.mask : mask != 0))
        steps_closed(e, ch, track_stamp(&e->tracks[bench_channel_of(e, ch)->load.feedback_signal]));
}

static void poll_closed(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    uint32_t mask;
    if (e->proof.phase != PROOF_NONE && e->proof.channel == ch)
        return; /* the watchdog is meant to open them */
    bool stepped = bench_channel_of(e, ch)->load.kind == LOAD_STEPPED;
    if (load_feedback(e, ch, c->load.closing_ns, &mask) && (stepped ? mask != c->load.mask : mask == 0)) {
        char text[REASON_CAP];
        (void)text_format(text, sizeof text, "steps do not stand as commanded: mask 0x%x closed, 0x%x commanded", mask,
                          c->load.mask);
        load_set_fault(c, INTERLOCK_NOT_CLOSED, text);
    }
}

/* Current through a load whose steps all say open: a welded contactor whose auxiliary contact moved, or a lead that is
 * not where it should be. Watched in a run only, since a meter's zero may wander where nothing is connected. */
static bool current_strays(struct engine *e, int ch, int64_t after_ns)
{
    struct load_state *l = &channel_of(e, ch)->load;
    if (!e->channels[ch].run.active || load_current_flows(e, ch, after_ns) != 1) {
        l->stray_since_ns = NEVER_NS;
        return false;
    }
    if (l->stray_since_ns == NEVER_NS)
        l->stray_since_ns = e->step_ns;
    return e->step_ns - l->stray_since_ns >= time_of(e, TIME_STRAY) + signal_lag_ns(e, ch, SIG_I2);
}

/* The load ought to be open. Steps that close by themselves go up the ladder like those that do not open. */
static void poll_open(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    uint32_t mask;
    int d = bench_channel_of(e, ch)->load.device;
    int64_t after = c->load.opening_ns;
    if (d >= 0 && e->devices[d].up_ns > after)
        after = e->devices[d].up_ns;
    bool closed = load_feedback(e, ch, after, &mask) && mask != 0;
    bool strays = current_strays(e, ch, after);
    if (c->load.fault == INTERLOCK_NONE && (closed || strays)) {
        load_set_fault(c, INTERLOCK_NOT_OPENED,
                       closed ? "steps are closed that nobody commanded" : "current flows though every step says open");
        load_send_open(e, ch);
        load_timer(e, ch);
    }
}

void load_poll(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (load_is_observed(e, ch))
        return;
    switch (c->load.phase) {
    case LOAD_OPEN:
        poll_open(e, ch);
        break;
    case LOAD_CLOSING:
    case LOAD_TRAVEL:
        poll_closing(e, ch);
        break;
    case LOAD_TRIGGER:
    case LOAD_ON:
        poll_closed(e, ch);
        break;
    case LOAD_RELEASING:
        if (load_current_flows(e, ch, c->load.opening_ns) != 0)
            break;
        if (c->load.change_waits)
            send_change(e, ch, c->load.next_mask, c->load.next_setting);
        else
            load_send_open(e, ch);
        break;
    case LOAD_OPENING:
        if (load_is_confirmed_open(e, ch))
            opened(e, ch);
        break;
    }
}
