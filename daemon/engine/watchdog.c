#include "watchdog.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "interlock.h"
#include "load.h"
#include "renewal.h"
#include "track.h"

bool watchdog_is_proved(const struct engine *e, int device)
{
    const struct device_state *d = &e->devices[device];
    return d->proved && utc_of(e, e->step_ns) - d->proved_utc_ns < time_of(e, TIME_PROOF_AGE);
}

static bool unit_is_dead(struct engine *e, int ch)
{
    if (contact_is(e, ch, SIG_ISOLATED, true))
        return true;
    double u = track_value(e, ch, SIG_U2), i = track_value(e, ch, SIG_I2);
    return u < 2 && u > -2 && i < flow_threshold(e, ch);
}

/* A channel of the device at which a step may be closed: not in use, unit dead. -1 with a sentence. */
static int pick_channel(struct engine *e, int device, char *why, size_t cap)
{
    int found = -1;
    (void)text_copy(why, cap, "no channel of this load controller has its unit switched off or isolated");
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct channel *c = &e->channels[ch];
        if (e->bench.channels[ch].load.device != device)
            continue;
        if (c->run.active || c->load.phase != LOAD_OPEN) {
            (void)text_format(why, cap, "channel %.47s is in use", e->bench.channels[ch].name);
            return -1;
        }
        char text[REASON_CAP];
        enum interlock standing = interlock_standing(e, ch, text, sizeof text);
        if (found < 0 && c->latched == INTERLOCK_NONE && unit_is_dead(e, ch) &&
            (standing == INTERLOCK_NONE || standing == INTERLOCK_ISOLATED))
            found = ch;
    }
    return found;
}

/* What is closed on a dead unit: the step of the highest resistance, or the mildest that a settable load can be. */
static void close_mildly(struct engine *e, int ch)
{
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    int best = 0;
    for (int i = 1; i < l->step_count; i++)
        if (l->steps[i].resistance_ohm > l->steps[best].resistance_ohm)
            best = i;
    double setting = l->kind == LOAD_SETTABLE_RESISTANCE ? l->max_resistance_ohm : 0.01 * l->max_current_a;
    load_close(e, ch, UINT32_C(1) << best, setting);
}

bool watchdog_start(struct engine *e, int device, uint64_t request, char *why, size_t cap)
{
    if (device < 0 || device >= e->bench.device_count || !e->bench.devices[device].is_load ||
        !e->bench.devices[device].has_watchdog) {
        (void)text_copy(why, cap, "this is no load controller with a watchdog");
        return false;
    }
    if (e->proof.phase != PROOF_NONE) {
        (void)text_copy(why, cap, "another proof is under way");
        return false;
    }
    if (!e->devices[device].up || e->devices[device].beat_stopped || !journal_lets_begin(e)) {
        (void)text_copy(why, cap, "the load controller or the record is not ready");
        return false;
    }
    int ch = pick_channel(e, device, why, cap);
    if (ch < 0)
        return false;
    e->proof = (struct proof){
        .phase = PROOF_CLOSING, .device = device, .channel = ch, .request = request, .deadline_ns = NEVER_NS};
    struct channel *c = channel_of(e, ch);
    c->load.triggered = false;
    close_mildly(e, ch);
    return true;
}

static void begin_opening(struct engine *e, bool passed, const char *text)
{
    struct proof *p = &e->proof;
    p->phase = PROOF_OPENING;
    p->passed = passed;
    p->deadline_ns = NEVER_NS;
    (void)text_copy(p->text, sizeof p->text, text);
    load_open(e, p->channel, !passed);
}

static void stop_beat(struct engine *e)
{
    struct proof *p = &e->proof;
    const struct bench_device *d = &e->bench.devices[p->device];
    p->stop_command = emit_command(e, COMMAND_BEAT_STOP, -1, p->device)->number;
    e->devices[p->device].beat_stopped = true;
    p->phase = PROOF_BEATLESS;
    p->last_beat_ns = e->now_ns;
    p->closed_ns = LONG_AGO_NS;
    p->deadline_ns = e->now_ns + 2 * d->watchdog_ns + e->bench.limits.beat_ns +
                     bench_channel_of(e, p->channel)->load.travel_ns + 4 * d->poll_ns + 2 * SECOND_NS + slack_ns(e);
}

