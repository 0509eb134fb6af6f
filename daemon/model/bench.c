#include "bench.h"

#include <string.h>

/* 1: without supply_void_after; 2: without captures, latches and signals that stand still; 3: without what stands at
 * the end, times, levels, strikes and remote controls, whose defaults are what held then. What was recorded then is
 * judged again as it was. */
enum { BENCH_CODEC = 4, BENCH_CODEC_BEFORE_LATER = 3, BENCH_CODEC_BEFORE_CAPTURES = 2, BENCH_CODEC_FIRST = 1 };

static const int64_t never_ns = INT64_MAX;

static const char *const load_names[LOAD_KIND_COUNT_] = {"stepped", "settable-resistance", "settable-current",
                                                         "observed"};
static const char *const sense_names[RULE_SENSE_COUNT_] = {"above", "below", "outside", "rising"};
static const char *const action_names[RULE_ACTION_COUNT_] = {"note", "flag", "end", "open"};

const char *load_kind_name(enum load_kind kind)
{
    return (unsigned)kind < LOAD_KIND_COUNT_ ? load_names[kind] : "?";
}

const char *rule_sense_name(enum rule_sense sense)
{
    return (unsigned)sense < RULE_SENSE_COUNT_ ? sense_names[sense] : "?";
}

const char *rule_action_name(enum rule_action action)
{
    return (unsigned)action < RULE_ACTION_COUNT_ ? action_names[action] : "?";
}

static void put_signal(struct writer *w, const struct bench_signal *s)
{
    put_text(w, s->name);
    put_u32(w, (uint32_t)s->kind);
    put_u32(w, (uint32_t)s->cls);
    put_i32(w, s->channel);
    put_i32(w, s->device);
    put_i32(w, s->bus);
    put_u32(w, (uint32_t)s->dim);
    put_u32(w, (uint32_t)s->mean);
    put_f64(w, s->uncertainty.of_reading_pct);
    put_f64(w, s->uncertainty.of_range_pct);
    put_f64(w, s->uncertainty.range);
    put_f64(w, s->uncertainty.absolute);
    put_u32(w, (uint32_t)s->uncertainty.kind);
    put_f64(w, s->uncertainty.k);
    put_f64(w, s->correction_gain);
    put_f64(w, s->correction_offset);
    put_i64(w, s->refresh_ns);
    put_i64(w, s->averaging_ns);
    put_i64(w, s->damping_ns);
    put_i64(w, s->stale_after_ns);
    put_u32(w, (uint32_t)s->latch);
    put_text(w, s->certificate);
    put_i64(w, s->calibration_due_utc_s);
}

/* An index that may be -1, up to limit - 1. */
static int get_index(struct reader *r, int limit)
{
    int v = get_i32(r);
    if (v < -1 || v >= limit) {
        r->bad = true;
        return -1;
    }
    return v;
}

static void get_signal(struct reader *r, struct bench_signal *s, uint32_t codec)
{
    get_text(r, s->name, sizeof s->name);
    s->kind = (enum signal_kind)get_below(r, SIG_KIND_COUNT_);
    s->cls = (enum signal_class)get_below(r, CLASS_COUNT_);
    s->channel = get_index(r, CHANNELS_MAX);
    s->device = get_index(r, DEVICES_MAX);
    s->bus = get_index(r, BUSES_MAX);
    s->dim = (enum dimension)get_below(r, DIM_COUNT_);
    s->mean = (enum mean_kind)get_below(r, MEAN_KIND_COUNT_);
    s->uncertainty.of_reading_pct = get_f64(r);
    s->uncertainty.of_range_pct = get_f64(r);
    s->uncertainty.range = get_f64(r);
    s->uncertainty.absolute = get_f64(r);
    s->uncertainty.kind = (enum uncertainty_kind)get_below(r, UNC_KIND_COUNT_);
    s->uncertainty.k = get_f64(r);
    s->correction_gain = get_f64(r);
    s->correction_offset = get_f64(r);
    s->refresh_ns = get_i64(r);
    s->averaging_ns = get_i64(r);
    s->damping_ns = get_i64(r);
    s->stale_after_ns = get_i64(r);
    s->latch = codec > BENCH_CODEC_BEFORE_CAPTURES ? (enum latch_kind)get_below(r, LATCH_KIND_COUNT_) : LATCH_NONE;
    get_text(r, s->certificate, sizeof s->certificate);
    s->calibration_due_utc_s = get_i64(r);
}

