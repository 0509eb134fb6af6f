#include "engine.h"

#include <math.h>
#include <stdlib.h>

#include "attribute.h"
#include "breaker_heat.h"
#include "capture.h"
#include "emit.h"
#include "engine_state.h"
#include "error.h"
#include "estimate.h"
#include "evidence.h"
#include "figures.h"
#include "interlock.h"
#include "load.h"
#include "observed.h"
#include "operate.h"
#include "peak.h"
#include "placing.h"
#include "procedure.h"
#include "remote.h"
#include "renewal.h"
#include "rules.h"
#include "run_queue.h"
#include "supply_seen.h"
#include "track.h"
#include "watchdog.h"

const char *engine_version(void)
{
    return ENGINE_VERSION;
}

static void clear_channels(struct engine *e)
{
    for (int ch = 0; ch < CHANNELS_MAX; ch++) {
        struct channel *c = &e->channels[ch];
        *c = (struct channel){.state = STATE_FREE};
        for (int i = 0; i < TIMER_COUNT_; i++)
            c->timers[i] = NEVER_NS;
        c->load.stray_since_ns = NEVER_NS;
        for (int i = 0; i < INTERLOCK_COUNT_; i++)
            c->hold_since_ns[i] = NEVER_NS;
        for (int i = 0; i < RULES_MAX; i++)
            c->rules[i].since_ns = NEVER_NS;
    }
}

struct engine *engine_new(const struct bench *bench)
{
    struct engine *e = calloc(1, sizeof *e);
    if (!e)
        return NULL;
    e->bench = *bench;
    e->tracks = calloc(bench->signal_count > 0 ? (size_t)bench->signal_count : 1, sizeof *e->tracks);
    e->rule_signal = calloc(RULES_MAX, sizeof *e->rule_signal);
    e->evidence = calloc((size_t)bench->channel_count + 1, sizeof *e->evidence);
    if (!e->tracks || !e->rule_signal || !e->evidence) {
        engine_free(e);
        return NULL;
    }
    for (int i = 0; i < bench->signal_count; i++) {
        e->tracks[i].good_seen_ns = LONG_AGO_NS;
        e->tracks[i].value = NAN;
        e->tracks[i].quality = QUALITY_STALE;
    }
    for (int i = 0; i < DEVICES_MAX; i++)
        e->devices[i].lease_until_ns = LONG_AGO_NS;
    for (int i = 0; i < BUSES_MAX; i++)
        e->buses[i].watermark_ns = LONG_AGO_NS;
    e->step_ns = LONG_AGO_NS;
    clear_channels(e);
    rules_bind(e);
    return e;
}

void engine_free(struct engine *engine)
{
    if (!engine)
        return;
    free(engine->tracks);
    free(engine->evidence);
    free(engine->rule_signal);
    free(engine);
}

/* Nothing goes on-load by itself after a restart: what waited is told, not kept. */
static void close_old_queue(struct engine *e, int waiting)
{
    if (waiting <= 0)
        return;
    struct event *v = emit_event(e, EVENT_QUEUE, -1);
    v->code = QUEUE_CLOSED;
    v->value_count = 1;
    v->values[0] = waiting;
    (void)text_format(v->text, sizeof v->text,
                      "the queue is closed: %d run%s waited when the last session ended; nothing begins by itself",
                      waiting, waiting == 1 ? "" : "s");
    emit_notify(e, -1, NOTIFY_MORNING, "%.250s", v->text);
}

static void take_boot(struct engine *e, const struct input_boot *b)
{
    e->booted = true;
    e->epoch = b->epoch;
    e->boot_ns = e->step_ns;
    e->boot_utc_ns = b->utc_ns;
    e->after_interruption = b->after_interruption;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct channel *c = channel_of(e, ch);
        c->load.opening_ns = e->step_ns;
        c->needs_confirm = b->after_interruption;
        if (ch >= b->channel_count)
            continue;
        c->last_load_utc_ns = b->channels[ch].last_load_utc_ns;
        c->cutouts_tonight = b->channels[ch].cutouts_tonight;
        if (b->channels[ch].latched == INTERLOCK_NONE)
            continue;
        c->latched = b->channels[ch].latched;
        (void)text_copy(c->latched_text, sizeof c->latched_text, "latched in an earlier session");
        set_state(e, ch, STATE_LOCKED);
    }
    for (int d = 0; d < e->bench.device_count && d < b->device_count; d++) {
        e->devices[d].proved = b->devices[d].watchdog_proved_utc_ns > 0;
        e->devices[d].proved_utc_ns = b->devices[d].watchdog_proved_utc_ns;
        e->devices[d].proved_took_ns = b->devices[d].watchdog_took_ns;
        e->devices[d].proved_count = b->devices[d].power_up_count;
    }
    for (int i = 0; i < e->bench.circuit_count && i < b->circuit_count; i++) {
        double away_s = seconds_of(b->utc_ns - b->circuits[i].at_utc_ns);
        e->circuits[i].heat = breaker_heat_after(b->circuits[i].heat, 0, away_s, seconds_of(time_of(e, TIME_BREAKER)));
        e->circuits[i].at_ns = e->step_ns;
    }
    close_old_queue(e, b->queue_waiting);
    emit_text(e, EVENT_NOTE, -1,
              b->after_interruption
                  ? "session begins after one that broke off: every load is open, nothing closes by itself"
                  : "session begins: every load is open");
}

