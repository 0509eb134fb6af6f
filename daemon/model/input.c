#include "input.h"

#include <math.h>
#include <string.h>

static const char *const verb_names[VERB_COUNT_] = {"start",   "end",     "reset",          "rig",  "rigged",
                                                    "release", "set",     "prove-watchdog", "note", "continue",
                                                    "queue",   "unqueue", "facts"};
static const char *const start_names[START_CONDITION_COUNT_] = {"unknown", "cold", "warm"};

static const char *const kind_names[INPUT_KIND_COUNT_] = {"boot",    "time",   "readings", "operator", "ack", "link",
                                                          "journal", "synced", "anchor",   "worker",   "lost"};

const char *input_kind_name(enum input_kind kind)
{
    return (unsigned)kind < INPUT_KIND_COUNT_ ? kind_names[kind] : "?";
}

const char *operator_verb_name(enum operator_verb v)
{
    return (unsigned)v < VERB_COUNT_ ? verb_names[v] : "?";
}

const char *start_condition_name(enum start_condition s)
{
    return (unsigned)s < START_CONDITION_COUNT_ ? start_names[s] : "?";
}

const char *strike_use_name(enum strike_use u)
{
    static const char *const names[STRIKE_USE_COUNT_] = {"by-unit", "use", "none"};
    return (unsigned)u < STRIKE_USE_COUNT_ ? names[u] : "?";
}

const char *capture_status_name(enum capture_status s)
{
    static const char *const names[CAPTURE_STATUS_COUNT_] = {
        "armed", "whole", "not-armed", "not-ready", "overwritten", "frozen", "bad-length", "unreadable", "link-lost"};
    return (unsigned)s < CAPTURE_STATUS_COUNT_ ? names[s] : "?";
}

int capture_values(const struct input_capture *c)
{
    return c->count > 0 ? c->count * CAPTURE_SIGNALS : 0;
}

static void put_boot(struct writer *w, const struct input_boot *b)
{
    put_text(w, b->engine_version);
    put_u64(w, b->epoch);
    put_i64(w, b->utc_ns);
    put_bool(w, b->after_interruption);
    put_i32(w, b->queue_waiting);
    put_u32(w, (uint32_t)b->channel_count);
    for (int i = 0; i < b->channel_count; i++) {
        put_i64(w, b->channels[i].last_load_utc_ns);
        put_u32(w, (uint32_t)b->channels[i].latched);
        put_i32(w, b->channels[i].cutouts_tonight);
    }
    put_u32(w, (uint32_t)b->device_count);
    for (int i = 0; i < b->device_count; i++) {
        put_i64(w, b->devices[i].watchdog_proved_utc_ns);
        put_i64(w, b->devices[i].watchdog_took_ns);
        put_f64(w, b->devices[i].power_up_count);
    }
    put_u32(w, (uint32_t)b->circuit_count);
    for (int i = 0; i < b->circuit_count; i++) {
        put_f64(w, b->circuits[i].heat);
        put_i64(w, b->circuits[i].at_utc_ns);
    }
}

static void get_boot(struct reader *r, struct input_boot *b)
{
    get_text(r, b->engine_version, sizeof b->engine_version);
    b->epoch = get_u64(r);
    b->utc_ns = get_i64(r);
    b->after_interruption = get_bool(r);
    b->queue_waiting = get_i32(r);
    b->channel_count = (int)get_below(r, CHANNELS_MAX + 1);
    for (int i = 0; i < b->channel_count; i++) {
        b->channels[i].last_load_utc_ns = get_i64(r);
        b->channels[i].latched = (enum interlock)get_below(r, INTERLOCK_COUNT_);
        b->channels[i].cutouts_tonight = get_i32(r);
    }
    b->device_count = (int)get_below(r, DEVICES_MAX + 1);
    for (int i = 0; i < b->device_count; i++) {
        b->devices[i].watchdog_proved_utc_ns = get_i64(r);
        b->devices[i].watchdog_took_ns = get_i64(r);
        b->devices[i].power_up_count = get_f64(r);
    }
    b->circuit_count = (int)get_below(r, CIRCUITS_MAX + 1);
    for (int i = 0; i < b->circuit_count; i++) {
        b->circuits[i].heat = get_f64(r);
        b->circuits[i].at_utc_ns = get_i64(r);
    }
}