static void put_stage(struct writer *w, const struct strike_stage *s)
{
    put_u32(w, s->mask);
    put_f64(w, s->resistance_ohm);
    put_i64(w, s->for_ns);
}

static void get_stage(struct reader *r, struct strike_stage *s)
{
    s->mask = get_u32(r);
    s->resistance_ohm = get_f64(r);
    s->for_ns = get_i64(r);
}

static void put_strike(struct writer *w, const struct bench_strike *s)
{
    put_bool(w, s->fitted);
    put_stage(w, &s->low);
    put_stage(w, &s->high);
    put_bool(w, s->released);
    put_i32(w, s->attempts);
    put_i64(w, s->rest_ns);
    put_i64(w, s->within_ns);
    put_f64(w, s->started_pct);
    put_f64(w, s->start_a);
    put_f64(w, s->arc_v);
    put_f64(w, s->overload_pct);
}

static void get_strike(struct reader *r, struct bench_strike *s)
{
    s->fitted = get_bool(r);
    get_stage(r, &s->low);
    get_stage(r, &s->high);
    s->released = get_bool(r);
    s->attempts = get_i32(r);
    s->rest_ns = get_i64(r);
    s->within_ns = get_i64(r);
    s->started_pct = get_f64(r);
    s->start_a = get_f64(r);
    s->arc_v = get_f64(r);
    s->overload_pct = get_f64(r);
}

static void put_load(struct writer *w, const struct bench_load *l)
{
    put_u32(w, (uint32_t)l->kind);
    put_i32(w, l->device);
    put_i32(w, l->feedback_signal);
    put_u32(w, (uint32_t)l->step_count);
    for (int i = 0; i < l->step_count; i++) {
        put_f64(w, l->steps[i].resistance_ohm);
        put_f64(w, l->steps[i].power_w);
    }
    put_f64(w, l->lead_resistance_ohm);
    put_f64(w, l->max_power_w);
    put_f64(w, l->max_voltage_v);
    put_f64(w, l->breaks_dc_v);
    put_f64(w, l->breaks_a);
    put_i64(w, l->travel_ns);
    put_i64(w, l->contactor_life);
    put_i64(w, l->contactors_renewed_utc_s);
    put_bool(w, l->has_supply_trip);
    put_bool(w, l->has_trigger);
    put_bool(w, l->has_bank_fan);
    put_f64(w, l->max_resistance_ohm);
    put_f64(w, l->min_resistance_ohm);
    put_f64(w, l->max_current_a);
}

static void get_load(struct reader *r, struct bench_load *l)
{
    l->kind = (enum load_kind)get_below(r, LOAD_KIND_COUNT_);
    l->device = get_index(r, DEVICES_MAX);
    l->feedback_signal = get_index(r, SIGNALS_MAX);
    l->step_count = (int)get_below(r, STEPS_MAX + 1);
    for (int i = 0; i < l->step_count; i++) {
        l->steps[i].resistance_ohm = get_f64(r);
        l->steps[i].power_w = get_f64(r);
    }
    l->lead_resistance_ohm = get_f64(r);
    l->max_power_w = get_f64(r);
    l->max_voltage_v = get_f64(r);
    l->breaks_dc_v = get_f64(r);
    l->breaks_a = get_f64(r);
    l->travel_ns = get_i64(r);
    l->contactor_life = get_i64(r);
    l->contactors_renewed_utc_s = get_i64(r);
    l->has_supply_trip = get_bool(r);
    l->has_trigger = get_bool(r);
    l->has_bank_fan = get_bool(r);
    l->max_resistance_ohm = get_f64(r);
    l->min_resistance_ohm = get_f64(r);
    l->max_current_a = get_f64(r);
}