/* Each pole on its own would be truer; the warmest at each moment errs to the warm side. */
static void heat_circuit(struct engine *e, int circuit)
{
    const struct breaker *b = &e->bench.circuits[circuit].breaker;
    struct circuit_state *s = &e->circuits[circuit];
    double phases[SUPPLY_PHASES] = {0}, amps = 0, dt = seconds_of(e->step_ns - s->at_ns);
    if (!(b->rated_a > 0) || dt < 1)
        return;
    for (int ch = 0; ch < e->bench.channel_count; ch++)
        if (e->bench.channels[ch].circuit == circuit)
            supply_currents_add(e, ch, phases);
    for (int k = 0; k < SUPPLY_PHASES; k++) /* the pole that carries most trips the breaker */
        amps = phases[k] > amps ? phases[k] : amps;
    s->heat = breaker_heat_after(s->heat, amps / b->rated_a, dt, seconds_of(time_of(e, TIME_BREAKER)));
    s->at_ns = e->step_ns;
}

static void take_readings(struct engine *e, const struct input_readings *m)
{
    if (m->bus >= 0 && m->bus < BUSES_MAX && m->stamp_ns > e->buses[m->bus].watermark_ns)
        e->buses[m->bus].watermark_ns = m->stamp_ns;
    for (int i = 0; i < m->count; i++) {
        track_take(e, m, &m->items[i]);
        figures_take(e, m, &m->items[i]);
    }
    for (int i = 0; i < e->bench.circuit_count; i++)
        heat_circuit(e, i);
}

/* Has the controller kept its supply since its watchdog was proved? Only when it can tell, and does. Clocks differ: an
 * uptime must reach back well beyond the proof. */
static bool proof_stands(const struct engine *e, const struct device_state *d, const struct input_link *l)
{
    double since_s = seconds_of(utc_of(e, e->now_ns) - d->proved_utc_ns);
    if (l->power_up)
        return false;
    switch (l->tells) {
    case POWER_UP_MARK:
        return true;
    case POWER_UP_COUNT:
        return l->power_up_value == d->proved_count;
    case POWER_UP_UPTIME:
        return l->power_up_value >= since_s * 1.0002 + 5;
    default:
        return false;
    }
}

static void take_link(struct engine *e, const struct input_link *l)
{
    if (l->device < 0 || l->device >= e->bench.device_count)
        return;
    struct device_state *d = &e->devices[l->device];
    bool is_void = l->up && d->proved && !proof_stands(e, d, l);
    if (is_void)
        d->proved = false;
    if (l->up)
        d->count = l->tells == POWER_UP_COUNT ? l->power_up_value : NAN;
    if (l->up) {
        d->lease_expired = d->lost_ns != 0 || d->lease_expired;
        d->lease_until_ns = LONG_AGO_NS;
        d->drop_pending = false;
        d->up_ns = e->now_ns;
        for (int ch = 0; ch < e->bench.channel_count; ch++)
            if (e->bench.channels[ch].load.device == l->device)
                load_link_up(e, ch);
    } else {
        d->lost_ns = e->now_ns;
    }
    d->up = l->up;
    struct event *v = emit_event(e, EVENT_LINK, -1);
    v->code = l->up ? 1 : 0;
    v->code2 = l->device;
    (void)text_format(v->text, sizeof v->text, "%.47s %s%s%.150s%s", e->bench.devices[l->device].name,
                      l->up ? "up" : "lost", l->text[0] ? ": " : "", l->text,
                      is_void ? "; the proof of its watchdog is void" : "");
}

static void ask(struct engine *e, int ch, enum interlock which, const char *text)
{
    struct channel *c = channel_of(e, ch);
    if (c->asked != INTERLOCK_NONE)
        return;
    c->asked = which;
    (void)text_copy(c->asked_text, sizeof c->asked_text, text);
}