static void opened_by_watchdog(struct engine *e, int64_t stamp_ns, int64_t half_ns)
{
    struct proof *p = &e->proof;
    int64_t from = p->closed_ns == LONG_AGO_NS ? p->last_beat_ns : p->closed_ns - p->closed_half_ns;
    int64_t to = stamp_ns + half_ns;
    int64_t took = from + (to - from) / 2 - p->last_beat_ns;
    struct device_state *d = &e->devices[p->device];
    d->proved_took_ns = took;
    char text[TEXT_CAP];
    (void)text_format(text, sizeof text,
                      "%.47s opened its steps %.2f s (+/- %.2f s) after the last beat, its limit is %.2f s",
                      e->bench.devices[p->device].name, seconds_of(took), seconds_of((to - from) / 2),
                      seconds_of(e->bench.devices[p->device].watchdog_ns));
    begin_opening(e, true, text);
}

static void poll_beatless(struct engine *e)
{
    struct proof *p = &e->proof;
    int s = bench_channel_of(e, p->channel)->load.feedback_signal;
    const struct track *t = &e->tracks[s];
    uint32_t mask;
    if (channel_of(e, p->channel)->load.fault != INTERLOCK_NONE || e->devices[p->device].lease_expired ||
        !e->devices[p->device].up) {
        begin_opening(e, false, "the proof was broken off: the load was dropped by something else");
        return;
    }
    double i = track_value(e, p->channel, SIG_I2);
    if (i >= flow_threshold(e, p->channel)) {
        begin_opening(e, false, "the proof was broken off: current flows, the unit is not dead");
        return;
    }
    if (load_feedback(e, p->channel, p->last_beat_ns, &mask)) {
        const struct sample *last = track_sample(t, t->count - 1);
        if (mask != 0) {
            p->closed_ns = last->stamp_ns;
            p->closed_half_ns = last->half_ns;
        } else {
            opened_by_watchdog(e, last->stamp_ns, last->half_ns);
            return;
        }
    }
    if (e->now_ns >= p->deadline_ns)
        begin_opening(e, false, "the watchdog did not open the steps: something feeds it besides the heartbeat");
}

static void finish(struct engine *e)
{
    struct proof *p = &e->proof;
    struct device_state *d = &e->devices[p->device];
    (void)emit_command(e, COMMAND_BEAT_START, -1, p->device);
    d->beat_stopped = false;
    d->lease_until_ns = LONG_AGO_NS;
    d->proved = p->passed;
    if (p->passed) {
        d->proved_utc_ns = utc_of(e, e->now_ns);
        d->proved_count = d->count;
        struct event *v = emit_event(e, EVENT_WATCHDOG_PROVED, -1);
        v->code2 = p->device;
        v->value_count = 1;
        v->values[0] = seconds_of(d->proved_took_ns);
        (void)text_copy(v->text, sizeof v->text, p->text);
    } else {
        emit_text(e, EVENT_ALARM, -1, "watchdog of %.47s not proved: %.150s", e->bench.devices[p->device].name,
                  p->text);
    }
    emit_answer(e, p->request, 2, "%s: %.200s", p->passed ? "proved" : "not proved", p->text);
    p->phase = PROOF_NONE;
}

void watchdog_poll(struct engine *e)
{
    struct proof *p = &e->proof;
    if (p->phase == PROOF_NONE)
        return;
    struct channel *c = channel_of(e, p->channel);
    if (p->phase == PROOF_CLOSING && load_is_on(c))
        stop_beat(e);
    else if (p->phase == PROOF_CLOSING && (c->load.phase == LOAD_OPENING || c->load.phase == LOAD_OPEN))
        begin_opening(e, false, "the step did not close");
    else if (p->phase == PROOF_BEATLESS)
        poll_beatless(e);
    if (p->phase == PROOF_OPENING && c->load.phase == LOAD_OPEN)
        finish(e);
}

void watchdog_ack(struct engine *e, const struct input_ack *ack)
{
    struct proof *p = &e->proof;
    if (p->phase == PROOF_BEATLESS && ack->command == p->stop_command && ack->kind == ACK_DONE && !p->stop_acked) {
        p->stop_acked = true;
        if (ack->stamp_ns < p->last_beat_ns)
            p->last_beat_ns = ack->stamp_ns;
    }
}

int64_t watchdog_next_ns(const struct engine *e)
{
    return e->proof.phase == PROOF_BEATLESS ? e->proof.deadline_ns : NEVER_NS;
}