static void put_remote(struct writer *w, const struct bench_remote *m)
{
    put_bool(w, m->fitted);
    put_i32(w, m->device);
    put_f64(w, m->low_out);
    put_f64(w, m->low_a);
    put_f64(w, m->high_out);
    put_f64(w, m->high_a);
    put_f64(w, m->safe_out);
    put_i64(w, m->settle_ns);
    put_f64(w, m->within_pct);
    put_i32(w, m->tries);
}

static void get_remote(struct reader *r, struct bench_remote *m)
{
    m->fitted = get_bool(r);
    m->device = get_index(r, DEVICES_MAX);
    m->low_out = get_f64(r);
    m->low_a = get_f64(r);
    m->high_out = get_f64(r);
    m->high_a = get_f64(r);
    m->safe_out = get_f64(r);
    m->settle_ns = get_i64(r);
    m->within_pct = get_f64(r);
    m->tries = get_i32(r);
}

static void put_channel(struct writer *w, const struct bench_channel *c)
{
    put_text(w, c->name);
    put_i32(w, c->circuit);
    put_load(w, &c->load);
    put_u32(w, (uint32_t)c->path_count);
    for (int i = 0; i < c->path_count; i++) {
        put_bool(w, c->path[i].is_cable);
        put_f64(w, c->path[i].area_mm2);
        put_f64(w, c->path[i].length_m);
        put_f64(w, c->path[i].current_a);
        put_f64(w, c->path[i].percent_on);
        put_f64(w, c->path[i].cycle_s);
    }
    for (int i = 0; i < SIG_KIND_COUNT_; i++)
        put_i32(w, c->signal[i]);
    put_bool(w, c->u2_at_bank);
    put_bool(w, c->has_capture);
    put_bool(w, c->remote.fitted);
}

static void get_channel(struct reader *r, struct bench_channel *c, uint32_t codec)
{
    get_text(r, c->name, sizeof c->name);
    c->circuit = get_index(r, CIRCUITS_MAX);
    get_load(r, &c->load);
    c->path_count = (int)get_below(r, PATH_PARTS_MAX + 1);
    for (int i = 0; i < c->path_count; i++) {
        c->path[i].is_cable = get_bool(r);
        c->path[i].area_mm2 = get_f64(r);
        c->path[i].length_m = get_f64(r);
        c->path[i].current_a = get_f64(r);
        c->path[i].percent_on = get_f64(r);
        c->path[i].cycle_s = get_f64(r);
    }
    for (int i = 0; i < SIG_KIND_COUNT_; i++)
        c->signal[i] = get_index(r, SIGNALS_MAX);
    c->u2_at_bank = get_bool(r);
    c->has_capture = codec > BENCH_CODEC_BEFORE_CAPTURES && get_bool(r);
    (void)get_bool(r); /* see the end: in older ones a mere word, nobody drove it */
}

static void put_circuit(struct writer *w, const struct bench_circuit *c)
{
    put_text(w, c->name);
    put_f64(w, c->voltage_v);
    put_i32(w, c->phases);
    put_f64(w, c->frequency_hz);
    put_f64(w, c->loop_ohm);
    put_f64(w, c->breaker.rated_a);
    put_text(w, c->breaker.standard);
    put_u8(w, (uint8_t)c->breaker.curve);
    put_u32(w, (uint32_t)c->breaker.point_count);
    for (int i = 0; i < c->breaker.point_count; i++) {
        put_f64(w, c->breaker.point_multiple[i]);
        put_f64(w, c->breaker.point_min_s[i]);
        put_f64(w, c->breaker.point_max_s[i]);
    }
}

static void get_circuit(struct reader *r, struct bench_circuit *c)
{
    get_text(r, c->name, sizeof c->name);
    c->voltage_v = get_f64(r);
    c->phases = get_i32(r);
    c->frequency_hz = get_f64(r);
    c->loop_ohm = get_f64(r);
    c->breaker.rated_a = get_f64(r);
    get_text(r, c->breaker.standard, sizeof c->breaker.standard);
    c->breaker.curve = (char)get_u8(r);
    c->breaker.point_count = (int)get_below(r, CURVE_POINTS_MAX + 1);
    for (int i = 0; i < c->breaker.point_count; i++) {
        c->breaker.point_multiple[i] = get_f64(r);
        c->breaker.point_min_s[i] = get_f64(r);
        c->breaker.point_max_s[i] = get_f64(r);
    }
}