/* Does the channel depend on a bus: its load, or a safety signal? */
static bool depends_on_bus(const struct engine *e, int ch, int bus)
{
    const struct bench_channel *b = bench_channel_of(e, ch);
    if (bus < 0 || (b->load.device >= 0 && e->bench.devices[b->load.device].bus == bus))
        return true;
    for (int k = 0; k < SIG_OTHER; k++)
        if (b->signal[k] >= 0 && e->bench.signals[b->signal[k]].cls == CLASS_SAFETY &&
            e->bench.signals[b->signal[k]].bus == bus)
            return true;
    return false;
}

static void take_lost(struct engine *e, const struct input_lost *l)
{
    struct event *v = emit_event(e, EVENT_GAP, -1);
    v->value_count = 1;
    v->values[0] = (double)l->count;
    v->code2 = l->bus;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        if (!depends_on_bus(e, ch, l->bus))
            continue;
        figures_void(e, ch, "readings were lost inside the daemon");
        ask(e, ch, INTERLOCK_QUEUE, "inputs were lost in a full queue");
    }
}

static void tell_clock(struct engine *e, int code, int64_t by_ns)
{
    struct event *v = emit_event(e, EVENT_CLOCK, -1);
    v->code = code;
    v->value_count = 1;
    v->values[0] = seconds_of(by_ns);
    if (code == 2)
        (void)text_format(v->text, sizeof v->text, "the computer was suspended for %.1f s", seconds_of(by_ns));
    else
        (void)text_format(v->text, sizeof v->text,
                          "the wall clock was set by %+.1f s; stamps of runs go on as they began", seconds_of(by_ns));
}

static void take_anchor(struct engine *e, const struct input_anchor *a)
{
    e->record_off_ns = a->utc_ns - (e->boot_utc_ns + (a->monotonic_ns - e->boot_ns));
    if (a->stepped)
        tell_clock(e, 1, a->moved_ns);
    if (!a->suspended)
        return;
    tell_clock(e, 2, a->slept_ns);
    e->slept_ns += a->slept_ns;
    char text[REASON_CAP];
    (void)text_format(text, sizeof text, "the computer was suspended for %.1f s", seconds_of(a->slept_ns));
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        /* Nobody knows what was done at the bench meanwhile. */
        channel_of(e, ch)->needs_confirm = true;
        ask(e, ch, INTERLOCK_CLOCK, text);
    }
}

static void take_journal(struct engine *e, const struct input_journal *j)
{
    e->journal_age_ns = j->oldest_unsynced_ns;
    e->journal_at_ns = e->now_ns;
    e->journal_failed = j->failed;
    bool low = j->space_low && !e->space_low;
    e->space_low = j->space_low;
    for (int ch = 0; low && ch < e->bench.channel_count; ch++)
        run_end_soon(e, ch, CAUSE_BENCH_INTERLOCK, "the disk is nearly full");
}

static void take(struct engine *e, const struct input *in)
{
    switch (in->kind) {
    case INPUT_READINGS:
        take_readings(e, &in->u.readings);
        break;
    case INPUT_OPERATOR:
        operate(e, &in->u.operator_);
        break;
    case INPUT_ACK:
        load_ack(e, &in->u.ack);
        remote_ack(e, &in->u.ack);
        renewal_ack(e, &in->u.ack);
        watchdog_ack(e, &in->u.ack);
        peak_ack(e, &in->u.ack);
        break;
    case INPUT_LINK:
        take_link(e, &in->u.link);
        break;
    case INPUT_JOURNAL:
        take_journal(e, &in->u.journal);
        break;
    case INPUT_ANCHOR:
        take_anchor(e, &in->u.anchor);
        break;
    case INPUT_LOST:
        take_lost(e, &in->u.lost);
        break;
    case INPUT_CAPTURE:
        capture_take(e, &in->u.capture);
        break;
    case INPUT_BOOT:
        emit_text(e, EVENT_NOTE, -1, "a second begin of a session was ignored");
        break;
    case INPUT_WORKER:
        estimate_take(e, &in->u.worker);
        placing_take(e, &in->u.worker);
        break;
    case INPUT_TIME:
    case INPUT_SYNCED:
    case INPUT_KIND_COUNT_:
        break;
    }
}

static void shutoff_timer(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (c->course == COURSE_EVIDENCE) {
        shutoff_explain(e, ch);
        return;
    }
    if (c->course != COURSE_CONFIRM)
        return;
    switch (shutoff_confirm(e, ch)) {
    case CONFIRMED_RECOVERED:
        c->course = COURSE_PART;
        break;
    case CONFIRMED_METER_DOUBT:
        run_end_soon(e, ch, CAUSE_UNKNOWN, "a meter is in doubt: the current vanished while the voltage stands");
        break;
    case CONFIRMED_SHUTOFF:
        if (load_is_observed(e, ch) && observed_plain_end(e, ch))
            break;
        c->course = COURSE_EVIDENCE;
        c->timers[TIMER_PHASE] = NEVER_NS;
        c->timers[TIMER_SHUTOFF] = e->now_ns + shutoff_evidence_ns(e, ch);
        load_open(e, ch, false);
        set_state(e, ch, STATE_RECOVERING);
        break;
    }
}