static void put_readings(struct writer *w, const struct input_readings *m)
{
    put_i32(w, m->bus);
    put_i32(w, m->device);
    put_i64(w, m->stamp_ns);
    put_i64(w, m->half_width_ns);
    put_u16(w, (uint16_t)m->count);
    for (int i = 0; i < m->count; i++) {
        put_u16(w, (uint16_t)m->items[i].signal);
        put_u8(w, (uint8_t)m->items[i].quality);
        put_f64(w, m->items[i].value);
    }
}

static void get_readings(struct reader *r, struct input_readings *m)
{
    m->bus = get_i32(r);
    m->device = get_i32(r);
    m->stamp_ns = get_i64(r);
    m->half_width_ns = get_i64(r);
    m->count = get_u16(r);
    if (m->bus < -1 || m->bus >= BUSES_MAX || m->device < -1 || m->device >= DEVICES_MAX ||
        m->count > BLOCK_ITEMS_MAX) {
        r->bad = true;
        m->count = 0;
    }
    for (int i = 0; i < m->count; i++) {
        m->items[i].signal = get_u16(r);
        uint8_t q = get_u8(r);
        if (q >= QUALITY_COUNT_ || m->items[i].signal >= SIGNALS_MAX) {
            r->bad = true;
            q = QUALITY_INVALID;
        }
        m->items[i].quality = (enum quality)q;
        m->items[i].value = get_f64(r);
    }
}

static void put_stores(struct writer *w, const struct run_stores *s)
{
    put_i32(w, s->count);
    put_i32(w, s->in_trouble);
    put_u32(w, (uint32_t)s->worst);
    put_text(w, s->name);
    put_i64(w, s->waiting_rows);
    put_i64(w, s->rejected);
    put_bool(w, s->backlog_near_cap);
}

static void get_stores(struct reader *r, struct run_stores *s)
{
    s->count = get_i32(r);
    s->in_trouble = get_i32(r);
    s->worst = (enum store_stand)get_below(r, STORE_STAND_COUNT_);
    get_text(r, s->name, sizeof s->name);
    s->waiting_rows = get_i64(r);
    s->rejected = get_i64(r);
    s->backlog_near_cap = get_bool(r);
}

static void put_run_request(struct writer *w, const struct run_request *q)
{
    put_i64(w, q->run_no);
    put_text(w, q->serial);
    put_i32(w, q->plate_version);
    put_u32(w, (uint32_t)q->protection);
    put_bool(w, q->s_marked);
    put_rating_point(w, &q->point);
    put_u32(w, (uint32_t)q->procedure);
    put_i32(w, q->cycles);
    put_i64(w, q->soak_ns);
    put_bool(w, q->to_equilibrium);
    put_i64(w, q->soak_cap_ns);
    put_bool(w, q->go_on_after_cutout);
    put_i64(w, q->cap_ns);
    put_i32(w, q->repeats);
    put_u32(w, (uint32_t)q->survey_count);
    for (int i = 0; i < q->survey_count; i++)
        put_f64(w, q->survey_a[i]);
    put_i64(w, q->survey_rest_ns);
    put_bool(w, q->consent_past_rating);
    put_bool(w, q->unattended);
    put_bool(w, q->together);
    put_bool(w, q->night.allowed);
    put_bool(w, q->night.ups);
    put_bool(w, q->night.beacon);
    put_bool(w, q->night.outside);
    put_i64(w, q->night.acknowledged_utc_s);
    put_stores(w, &q->stores);
    put_i64(w, q->unit_last_load_utc_ns);
    put_i32(w, q->unit_cutouts);
    put_bool(w, q->from_page);
    put_bool(w, q->setting);
    put_bool(w, q->heated_intake);
    put_bool(w, q->control_at_maximum);
    put_bool(w, q->setup_confirmed);
    put_i64(w, q->safety_test_utc_s);
    put_i64(w, q->safety_test_due_utc_s);
    put_bool(w, q->safety_test_failed);
    put_u32(w, (uint32_t)q->start);
    put_text(w, q->who);
    put_text(w, q->accepts);
    put_f64(w, q->target_resistance_ohm);
    put_f64(w, q->baseline_u0_v);
    put_bool(w, q->load_held);
    put_u32(w, (uint32_t)q->strike);
    put_bool(w, q->point.strike);
}

