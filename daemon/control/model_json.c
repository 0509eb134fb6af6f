#include "model_json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base64.h"
#include "json_build.h"

static const double ns_per_s = 1e9;

static double seconds(int64_t ns)
{
    return (double)ns / ns_per_s;
}

json_t *rating_point_to_json(const struct rating_point *p)
{
    char words[TEXT_CAP];
    rating_point_print(words, sizeof words, p);
    struct json_build b = build_begin();
    build_text(&b, "words", words);
    build_text(&b, "process", process_name(p->process));
    build_text(&b, "output", output_name(p->output));
    build_text(&b, "output_control", control_name(p->control));
    build_figure(&b, "supply_v", p->supply_v);
    build_integer(&b, "phases", p->phases);
    build_figure(&b, "frequency_hz", p->frequency_hz);
    build_figure(&b, "percent_on", p->percent_on);
    build_figure(&b, "current_a", p->current_a);
    build_figure(&b, "load_voltage_v", p->load_voltage_v);
    build_figure(&b, "no_load_v", p->no_load_v);
    build_figure(&b, "i1max_a", p->i1max_a);
    build_figure(&b, "i1eff_a", p->i1eff_a);
    build_figure(&b, "ambient_degc", p->ambient_degc);
    build_figure(&b, "cycle_s", p->cycle_s);
    build_flag(&b, "strike", p->strike);
    return build_end(&b);
}

json_t *plate_to_json(const struct unit_plate *plate)
{
    struct json_build b = build_begin();
    build_text(&b, "serial", plate->serial);
    build_text(&b, "maker", plate->maker);
    build_text(&b, "model", plate->model);
    build_text(&b, "asset", plate->asset);
    build_text(&b, "rated_by", plate->rated_by);
    build_integer(&b, "year", plate->year);
    build_text(&b, "protection", protection_name(plate->protection));
    build_flag(&b, "s_marked", plate->s_marked);
    json_t *ratings = json_array();
    for (int i = 0; ratings && i < plate->rating_count; i++) {
        if (json_array_append_new(ratings, rating_point_to_json(&plate->ratings[i])) != 0)
            b.bad = true;
    }
    build_add(&b, "ratings", ratings);
    return build_end(&b);
}

/* A survey's point with its figures by name. */
static json_t *survey_to_json(const struct event *e)
{
    static const struct {
        const char *key;
        int value;
    } figures[] = {{"current_a", SURVEY_CURRENT_A}, {"percent_on", SURVEY_PERCENT_ON},  {"low_pct", SURVEY_LOW},
                   {"high_pct", SURVEY_HIGH},       {"square_law_pct", SURVEY_LAW},     {"on_s", SURVEY_ON_S},
                   {"reset_s", SURVEY_RESET_S},     {"intake_degc", SURVEY_INTAKE_DEGC}};
    struct json_build b = build_begin();
    build_integer(&b, "number", e->code);
    build_text(&b, "outcome", survey_outcome_name((enum survey_outcome)e->code2));
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++)
        build_figure(&b, figures[i].key, figures[i].value < e->value_count ? e->values[figures[i].value] : NAN);
    return build_end(&b);
}

static void add_code_words(struct json_build *b, const struct event *e)
{
    switch (e->kind) {
    case EVENT_STATE:
        build_text(b, "state", channel_state_name((enum channel_state)e->code));
        build_text(b, "from", channel_state_name((enum channel_state)e->code2));
        break;
    case EVENT_RUN_START:
        build_text(b, "procedure", procedure_name((enum procedure)e->code));
        break;
    case EVENT_RUN_END:
        build_text(b, "verdict", verdict_kind_name((enum verdict_kind)e->code));
        break;
    case EVENT_SHUTOFF:
    case EVENT_SHUTOFF_REVISED:
        build_text(b, "cause", shutoff_cause_name((enum shutoff_cause)e->code));
        if (e->code2 != CAUSE_NONE)
            build_text(b, "or_cause", shutoff_cause_name((enum shutoff_cause)e->code2));
        break;
    case EVENT_INTERLOCK:
    case EVENT_INTERLOCK_RESET:
        build_text(b, "interlock", interlock_name((enum interlock)e->code));
        break;
    case EVENT_VERDICT:
        build_text(b, "verdict", verdict_kind_name((enum verdict_kind)e->code));
        build_text(b, "basis", basis_name((enum basis)e->code2));
        break;
    case EVENT_QUEUE:
        build_text(b, "result", queue_happening_name((enum queue_happening)e->code));
        break;
    case EVENT_STRIKE:
        build_text(b, "result", strike_outcome_name((enum strike_outcome)e->code2));
        break;
    case EVENT_SURVEY_POINT:
        build_add(b, "survey", survey_to_json(e));
        break;
    case EVENT_PREFLIGHT:
        build_text(b, "result", e->code == 0 ? "pass" : e->code == 1 ? "warn" : "refuse");
        break;
    default:
        break;
    }
}