static void put_device(struct writer *w, const struct bench_device *d)
{
    put_text(w, d->name);
    put_i32(w, d->bus);
    put_bool(w, d->is_load);
    put_bool(w, d->has_watchdog);
    put_i64(w, d->watchdog_ns);
    put_i64(w, d->poll_ns);
    put_i32(w, d->powered_from);
    put_i64(w, d->worst_open_ns);
}

static void get_device(struct reader *r, struct bench_device *d)
{
    get_text(r, d->name, sizeof d->name);
    d->bus = get_index(r, BUSES_MAX);
    d->is_load = get_bool(r);
    d->has_watchdog = get_bool(r);
    d->watchdog_ns = get_i64(r);
    d->poll_ns = get_i64(r);
    d->powered_from = get_index(r, CIRCUITS_MAX);
    d->worst_open_ns = get_i64(r);
}

static void put_rule(struct writer *w, const struct bench_rule *u)
{
    put_text(w, u->name);
    put_i32(w, u->channel);
    put_text(w, u->signal);
    put_u32(w, (uint32_t)u->sense);
    put_f64(w, u->low);
    put_f64(w, u->high);
    put_i64(w, u->for_ns);
    put_text(w, u->while_state);
    put_u32(w, (uint32_t)u->action);
    put_bool(w, u->notify);
}

static void get_rule(struct reader *r, struct bench_rule *u)
{
    get_text(r, u->name, sizeof u->name);
    u->channel = get_index(r, CHANNELS_MAX);
    get_text(r, u->signal, sizeof u->signal);
    u->sense = (enum rule_sense)get_below(r, RULE_SENSE_COUNT_);
    u->low = get_f64(r);
    u->high = get_f64(r);
    u->for_ns = get_i64(r);
    get_text(r, u->while_state, sizeof u->while_state);
    u->action = (enum rule_action)get_below(r, RULE_ACTION_COUNT_);
    u->notify = get_bool(r);
}

static void put_limits(struct writer *w, const struct bench_limits *l)
{
    put_f64(w, l->t_bank_max_degc);
    put_f64(w, l->t_lead_max_degc);
    put_f64(w, l->over_power_pct);
    put_f64(w, l->u1_void_pct);
    put_f64(w, l->u1_open_pct);
    put_i64(w, l->max_on_load_ns);
    put_f64(w, l->band_high_pct);
    put_f64(w, l->band_low_pct);
    put_f64(w, l->drift_limit_k_per_h);
    put_i64(w, l->drift_window_ns);
    put_f64(w, l->cold_within_k);
    put_i64(w, l->cold_rest_ns);
    for (int i = 0; i < CLASS_COUNT_; i++)
        put_i64(w, l->stale_ns[i]);
    put_i64(w, l->guard_on_load_ns);
    for (int i = 0; i < PROCESS_COUNT_; i++)
        put_i64(w, l->settle_ns[i]);
    put_i64(w, l->setting_cap_ns);
    put_i64(w, l->recover_cap_ns);
    put_i64(w, l->fan_run_on_ns);
    put_i64(w, l->beat_ns);
    put_i64(w, l->lease_ns);
    put_i64(w, l->journal_warn_ns);
    put_i64(w, l->journal_refuse_ns);
    put_i64(w, l->journal_open_ns);
    put_f64(w, l->u0_dc_peak_v);
    put_f64(w, l->u0_ac_rms_v);
    put_f64(w, l->u0_ac_rms_s_v);
    put_f64(w, l->u0_plasma_v);
    put_i32(w, l->cutouts_per_night);
    put_f64(w, l->altitude_m);
    put_f64(w, l->repeatability_pct);
    put_f64(w, l->bank_max_power_w);
    put_i64(w, l->u1_void_after_ns);
    put_i64(w, l->frozen_doubt_ns);
    put_i64(w, l->frozen_open_ns);
}