static void get_run_request(struct reader *r, struct run_request *q)
{
    q->run_no = get_i64(r);
    get_text(r, q->serial, sizeof q->serial);
    q->plate_version = get_i32(r);
    q->protection = (enum protection)get_below(r, PROTECTION_COUNT_);
    q->s_marked = get_bool(r);
    get_rating_point(r, &q->point);
    q->procedure = (enum procedure)get_below(r, PROCEDURE_COUNT_);
    q->cycles = get_i32(r);
    q->soak_ns = get_i64(r);
    q->to_equilibrium = get_bool(r);
    q->soak_cap_ns = get_i64(r);
    q->go_on_after_cutout = get_bool(r);
    q->cap_ns = get_i64(r);
    q->repeats = get_i32(r);
    q->survey_count = (int32_t)get_below(r, SURVEY_POINTS_MAX + 1);
    for (int i = 0; i < q->survey_count; i++)
        q->survey_a[i] = get_f64(r);
    q->survey_rest_ns = get_i64(r);
    q->consent_past_rating = get_bool(r);
    q->unattended = get_bool(r);
    q->together = get_bool(r);
    q->night.allowed = get_bool(r);
    q->night.ups = get_bool(r);
    q->night.beacon = get_bool(r);
    q->night.outside = get_bool(r);
    q->night.acknowledged_utc_s = get_i64(r);
    get_stores(r, &q->stores);
    q->unit_last_load_utc_ns = get_i64(r);
    q->unit_cutouts = get_i32(r);
    q->from_page = get_bool(r);
    q->setting = get_bool(r);
    q->heated_intake = get_bool(r);
    q->control_at_maximum = get_bool(r);
    q->setup_confirmed = get_bool(r);
    q->safety_test_utc_s = get_i64(r);
    q->safety_test_due_utc_s = get_i64(r);
    q->safety_test_failed = get_bool(r);
    q->start = (enum start_condition)get_below(r, START_CONDITION_COUNT_);
    get_text(r, q->who, sizeof q->who);
    get_text(r, q->accepts, sizeof q->accepts);
    q->target_resistance_ohm = get_f64(r);
    q->baseline_u0_v = get_f64(r);
    if (r->at == r->size)
        return; /* as recorded before the rest was there */
    q->load_held = get_bool(r);
    if (r->at == r->size)
        return;
    q->strike = (enum strike_use)get_below(r, STRIKE_USE_COUNT_);
    q->point.strike = get_bool(r);
}

static bool carries_run(enum operator_verb verb)
{
    return verb == VERB_START || verb == VERB_QUEUE || verb == VERB_UNQUEUE || verb == VERB_FACTS;
}

static void put_operator(struct writer *w, const struct input_operator *o)
{
    put_u32(w, (uint32_t)o->verb);
    put_i32(w, o->channel);
    put_i32(w, o->device);
    put_u64(w, o->request);
    put_text(w, o->who);
    put_text(w, o->text);
    if (carries_run(o->verb))
        put_run_request(w, &o->run);
}

static void get_operator(struct reader *r, struct input_operator *o)
{
    o->verb = (enum operator_verb)get_below(r, VERB_COUNT_);
    o->channel = get_i32(r);
    o->device = get_i32(r);
    if (o->channel < -1 || o->channel >= CHANNELS_MAX || o->device < -1 || o->device >= DEVICES_MAX)
        r->bad = true;
    o->request = get_u64(r);
    get_text(r, o->who, sizeof o->who);
    get_text(r, o->text, sizeof o->text);
    if (carries_run(o->verb))
        get_run_request(r, &o->run);
}