static void add_names(struct json_build *b, const struct event *e, const struct bench *bench)
{
    if (e->channel >= 0 && e->channel < bench->channel_count)
        build_text(b, "channel", bench->channels[e->channel].name);
    bool names_device = e->kind == EVENT_LINK || e->kind == EVENT_WATCHDOG_PROVED;
    if (names_device && e->code2 >= 0 && e->code2 < bench->device_count)
        build_text(b, "device", bench->devices[e->code2].name);
    int signal = e->kind == EVENT_SIGNAL ? e->code2 : e->kind == EVENT_METER_DOUBT ? e->code : -1;
    if (signal >= 0 && signal < bench->signal_count)
        build_text(b, "signal", bench->signals[signal].name);
}

json_t *event_to_json(const struct event *e, const struct bench *bench)
{
    struct json_build b = build_begin();
    build_integer(&b, "event", (int64_t)e->id);
    build_text(&b, "kind", event_kind_name(e->kind));
    if (bench)
        add_names(&b, e, bench);
    build_integer(&b, "run", e->run_no);
    build_integer(&b, "seen_ns", e->seen_ns);
    build_integer(&b, "at_ns", e->at_ns);
    build_integer(&b, "half_width_ns", e->half_width_ns);
    build_integer(&b, "code", e->code);
    build_integer(&b, "code2", e->code2);
    add_code_words(&b, e);
    json_t *values = json_array();
    for (int i = 0; values && i < e->value_count && i < EVENT_VALUES_MAX; i++) {
        if (json_array_append_new(values, json_figure(e->values[i])) != 0)
            b.bad = true;
    }
    build_add(&b, "values", values);
    build_text(&b, "text", e->text);
    return build_end(&b);
}

struct deviation_word {
    uint32_t bit;
    const char *name;
};

static const struct deviation_word deviation_words[] = {{KIND_COLD_START, "cold-start"},
                                                        {KIND_COOL_INTAKE, "cool-intake"},
                                                        {KIND_I2_LOW, "i2-low"},
                                                        {KIND_U2_LOW, "u2-low"},
                                                        {KIND_LONG_PAUSE, "long-pause"},
                                                        {HARSH_I2_HIGH, "i2-high"},
                                                        {HARSH_U2_HIGH, "u2-high"},
                                                        {HARSH_HOT_INTAKE, "hot-intake"},
                                                        {HARSH_ALTITUDE, "altitude"},
                                                        {HARSH_SUPPLY, "supply-out-of-band"},
                                                        {HARSH_HEAVY_CYCLE, "heavier-cycle"}};

