#include "engine_stage.h"

#include <assert.h>
#include <math.h>
#include <pthread.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"
#include "error.h"

enum { HELD_MAX = 256, LOST_SOURCES = BUSES_MAX + 2 };

static const int64_t publish_every_ns = 50000000;
static const int64_t health_every_ns = 1000000000;

/* Room that a step may need in the journal's queue: what every step of ordinary work stays far below. Should one step
 * have more to say, queue_put fails and the loads are dropped. */
static const size_t step_room = 256 * 1024;

enum health { HEALTH_GOOD, HEALTH_WARN, HEALTH_REFUSE, HEALTH_OPEN, HEALTH_FAILED };

struct engine_stage {
    struct engine_stage_setup setup;
    struct engine *engine;
    struct engine_out *out;
    struct input in;
    uint64_t seq;
    int64_t seen_ns;
    uint64_t synced_told;
    enum health health_told;
    bool space_low_told;
    int64_t health_told_ns;
    bool stalled;
    uint64_t lost_told[LOST_SOURCES];
    uint64_t journal_lost;
    int next_bus;
    struct command held[HELD_MAX];
    int held_count;
    atomic_bool end_all;
    _Atomic uint64_t inputs, events, commands, lost, stalls, held_now;
    int64_t published_ns;
    pthread_mutex_t view_mutex;
    struct bench_view view;    /* guarded by view_mutex */
    struct bench_view scratch; /* engine's thread */
};

size_t input_used_size(const struct input *in)
{
    size_t head = offsetof(struct input, u);
    switch (in->kind) {
    case INPUT_BOOT:
        return head + sizeof in->u.boot;
    case INPUT_READINGS:
        return head + offsetof(struct input_readings, items) + (size_t)in->u.readings.count * sizeof(struct reading);
    case INPUT_OPERATOR:
        return head + sizeof in->u.operator_;
    case INPUT_ACK:
        return head + sizeof in->u.ack;
    case INPUT_LINK:
        return head + sizeof in->u.link;
    case INPUT_JOURNAL:
        return head + sizeof in->u.journal;
    case INPUT_SYNCED:
        return head + sizeof in->u.synced;
    case INPUT_ANCHOR:
        return head + sizeof in->u.anchor;
    case INPUT_WORKER:
        return head + sizeof in->u.worker;
    case INPUT_LOST:
        return head + sizeof in->u.lost;
    case INPUT_CAPTURE:
        return head + offsetof(struct input_capture, values) +
               (size_t)capture_values(&in->u.capture) * sizeof in->u.capture.values[0];
    case INPUT_TIME:
    case INPUT_KIND_COUNT_:
        break;
    }
    return head;
}

/* ---- commands ---- */

static int load_device(const struct engine_stage *s, int channel)
{
    if (channel < 0 || channel >= s->setup.bench->channel_count)
        return -1;
    return s->setup.bench->channels[channel].load.device;
}

/* Forget held commands of a channel, or of every channel of a device. */
static void forget_held(struct engine_stage *s, int channel, int device)
{
    int kept = 0;
    for (int i = 0; i < s->held_count; i++) {
        const struct command *c = &s->held[i];
        if ((channel >= 0 && c->channel == channel) || (device >= 0 && load_device(s, c->channel) == device))
            continue;
        if (kept != i)
            s->held[kept] = *c;
        kept++;
    }
    s->held_count = kept;
    atomic_store(&s->held_now, (uint64_t)kept);
}

static void hold(struct engine_stage *s, const struct command *c)
{
    if (s->held_count == HELD_MAX) {
        log_write(s->setup.log, LOG_LEVEL_ERROR,
                  "engine: too many commands wait for the journal, one was not carried out");
        return;
    }
    s->held[s->held_count++] = *c;
    atomic_store(&s->held_now, (uint64_t)s->held_count);
}

static void release_held(struct engine_stage *s, uint64_t synced)
{
    int kept = 0;
    for (int i = 0; i < s->held_count; i++) {
        if (s->held[i].intent_event <= synced)
            s->setup.hands.post(s->setup.hands.ctx, &s->held[i]);
        else
            s->held[kept++] = s->held[i];
    }
    s->held_count = kept;
    atomic_store(&s->held_now, (uint64_t)kept);
}

static void drop_all(struct engine_stage *s)
{
    for (int d = 0; d < s->setup.bench->device_count; d++)
        if (s->setup.bench->devices[d].is_load) {
            struct command drop = {.kind = COMMAND_DROP, .channel = -1, .device = d};
            forget_held(s, -1, d);
            s->setup.hands.drop(s->setup.hands.ctx, &drop);
        }
}

