#include "model_json.h"

#include <stdlib.h>
#include <string.h>

#include "base64.h"
#include "json_build.h"

static json_t *channel_to_json(const struct bench_channel *c, const struct bench *bench)
{
    struct json_build b = build_begin();
    build_text(&b, "channel", c->name);
    if (c->circuit >= 0 && c->circuit < bench->circuit_count)
        build_text(&b, "circuit", bench->circuits[c->circuit].name);
    build_text(&b, "load", load_kind_name(c->load.kind));
    json_t *steps = json_array();
    for (int i = 0; steps && i < c->load.step_count; i++) {
        struct json_build s = build_begin();
        build_figure(&s, "resistance_ohm", c->load.steps[i].resistance_ohm);
        build_figure(&s, "power_w", c->load.steps[i].power_w);
        if (json_array_append_new(steps, build_end(&s)) != 0)
            b.bad = true;
    }
    build_add(&b, "steps", steps);
    build_flag(&b, "has_trigger", c->load.has_trigger);
    build_flag(&b, "has_supply_trip", c->load.has_supply_trip);
    if (c->load.device >= 0 && c->load.device < bench->device_count) {
        build_text(&b, "load_device", bench->devices[c->load.device].name);
        build_figure(&b, "worst_open_s", (double)bench->devices[c->load.device].worst_open_ns / 1e9);
    }
    json_t *signals = json_array();
    for (int kind = 0; signals && kind < SIG_KIND_COUNT_; kind++) {
        int index = c->signal[kind];
        if (index >= 0 && index < bench->signal_count &&
            json_array_append_new(signals, json_text(bench->signals[index].name)) != 0)
            b.bad = true;
    }
    build_add(&b, "signals", signals);
    return build_end(&b);
}

static json_t *circuit_to_json(const struct bench_circuit *c)
{
    struct json_build b = build_begin();
    build_text(&b, "circuit", c->name);
    build_figure(&b, "voltage_v", c->voltage_v);
    build_integer(&b, "phases", c->phases);
    build_figure(&b, "frequency_hz", c->frequency_hz);
    build_figure(&b, "breaker_a", c->breaker.rated_a);
    build_text(&b, "breaker_standard", c->breaker.standard);
    char curve[2] = {c->breaker.curve, 0};
    build_text(&b, "breaker_curve", curve);
    return build_end(&b);
}

json_t *bench_to_json(const struct bench *bench)
{
    struct json_build b = build_begin();
    build_text(&b, "bench", bench->name);
    build_flag(&b, "virtual", bench->virtual_bench);
    build_figure(&b, "rate", bench->rate);
    json_t *channels = json_array();
    for (int i = 0; channels && i < bench->channel_count; i++) {
        if (json_array_append_new(channels, channel_to_json(&bench->channels[i], bench)) != 0)
            b.bad = true;
    }
    build_add(&b, "channels", channels);
    json_t *circuits = json_array();
    for (int i = 0; circuits && i < bench->circuit_count; i++) {
        if (json_array_append_new(circuits, circuit_to_json(&bench->circuits[i])) != 0)
            b.bad = true;
    }
    build_add(&b, "circuits", circuits);
    size_t size = bench_encode(bench, NULL, 0);
    uint8_t *bytes = malloc(size ? size : 1);
    char *encoded = NULL;
    if (bytes && bench_encode(bench, bytes, size) == size)
        encoded = base64_encode(bytes, size);
    build_add(&b, "encoded", encoded ? json_string(encoded) : NULL);
    free(encoded);
    free(bytes);
    return build_end(&b);
}

int bench_from_json(const json_t *object, struct bench *bench, struct error *err)
{
    const char *text = json_string_value(json_object_get(object, "encoded"));
    size_t size = 0;
    uint8_t *bytes = text ? base64_decode(text, strlen(text), &size) : NULL;
    int result = bytes ? bench_decode(bench, bytes, size) : -1;
    free(bytes);
    return result == 0 ? 0
                       : error_set(err, "the daemon's description of its bench cannot be read; use a client of the "
                                        "daemon's own version");
}