static void get_limits(struct reader *r, struct bench_limits *l, uint32_t codec)
{
    l->t_bank_max_degc = get_f64(r);
    l->t_lead_max_degc = get_f64(r);
    l->over_power_pct = get_f64(r);
    l->u1_void_pct = get_f64(r);
    l->u1_open_pct = get_f64(r);
    l->max_on_load_ns = get_i64(r);
    l->band_high_pct = get_f64(r);
    l->band_low_pct = get_f64(r);
    l->drift_limit_k_per_h = get_f64(r);
    l->drift_window_ns = get_i64(r);
    l->cold_within_k = get_f64(r);
    l->cold_rest_ns = get_i64(r);
    for (int i = 0; i < CLASS_COUNT_; i++)
        l->stale_ns[i] = get_i64(r);
    l->guard_on_load_ns = get_i64(r);
    for (int i = 0; i < PROCESS_COUNT_; i++)
        l->settle_ns[i] = get_i64(r);
    l->setting_cap_ns = get_i64(r);
    l->recover_cap_ns = get_i64(r);
    l->fan_run_on_ns = get_i64(r);
    l->beat_ns = get_i64(r);
    l->lease_ns = get_i64(r);
    l->journal_warn_ns = get_i64(r);
    l->journal_refuse_ns = get_i64(r);
    l->journal_open_ns = get_i64(r);
    l->u0_dc_peak_v = get_f64(r);
    l->u0_ac_rms_v = get_f64(r);
    l->u0_ac_rms_s_v = get_f64(r);
    l->u0_plasma_v = get_f64(r);
    l->cutouts_per_night = get_i32(r);
    l->altitude_m = get_f64(r);
    l->repeatability_pct = get_f64(r);
    l->bank_max_power_w = get_f64(r);
    l->u1_void_after_ns = codec == BENCH_CODEC_FIRST ? never_ns : get_i64(r);
    l->frozen_doubt_ns = codec > BENCH_CODEC_BEFORE_CAPTURES ? get_i64(r) : never_ns;
    l->frozen_open_ns = codec > BENCH_CODEC_BEFORE_CAPTURES ? get_i64(r) : never_ns;
}

/* What came after the third codec. */
static void put_later(struct writer *w, const struct bench *b)
{
    for (int i = 0; i < BENCH_TIMES_; i++)
        put_i64(w, b->limits.time_ns[i]);
    for (int i = 0; i < BENCH_LEVELS_; i++)
        put_f64(w, b->limits.level[i]);
    for (int i = 0; i < b->channel_count; i++) {
        put_strike(w, &b->channels[i].load.strike);
        put_remote(w, &b->channels[i].remote);
    }
    put_f64(w, b->limits.bank_mean_power_w);
}

static void get_later(struct reader *r, struct bench *b)
{
    for (int i = 0; i < BENCH_TIMES_; i++)
        b->limits.time_ns[i] = get_i64(r);
    for (int i = 0; i < BENCH_LEVELS_; i++)
        b->limits.level[i] = get_f64(r);
    for (int i = 0; i < b->channel_count; i++) {
        get_strike(r, &b->channels[i].load.strike);
        get_remote(r, &b->channels[i].remote);
    }
    b->limits.bank_mean_power_w = get_f64(r);
}

static void default_later(struct bench *b)
{
    struct bench_limits without;
    bench_limits_default(&without);
    memcpy(b->limits.time_ns, without.time_ns, sizeof without.time_ns);
    memcpy(b->limits.level, without.level, sizeof without.level);
    b->limits.bank_mean_power_w = 0;
    for (int i = 0; i < b->channel_count; i++)
        b->channels[i].remote.device = -1;
}