static void put_record(struct engine_stage *s, enum record_type type, const void *bytes, size_t size)
{
    if (queue_put(s->setup.to_journal, (uint32_t)type, bench_clock_real_ns(s->setup.clock), bytes, size) == 0)
        return;
    /* More than the room that was kept free: the record has a gap, so nothing may stay on load. */
    s->journal_lost++;
    drop_all(s);
}

static void put_notice(struct engine_stage *s, const struct command *c)
{
    put_record(s, RECORD_NOTICE, c, sizeof *c);
}

static void carry_out(struct engine_stage *s, const struct command *c)
{
    const struct engine_hands *h = &s->setup.hands;
    atomic_fetch_add(&s->commands, 1);
    switch (c->kind) {
    case COMMAND_LEASE:
        h->lease(h->ctx, c->device, c->until_ns);
        break;
    case COMMAND_DROP:
        forget_held(s, -1, c->device);
        h->drop(h->ctx, c);
        break;
    case COMMAND_OPEN:
        forget_held(s, c->channel, -1);
        h->post(h->ctx, c);
        break;
    case COMMAND_TRIGGER:
        if (!c->on)
            forget_held(s, c->channel, -1);
        /* fall through */
    case COMMAND_STEPS:
    case COMMAND_SETPOINT: /* closes a load that is set to a number */
        if (c->intent_event > s->synced_told)
            hold(s, c);
        else
            h->post(h->ctx, c);
        break;
    case COMMAND_SUPPLY:
    case COMMAND_BEAT_STOP:
    case COMMAND_BEAT_START:
    case COMMAND_FAN:
    case COMMAND_PEAK_RESET:
    case COMMAND_CAPTURE:
    case COMMAND_REMOTE:
        h->post(h->ctx, c);
        break;
    case COMMAND_BEACON:
        h->beacon(h->ctx, c);
        break;
    case COMMAND_ANSWER:
        h->answer(h->ctx, c->request, c->code, c->text);
        break;
    case COMMAND_NOTIFY:
        put_notice(s, c);
        break;
    case COMMAND_WORKER:
        h->worker(h->ctx, c, &s->out->stagger_job);
        break;
    case COMMAND_FACTS:
        h->facts(h->ctx, c);
        break;
    case COMMAND_KIND_COUNT_:
        break;
    }
}

/* ---- one step ---- */

/* The few events that whoever looks after the daemon wants to see in its log as well. */
static void log_event(struct engine_stage *s, const struct event *e)
{
    static const enum event_kind worth[] = {EVENT_RUN_START, EVENT_RUN_END,        EVENT_INTERLOCK,
                                            EVENT_ALARM,     EVENT_SUPPLY_TRIP,    EVENT_INTERLOCK_RESET,
                                            EVENT_GAP,       EVENT_WATCHDOG_PROVED};
    for (size_t i = 0; i < sizeof worth / sizeof worth[0]; i++)
        if (e->kind == worth[i]) {
            bool bad = e->kind == EVENT_INTERLOCK || e->kind == EVENT_ALARM || e->kind == EVENT_SUPPLY_TRIP;
            bool of_channel = e->channel >= 0 && e->channel < s->setup.bench->channel_count;
            log_write(s->setup.log, bad ? LOG_LEVEL_WARN : LOG_LEVEL_NOTICE, "%s %s: %s",
                      of_channel ? s->setup.bench->channels[e->channel].name : "bench", event_kind_name(e->kind),
                      e->text);
        }
}

static void record_outcome(struct engine_stage *s)
{
    const struct engine_out *out = s->out;
    bool urgent = false;
    for (int i = 0; i < out->event_count; i++) {
        put_record(s, RECORD_EVENT, &out->events[i], sizeof out->events[i]);
        urgent = urgent || event_is_urgent(out->events[i].kind);
        log_event(s, &out->events[i]);
    }
    for (int i = 0; i < out->verdict_count; i++) {
        struct verdict_record v = {.seq = s->seq, .seen_ns = s->seen_ns, .verdict = out->verdicts[i]};
        put_record(s, RECORD_VERDICT, &v, sizeof v);
    }
    if (urgent) {
        struct input_boot carry = {0};
        engine_carry(s->engine, &carry);
        put_record(s, RECORD_CARRY, &carry, sizeof carry);
    }
    atomic_fetch_add(&s->events, (uint64_t)out->event_count);
}

/* Whoever is told "accepted" or "done" must see it in the view when they look. */
static void publish_before_answer(struct engine_stage *s)
{
    for (int i = 0; i < s->out->command_count; i++)
        if (s->out->commands[i].kind == COMMAND_ANSWER) {
            engine_stage_publish(s);
            return;
        }
}