static void put_capture(struct writer *w, const struct input_capture *c)
{
    put_i32(w, c->bus);
    put_i32(w, c->device);
    put_i32(w, c->channel);
    put_u64(w, c->command);
    put_u32(w, (uint32_t)c->status);
    put_i64(w, c->first_ns);
    put_i64(w, c->half_width_ns);
    put_i64(w, c->interval_ns);
    put_i32(w, c->event);
    put_i32(w, c->count);
    for (int s = 0; s < CAPTURE_SIGNALS; s++)
        put_bool(w, c->has[s]);
    put_text(w, c->text);
    for (int i = 0; i < capture_values(c); i++)
        put_f64(w, c->values[i]);
}

static void get_capture(struct reader *r, struct input_capture *c)
{
    c->bus = get_i32(r);
    c->device = get_i32(r);
    c->channel = get_i32(r);
    c->command = get_u64(r);
    c->status = (enum capture_status)get_below(r, CAPTURE_STATUS_COUNT_);
    c->first_ns = get_i64(r);
    c->half_width_ns = get_i64(r);
    c->interval_ns = get_i64(r);
    c->event = get_i32(r);
    c->count = get_i32(r);
    for (int s = 0; s < CAPTURE_SIGNALS; s++)
        c->has[s] = get_bool(r);
    get_text(r, c->text, sizeof c->text);
    if (c->bus < 0 || c->bus >= BUSES_MAX || c->device < 0 || c->device >= DEVICES_MAX || c->channel < 0 ||
        c->channel >= CHANNELS_MAX || c->count < 0 || c->count > CAPTURE_VALUES_MAX / CAPTURE_SIGNALS ||
        c->interval_ns < 0) {
        r->bad = true;
        c->count = 0;
    }
    for (int i = 0; i < capture_values(c); i++)
        c->values[i] = get_f64(r);
}

/* A fit, of a channel, has fewer values than a plan of all of them. */
static int values_of(const struct input_worker *a)
{
    enum { FIT_VALUES = 24 };
    return a->channel >= 0 ? FIT_VALUES : WORKER_VALUES_MAX;
}

static void put_body(struct writer *w, const struct input *in)
{
    switch (in->kind) {
    case INPUT_BOOT:
        put_boot(w, &in->u.boot);
        break;
    case INPUT_READINGS:
        put_readings(w, &in->u.readings);
        break;
    case INPUT_OPERATOR:
        put_operator(w, &in->u.operator_);
        break;
    case INPUT_ACK:
        put_i32(w, in->u.ack.device);
        put_u64(w, in->u.ack.command);
        put_u32(w, (uint32_t)in->u.ack.kind);
        put_i64(w, in->u.ack.stamp_ns);
        break;
    case INPUT_LINK:
        put_i32(w, in->u.link.device);
        put_bool(w, in->u.link.up);
        put_bool(w, in->u.link.power_up);
        put_u32(w, (uint32_t)in->u.link.tells);
        put_f64(w, in->u.link.power_up_value);
        put_text(w, in->u.link.text);
        break;
    case INPUT_JOURNAL:
        put_i64(w, in->u.journal.oldest_unsynced_ns);
        put_bool(w, in->u.journal.space_low);
        put_bool(w, in->u.journal.failed);
        break;
    case INPUT_SYNCED:
        put_u64(w, in->u.synced.event_id);
        break;
    case INPUT_ANCHOR:
        put_i64(w, in->u.anchor.utc_ns);
        put_i64(w, in->u.anchor.monotonic_ns);
        put_i64(w, in->u.anchor.boottime_ns);
        put_bool(w, in->u.anchor.suspended);
        put_bool(w, in->u.anchor.stepped);
        put_i64(w, in->u.anchor.slept_ns);
        put_i64(w, in->u.anchor.moved_ns);
        break;
    case INPUT_WORKER:
        put_u64(w, in->u.worker.job);
        put_i32(w, in->u.worker.channel);
        put_i32(w, in->u.worker.status);
        for (int i = 0; i < values_of(&in->u.worker); i++)
            put_f64(w, in->u.worker.values[i]);
        break;
    case INPUT_LOST:
        put_i32(w, in->u.lost.bus);
        put_u64(w, in->u.lost.count);
        break;
    case INPUT_CAPTURE:
        put_capture(w, &in->u.capture);
        break;
    case INPUT_TIME:
    case INPUT_KIND_COUNT_:
        break;
    }
}