size_t bench_encode(const struct bench *b, uint8_t *bytes, size_t cap)
{
    struct writer w = writer_over(bytes, cap);
    put_u32(&w, BENCH_CODEC);
    put_text(&w, b->name);
    put_bool(&w, b->virtual_bench);
    put_f64(&w, b->rate);
    put_u32(&w, (uint32_t)b->device_count);
    for (int i = 0; i < b->device_count; i++)
        put_device(&w, &b->devices[i]);
    put_u32(&w, (uint32_t)b->bus_count);
    for (int i = 0; i < b->bus_count; i++)
        put_text(&w, b->bus_names[i]);
    put_u32(&w, (uint32_t)b->circuit_count);
    for (int i = 0; i < b->circuit_count; i++)
        put_circuit(&w, &b->circuits[i]);
    put_u32(&w, (uint32_t)b->channel_count);
    for (int i = 0; i < b->channel_count; i++)
        put_channel(&w, &b->channels[i]);
    put_u32(&w, (uint32_t)b->signal_count);
    for (int i = 0; i < b->signal_count; i++)
        put_signal(&w, &b->signals[i]);
    put_u32(&w, (uint32_t)b->rule_count);
    for (int i = 0; i < b->rule_count; i++)
        put_rule(&w, &b->rules[i]);
    put_limits(&w, &b->limits);
    put_later(&w, b);
    return w.bad ? 0 : w.used;
}

/* Indexes were read against the capacities; now against what is there. */
static bool indexes_hold(const struct bench *b)
{
    for (int i = 0; i < b->device_count; i++)
        if (b->devices[i].bus >= b->bus_count || b->devices[i].powered_from >= b->circuit_count)
            return false;
    for (int i = 0; i < b->signal_count; i++) {
        const struct bench_signal *s = &b->signals[i];
        if (s->channel >= b->channel_count || s->device >= b->device_count || s->bus >= b->bus_count)
            return false;
    }
    for (int i = 0; i < b->channel_count; i++) {
        const struct bench_channel *c = &b->channels[i];
        if (c->circuit >= b->circuit_count || c->load.device >= b->device_count ||
            (c->remote.fitted && c->remote.device >= b->device_count) || c->load.feedback_signal >= b->signal_count)
            return false;
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            if (c->signal[k] >= b->signal_count)
                return false;
    }
    for (int i = 0; i < b->rule_count; i++)
        if (b->rules[i].channel >= b->channel_count)
            return false;
    return true;
}

int bench_decode(struct bench *b, const uint8_t *bytes, size_t size)
{
    struct reader r = reader_over(bytes, size);
    memset(b, 0, sizeof *b);
    uint32_t codec = get_u32(&r);
    if (codec < BENCH_CODEC_FIRST || codec > BENCH_CODEC)
        return -1;
    get_text(&r, b->name, sizeof b->name);
    b->virtual_bench = get_bool(&r);
    b->rate = get_f64(&r);
    b->device_count = (int)get_below(&r, DEVICES_MAX + 1);
    for (int i = 0; i < b->device_count; i++)
        get_device(&r, &b->devices[i]);
    b->bus_count = (int)get_below(&r, BUSES_MAX + 1);
    for (int i = 0; i < b->bus_count; i++)
        get_text(&r, b->bus_names[i], sizeof b->bus_names[i]);
    b->circuit_count = (int)get_below(&r, CIRCUITS_MAX + 1);
    for (int i = 0; i < b->circuit_count; i++)
        get_circuit(&r, &b->circuits[i]);
    b->channel_count = (int)get_below(&r, CHANNELS_MAX + 1);
    for (int i = 0; i < b->channel_count; i++)
        get_channel(&r, &b->channels[i], codec);
    b->signal_count = (int)get_below(&r, SIGNALS_MAX + 1);
    for (int i = 0; i < b->signal_count; i++)
        get_signal(&r, &b->signals[i], codec);
    b->rule_count = (int)get_below(&r, RULES_MAX + 1);
    for (int i = 0; i < b->rule_count; i++)
        get_rule(&r, &b->rules[i]);
    get_limits(&r, &b->limits, codec);
    if (codec > BENCH_CODEC_BEFORE_LATER)
        get_later(&r, b);
    else
        default_later(b);
    return !r.bad && r.at == size && indexes_hold(b) ? 0 : -1;
}

int bench_channel_find(const struct bench *b, const char *name)
{
    for (int i = 0; i < b->channel_count; i++)
        if (strcmp(b->channels[i].name, name) == 0)
            return i;
    return -1;
}

int bench_circuit_find(const struct bench *b, const char *name)
{
    for (int i = 0; i < b->circuit_count; i++)
        if (strcmp(b->circuits[i].name, name) == 0)
            return i;
    return -1;
}