/* Feed s->in, whose kind and content are set. */
static void step(struct engine_stage *s)
{
    struct input *in = &s->in;
    int64_t now_ns = bench_clock_now_ns(s->setup.clock);
    if (now_ns > s->seen_ns)
        s->seen_ns = now_ns;
    in->seq = ++s->seq;
    in->seen_ns = s->seen_ns;
    /* An input and all that followed from it go to disk together or not at all: a run that ended has its verdict. */
    queue_hold(s->setup.to_journal);
    put_record(s, RECORD_INPUT, in, input_used_size(in));
    engine_step(s->engine, in, s->out);
    atomic_fetch_add(&s->inputs, 1);
    /* Opening first, whatever else is in the list. */
    if (s->out->overflow)
        drop_all(s);
    record_outcome(s);
    queue_show(s->setup.to_journal);
    publish_before_answer(s);
    for (int i = 0; i < s->out->command_count; i++)
        carry_out(s, &s->out->commands[i]);
    if (in->kind == INPUT_READINGS && s->setup.hands.readings)
        s->setup.hands.readings(s->setup.hands.ctx, &in->u.readings);
    if (in->kind == INPUT_SYNCED)
        release_held(s, in->u.synced.event_id);
}

static void begin_input(struct engine_stage *s, enum input_kind kind)
{
    s->in.kind = kind;
}

/* Take one record of a queue as an input. */
static bool take(struct engine_stage *s, struct queue *q)
{
    struct queue_record record;
    if (!q || !queue_take(q, &record, &s->in.u, sizeof s->in.u))
        return false;
    assert(record.type < INPUT_KIND_COUNT_);
    begin_input(s, (enum input_kind)record.type);
    return true;
}

/* ---- what the stage itself has to tell the engine ---- */

static bool tell_lost(struct engine_stage *s)
{
    for (int i = 0; i < LOST_SOURCES; i++) {
        struct queue *q = i < BUSES_MAX ? s->setup.buses[i] : i == BUSES_MAX ? s->setup.orders : NULL;
        uint64_t lost = q ? queue_counts(q).refused : i == BUSES_MAX + 1 ? s->journal_lost : 0;
        if (i == BUSES_MAX)
            lost = 0; /* a refused order was answered with "busy": nothing is lost */
        if (lost == s->lost_told[i])
            continue;
        begin_input(s, INPUT_LOST);
        s->in.u.lost = (struct input_lost){.bus = i < BUSES_MAX ? i : -1, .count = lost - s->lost_told[i]};
        s->lost_told[i] = lost;
        atomic_fetch_add(&s->lost, s->in.u.lost.count);
        log_write(s->setup.log, LOG_LEVEL_ERROR, "engine: %llu inputs of %s were lost",
                  (unsigned long long)s->in.u.lost.count, i < BUSES_MAX ? s->setup.bench->bus_names[i] : "the record");
        return true;
    }
    return false;
}

static bool tell_synced(struct engine_stage *s)
{
    uint64_t synced = atomic_load(&s->setup.journal->synced_event);
    if (synced == s->synced_told)
        return false;
    s->synced_told = synced;
    begin_input(s, INPUT_SYNCED);
    s->in.u.synced.event_id = synced;
    return true;
}

static enum health health_of(const struct engine_stage *s, int64_t age_ns, bool failed)
{
    const struct bench_limits *limits = &s->setup.bench->limits;
    if (age_ns >= limits->journal_open_ns)
        return HEALTH_OPEN;
    if (age_ns >= limits->journal_refuse_ns)
        return HEALTH_REFUSE;
    if (failed)
        return HEALTH_FAILED;
    return age_ns >= limits->journal_warn_ns ? HEALTH_WARN : HEALTH_GOOD;
}

/* Health of the record: the age, in real time, of the oldest input that is not on disk. Told when its class changes,
 * and each second. */
static bool tell_health(struct engine_stage *s)
{
    int64_t now_ns = bench_clock_real_ns(s->setup.clock);
    int64_t oldest_ns = now_ns;
    queue_oldest(s->setup.to_journal, &oldest_ns);
    bool failed = atomic_load(&s->setup.journal->failed);
    bool space_low = atomic_load(&s->setup.journal->space_low);
    enum health health = health_of(s, now_ns - oldest_ns, failed);
    if (health == s->health_told && space_low == s->space_low_told && s->health_told_ns &&
        now_ns - s->health_told_ns < health_every_ns)
        return false;
    if (health >= HEALTH_REFUSE && health != s->health_told)
        log_write(s->setup.log, LOG_LEVEL_ERROR, "journal: oldest input not on disk is %.1f s old%s",
                  (double)(now_ns - oldest_ns) / 1e9, failed ? ", the last commit failed" : "");
    s->health_told = health;
    s->space_low_told = space_low;
    s->health_told_ns = now_ns;
    begin_input(s, INPUT_JOURNAL);
    s->in.u.journal =
        (struct input_journal){.oldest_unsynced_ns = now_ns - oldest_ns, .space_low = space_low, .failed = failed};
    return true;
}