void put_input(struct writer *w, const struct input *in)
{
    put_u64(w, in->seq);
    put_i64(w, in->seen_ns);
    put_u8(w, (uint8_t)in->kind);
    put_body(w, in);
}

static int get_device_index(struct reader *r)
{
    int32_t v = get_i32(r);
    if (v < -1 || v >= DEVICES_MAX) {
        r->bad = true;
        return -1;
    }
    return v;
}

static void get_body(struct reader *r, struct input *in)
{
    switch (in->kind) {
    case INPUT_BOOT:
        get_boot(r, &in->u.boot);
        break;
    case INPUT_READINGS:
        get_readings(r, &in->u.readings);
        break;
    case INPUT_OPERATOR:
        get_operator(r, &in->u.operator_);
        break;
    case INPUT_ACK:
        in->u.ack.device = get_device_index(r);
        in->u.ack.command = get_u64(r);
        in->u.ack.kind = (enum ack_kind)get_below(r, ACK_COUNT_);
        in->u.ack.stamp_ns = get_i64(r);
        break;
    case INPUT_LINK:
        in->u.link.device = get_device_index(r);
        in->u.link.up = get_bool(r);
        in->u.link.power_up = get_bool(r);
        in->u.link.tells = (enum power_up_kind)get_below(r, POWER_UP_KIND_COUNT_);
        in->u.link.power_up_value = get_f64(r);
        get_text(r, in->u.link.text, sizeof in->u.link.text);
        break;
    case INPUT_JOURNAL:
        in->u.journal.oldest_unsynced_ns = get_i64(r);
        in->u.journal.space_low = get_bool(r);
        in->u.journal.failed = get_bool(r);
        break;
    case INPUT_SYNCED:
        in->u.synced.event_id = get_u64(r);
        break;
    case INPUT_ANCHOR:
        in->u.anchor.utc_ns = get_i64(r);
        in->u.anchor.monotonic_ns = get_i64(r);
        in->u.anchor.boottime_ns = get_i64(r);
        in->u.anchor.suspended = get_bool(r);
        in->u.anchor.stepped = get_bool(r);
        in->u.anchor.slept_ns = get_i64(r);
        in->u.anchor.moved_ns = get_i64(r);
        break;
    case INPUT_WORKER:
        in->u.worker.job = get_u64(r);
        in->u.worker.channel = get_i32(r);
        in->u.worker.status = get_i32(r);
        for (int i = 0; i < WORKER_VALUES_MAX; i++)
            in->u.worker.values[i] = i < values_of(&in->u.worker) ? get_f64(r) : NAN;
        break;
    case INPUT_LOST:
        in->u.lost.bus = get_i32(r);
        in->u.lost.count = get_u64(r);
        break;
    case INPUT_CAPTURE:
        get_capture(r, &in->u.capture);
        break;
    case INPUT_TIME:
    case INPUT_KIND_COUNT_:
        break;
    }
}

void get_input(struct reader *r, struct input *in)
{
    memset(in, 0, sizeof *in);
    in->seq = get_u64(r);
    in->seen_ns = get_i64(r);
    uint8_t kind = get_u8(r);
    if (kind >= INPUT_KIND_COUNT_) {
        r->bad = true;
        kind = INPUT_TIME;
    }
    in->kind = (enum input_kind)kind;
    get_body(r, in);
}