static json_t *deviations_to_json(uint32_t deviations)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < sizeof deviation_words / sizeof deviation_words[0]; i++) {
        if ((deviations & deviation_words[i].bit) == 0)
            continue;
        if (json_array_append_new(list, json_string(deviation_words[i].name)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

json_t *verdict_to_json(const struct verdict *v)
{
    struct json_build b = build_begin();
    build_integer(&b, "run", v->run_no);
    build_integer(&b, "revision", v->revision);
    build_integer(&b, "rules_version", v->rules_version);
    build_text(&b, "procedure", procedure_name(v->procedure));
    build_text(&b, "verdict", verdict_kind_name(v->kind));
    build_text(&b, "basis", basis_name(v->basis));
    build_text(&b, "cause", shutoff_cause_name(v->cause));
    build_text(&b, "or_cause", shutoff_cause_name(v->cause_second));
    build_add(&b, "deviations", deviations_to_json(v->deviations));
    build_integer(&b, "cycles_valid", v->cycles_valid);
    build_integer(&b, "cycles_void", v->cycles_void);
    build_figure(&b, "rated_percent_on", v->rated_percent_on);
    build_figure(&b, "rated_on_s", v->rated_on_s);
    build_figure(&b, "commanded_s", v->commanded_s);
    build_figure(&b, "conducting_s", v->conducting_s);
    build_figure(&b, "at_rated_s", v->at_rated_s);
    build_figure(&b, "in_band_s", v->in_band_s);
    build_figure(&b, "percent_on_demanded", v->percent_on_demanded);
    build_figure(&b, "percent_on_delivered", v->percent_on_delivered);
    build_figure(&b, "shutoff_s", v->shutoff_s);
    build_figure(&b, "shutoff_half_width_s", v->shutoff_half_width_s);
    build_figure(&b, "reset_s", v->reset_s);
    build_figure(&b, "own_percent_on", v->own_percent_on);
    build_figure(&b, "time_uncertainty_s", v->time_uncertainty_s);
    build_figure(&b, "current_a", v->current_a);
    build_figure(&b, "load_voltage_v", v->load_voltage_v);
    build_figure(&b, "supply_v", v->supply_v);
    build_figure(&b, "intake_degc", v->intake_degc);
    build_figure(&b, "drift_k_per_h", v->drift_k_per_h);
    build_text(&b, "reason", v->reason);
    build_text(&b, "finding", v->finding);
    return build_end(&b);
}

static json_t *signals_to_json(const struct channel_view *v, const struct bench_channel *channel)
{
    struct json_build b = build_begin();
    for (int kind = 0; kind < SIG_KIND_COUNT_; kind++) {
        if (channel && channel->signal[kind] < 0)
            continue;
        if (kind == SIG_OTHER)
            continue;
        struct json_build s = build_begin();
        build_figure(&s, "value", v->values[kind]);
        build_text(&s, "unit", dimension_unit(signal_kind_dimension((enum signal_kind)kind)));
        build_text(&s, "quality", quality_name(v->qualities[kind]));
        build_add(&b, signal_kind_name((enum signal_kind)kind), build_end(&s));
    }
    return build_end(&b);
}

/* What the heating foretells; null before the first answer. */
static json_t *estimate_to_json(const struct heat_estimate *h)
{
    if (!h->answered)
        return json_null();
    struct json_build b = build_begin();
    bool holds = h->status == JOB_HOLDS;
    build_text(&b, "status", job_status_name(h->status));
    build_figure(&b, "equilibrium_degc", holds ? h->equilibrium_degc : NAN);
    build_figure(&b, "equilibrium_u_k", holds ? h->equilibrium_u_k : NAN);
    build_figure(&b, "intake_degc", holds ? h->intake_degc : NAN);
    build_figure(&b, "percent_on", holds ? h->here_pct : NAN);
    build_figure(&b, "low_pct", holds ? h->here_low_pct : NAN);
    build_figure(&b, "high_pct", holds ? h->here_high_pct : NAN);
    build_figure(&b, "percent_on_40", holds ? h->rated_pct : NAN);
    build_figure(&b, "low_40_pct", holds ? h->rated_low_pct : NAN);
    build_figure(&b, "high_40_pct", holds ? h->rated_high_pct : NAN);
    build_figure(&b, "limit_degc", holds ? h->limit_degc : NAN);
    build_flag(&b, "at_least", h->at_least);
    return build_end(&b);
}

static json_t *channel_view_to_json(const struct channel_view *v, const struct bench_channel *channel,
                                    const struct bench *bench)
{
    struct json_build b = build_begin();
    if (channel)
        build_text(&b, "channel", channel->name);
    build_text(&b, "state", channel_state_name(v->state));
    build_flag(&b, "switching", v->switching);
    build_text(&b, "interlock", interlock_name(v->latched));
    build_integer(&b, "run", v->run_no);
    if (v->run_no != 0) {
        build_text(&b, "unit", v->serial);
        build_text(&b, "procedure", procedure_name(v->procedure));
        build_add(&b, "point", rating_point_to_json(&v->point));
        build_integer(&b, "cycle", v->cycle);
        build_figure(&b, "cycle_elapsed_s", v->cycle_elapsed_s);
        build_figure(&b, "on_load_s", v->on_load_s);
        build_figure(&b, "on_load_goal_s", v->on_load_goal_s);
        build_figure(&b, "run_elapsed_s", v->run_elapsed_s);
        build_figure(&b, "run_expected_s", v->run_expected_s);
        build_figure(&b, "supply_v", v->supply_v);
        build_figure(&b, "supply_worst_v", v->supply_worst_v);
        build_figure(&b, "supply_void_pct", bench ? bench->limits.u1_void_pct : NAN);
        build_text(&b, "verdict", verdict_kind_name(v->verdict));
        build_text(&b, "cause", shutoff_cause_name(v->cause));
        build_add(&b, "estimate", estimate_to_json(&v->estimate));
    }
    build_integer(&b, "mask_commanded", v->mask_commanded);
    build_integer(&b, "mask_closed", v->mask_closed);
    build_add(&b, "signals", signals_to_json(v, channel));
    build_text(&b, "doing", v->doing);
    return build_end(&b);
}

static json_t *device_view_to_json(const struct device_view *v, const struct bench_device *device, int64_t now_ns)
{
    struct json_build b = build_begin();
    if (device) {
        build_text(&b, "device", device->name);
        build_flag(&b, "is_load", device->is_load);
    }
    build_flag(&b, "up", v->up);
    if (!device || device->is_load) {
        build_flag(&b, "watchdog_proved", v->watchdog_proved);
        build_flag(&b, "beat_stopped", v->beat_stopped);
        build_flag(&b, "lease_held", v->lease_until_ns > now_ns);
        build_figure(&b, "lease_left_s", v->lease_until_ns > now_ns ? seconds(v->lease_until_ns - now_ns) : 0.0);
    }
    return build_end(&b);
}

/* A time that lies so far ahead, or null. */
static void build_expected(struct json_build *b, const char *key, const struct bench_view *view, double ahead_s)
{
    if (isfinite(ahead_s))
        build_utc(b, key, view->utc_ns + (int64_t)(ahead_s * 1e9));
    else
        build_add(b, key, json_null());
}

static json_t *queue_to_json(const struct bench_view *view, const struct bench *bench)
{
    json_t *list = json_array();
    for (int i = 0; list && i < view->queue_count && i < QUEUE_MAX; i++) {
        const struct queue_view *q = &view->queue[i];
        struct json_build b = build_begin();
        build_integer(&b, "run", q->run_no);
        if (bench && q->channel >= 0 && q->channel < bench->channel_count)
            build_text(&b, "channel", bench->channels[q->channel].name);
        build_text(&b, "unit", q->serial);
        build_text(&b, "procedure", procedure_name(q->procedure));
        build_add(&b, "point", rating_point_to_json(&q->point));
        build_flag(&b, "together", q->together);
        build_text(&b, "waiting", q->waiting);
        build_expected(&b, "expected_begin", view, q->begin_s);
        build_expected(&b, "expected_end", view, q->end_s);
        build_flag(&b, "expected_at_least", q->at_least);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

json_t *view_to_json(const struct bench_view *view, const struct bench *bench)
{
    struct json_build b = build_begin();
    if (bench)
        build_text(&b, "bench", bench->name);
    build_integer(&b, "sequence", (int64_t)view->sequence);
    build_utc(&b, "utc", view->utc_ns);
    build_flag(&b, "virtual", bench && bench->virtual_bench);
    build_figure(&b, "rate", bench ? bench->rate : NAN);
    build_flag(&b, "journal_healthy", view->journal_healthy);
    build_flag(&b, "live", view->live);
    json_t *channels = json_array();
    for (int i = 0; channels && i < view->channel_count && i < CHANNELS_MAX; i++) {
        const struct bench_channel *channel = bench && i < bench->channel_count ? &bench->channels[i] : NULL;
        if (json_array_append_new(channels, channel_view_to_json(&view->channels[i], channel, bench)) != 0)
            b.bad = true;
    }
    build_add(&b, "channels", channels);
    build_add(&b, "queue", queue_to_json(view, bench));
    json_t *devices = json_array();
    for (int i = 0; devices && i < view->device_count && i < DEVICES_MAX; i++) {
        const struct bench_device *device = bench && i < bench->device_count ? &bench->devices[i] : NULL;
        if (json_array_append_new(devices, device_view_to_json(&view->devices[i], device, view->now_ns)) != 0)
            b.bad = true;
    }
    build_add(&b, "devices", devices);
    json_t *circuits = json_array();
    for (int i = 0; circuits && bench && i < view->circuit_count && i < CIRCUITS_MAX; i++) {
        struct json_build c = build_begin();
        build_text(&c, "circuit", bench->circuits[i].name);
        build_figure(&c, "breaker_heat", view->circuit_heat[i]);
        if (json_array_append_new(circuits, build_end(&c)) != 0)
            b.bad = true;
    }
    build_add(&b, "circuits", circuits);
    return build_end(&b);
}

json_t *probe_items_to_json(const struct probe_item *items, int count)
{
    json_t *list = json_array();
    for (int i = 0; list && i < count; i++) {
        struct json_build b = build_begin();
        build_text(&b, "point", items[i].name);
        build_text(&b, "raw", items[i].raw);
        build_figure(&b, "value", items[i].value);
        build_text(&b, "unit", items[i].unit);
        build_text(&b, "quality", quality_name(items[i].quality));
        build_text(&b, "note", items[i].note);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}