static void fan_timer(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    if (c->run.active || !c->fan_on)
        return;
    c->fan_on = false;
    if (bench_channel_of(e, ch)->load.has_bank_fan)
        emit_command(e, COMMAND_FAN, ch, bench_channel_of(e, ch)->load.device)->on = false;
}

static void fire(struct engine *e, int ch, enum timer_id id)
{
    switch (id) {
    case TIMER_LOAD:
        load_timer(e, ch);
        break;
    case TIMER_PHASE:
        procedure_timer(e, ch);
        break;
    case TIMER_SHUTOFF:
        shutoff_timer(e, ch);
        break;
    case TIMER_PROBE:
        shutoff_probe(e, ch);
        break;
    case TIMER_FAN:
        fan_timer(e, ch);
        break;
    case TIMER_COUNT_:
        break;
    }
}

/* The earliest armed timer: channels by index where times are equal. */
static int64_t earliest(const struct engine *e, int *channel, enum timer_id *id)
{
    int64_t at = NEVER_NS;
    for (int ch = 0; ch < e->bench.channel_count; ch++)
        for (int i = 0; i < TIMER_COUNT_; i++)
            if (e->channels[ch].timers[i] < at) {
                at = e->channels[ch].timers[i];
                *channel = ch;
                *id = (enum timer_id)i;
            }
    return at;
}

static void fire_timers(struct engine *e)
{
    int ch = 0;
    enum timer_id id = TIMER_LOAD;
    for (int64_t at = earliest(e, &ch, &id); at <= e->step_ns && at != NEVER_NS; at = earliest(e, &ch, &id)) {
        if (at > e->now_ns)
            e->now_ns = at;
        e->channels[ch].timers[id] = NEVER_NS;
        fire(e, ch, id);
    }
}

static bool anything_live(const struct engine *e)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++)
        if (e->channels[ch].load.phase != LOAD_OPEN || e->channels[ch].load.trigger_on)
            return true;
    return false;
}

static void keep_beacon(struct engine *e)
{
    bool on = anything_live(e);
    for (int ch = 0; ch < e->bench.channel_count && !on; ch++)
        on = e->channels[ch].run.active;
    if (on == e->beacon_on)
        return;
    e->beacon_on = on;
    emit_command(e, COMMAND_BEACON, -1, -1)->on = on;
}

static void poll_everything(struct engine *e)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        load_poll(e, ch);
        procedure_poll(e, ch);
        rules_run(e, ch);
    }
    watchdog_poll(e);
    track_tell_losses(e);
    interlock_run(e);
    queue_run(e);
    placing_run(e);
    keep_beacon(e);
    renewal_run(e);
}

void engine_step(struct engine *e, const struct input *in, struct engine_out *out)
{
    out->command_count = out->event_count = out->verdict_count = 0;
    out->overflow = false;
    e->out = out;
    e->seq = in->seq;
    if (in->seen_ns > e->step_ns)
        e->step_ns = in->seen_ns;
    if (!e->booted) {
        e->now_ns = e->step_ns;
        if (in->kind == INPUT_BOOT)
            take_boot(e, &in->u.boot);
        e->out = NULL;
        return;
    }
    fire_timers(e);
    e->now_ns = e->step_ns;
    take(e, in);
    poll_everything(e);
    e->out = NULL;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int64_t engine_next_timer_ns(const struct engine *engine)
{
    /* The look at signals' ages writes nothing; it shares its code with the step. */
    struct engine *e = (struct engine *)(uintptr_t)engine;
    if (!e->booted)
        return NEVER_NS;
    int ch;
    enum timer_id id;
    int64_t next = earliest(e, &ch, &id);
    next = sooner(next, renewal_next_ns(e));
    next = sooner(next, interlock_next_ns(e));
    next = sooner(next, watchdog_next_ns(e));
    next = sooner(next, queue_next_ns(e));
    next = sooner(next, placing_next_ns(e));
    for (int i = 0; i < e->bench.channel_count; i++)
        next = sooner(next, rules_next_ns(e, i));
    /* Never a time that has gone by: rounding must not make a caller spin. */
    return next == NEVER_NS || next > e->step_ns ? next : e->step_ns + 1000000;
}