static bool take_end(struct engine_stage *s)
{
    if (take(s, s->setup.ends))
        return true;
    if (!atomic_exchange(&s->end_all, false))
        return false;
    begin_input(s, INPUT_OPERATOR);
    s->in.u.operator_ = (struct input_operator){.verb = VERB_END, .channel = -1, .device = -1};
    text_copy(s->in.u.operator_.who, sizeof s->in.u.operator_.who, "soakbenchd");
    return true;
}

static bool take_from_buses(struct engine_stage *s)
{
    for (int i = 0; i < s->setup.bench->bus_count; i++) {
        int bus = (s->next_bus + i) % s->setup.bench->bus_count;
        if (take(s, s->setup.buses[bus])) {
            s->next_bus = (bus + 1) % s->setup.bench->bus_count;
            return true;
        }
    }
    return false;
}

/* Find the next input in order of weight; false when there is none. */
static bool next_input(struct engine_stage *s)
{
    if (take_end(s) || tell_lost(s) || tell_synced(s) || tell_health(s) || take(s, s->setup.orders) ||
        take_from_buses(s))
        return true;
    if (engine_next_timer_ns(s->engine) > bench_clock_now_ns(s->setup.clock))
        return false;
    begin_input(s, INPUT_TIME);
    return true;
}

/* Is there room for one more step? Going in and out of a stall is logged once each. */
static bool journal_has_room(struct engine_stage *s)
{
    bool room = queue_has_room(s->setup.to_journal, step_room);
    if (!room) {
        if (!s->stalled) {
            log_write(s->setup.log, LOG_LEVEL_ERROR, "engine: the journal does not keep up, all loads are dropped");
            atomic_fetch_add(&s->stalls, 1);
        }
        drop_all(s);
    } else if (s->stalled) {
        log_write(s->setup.log, LOG_LEVEL_NOTICE, "engine: the journal takes inputs again");
        s->journal_lost++;
    }
    s->stalled = !room;
    return room;
}

int engine_stage_run(struct engine_stage *stage, int most)
{
    int steps = 0;
    while (steps < most && journal_has_room(stage) && next_input(stage)) {
        step(stage);
        steps++;
    }
    if (bench_clock_real_ns(stage->setup.clock) - stage->published_ns >= publish_every_ns)
        engine_stage_publish(stage);
    return steps;
}

int64_t engine_stage_next_ns(const struct engine_stage *stage)
{
    return engine_next_timer_ns(stage->engine);
}

void engine_stage_end_all(struct engine_stage *stage)
{
    atomic_store(&stage->end_all, true);
}

void engine_stage_publish(struct engine_stage *stage)
{
    engine_view(stage->engine, &stage->scratch);
    stage->scratch.sequence++;
    pthread_mutex_lock(&stage->view_mutex);
    stage->view = stage->scratch;
    pthread_mutex_unlock(&stage->view_mutex);
    stage->published_ns = bench_clock_real_ns(stage->setup.clock);
}

void engine_stage_view(struct engine_stage *stage, struct bench_view *view)
{
    pthread_mutex_lock(&stage->view_mutex);
    *view = stage->view;
    pthread_mutex_unlock(&stage->view_mutex);
}

uint64_t engine_stage_seq(const struct engine_stage *stage)
{
    return stage->seq;
}

struct engine_stage_counts engine_stage_counts(const struct engine_stage *stage)
{
    return (struct engine_stage_counts){.inputs = atomic_load(&stage->inputs),
                                        .events = atomic_load(&stage->events),
                                        .commands = atomic_load(&stage->commands),
                                        .lost = atomic_load(&stage->lost),
                                        .held = atomic_load(&stage->held_now),
                                        .stalls = atomic_load(&stage->stalls)};
}

struct engine_stage *engine_stage_new(const struct engine_stage_setup *setup, const struct input_boot *boot)
{
    struct engine_stage *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    s->setup = *setup;
    s->engine = engine_new(setup->bench);
    s->out = calloc(1, sizeof *s->out);
    bool mutex = !pthread_mutex_init(&s->view_mutex, NULL);
    if (!s->engine || !s->out || !mutex) {
        engine_free(s->engine);
        free(s->out);
        if (mutex)
            pthread_mutex_destroy(&s->view_mutex);
        free(s);
        return NULL;
    }
    atomic_init(&s->end_all, false);
    begin_input(s, INPUT_BOOT);
    s->in.u.boot = *boot;
    step(s);
    engine_stage_publish(s);
    return s;
}

void engine_stage_free(struct engine_stage *stage)
{
    if (!stage)
        return;
    pthread_mutex_destroy(&stage->view_mutex);
    engine_free(stage->engine);
    free(stage->out);
    free(stage);
}
