#include "bus_stage.h"

#include <math.h>
#include <stddef.h>
#include <stdlib.h>

#include "input.h"
#include "sensor_convert.h"

struct bus_stage {
    struct bus_stage_setup setup;
    struct bus_config config; /* a copy, since the kind may be another than the file says */
    struct bus_device devices[DEVICES_MAX];
    struct bus *bus;
};

/* ---- what the bus finds ---- */

static int put_readings(void *ctx, const struct input_readings *readings)
{
    struct bus_stage *s = ctx;
    size_t size = offsetof(struct input_readings, items) + (size_t)readings->count * sizeof readings->items[0];
    return queue_put(s->setup.to_engine, INPUT_READINGS, 0, readings, size);
}

static int put_ack(void *ctx, const struct input_ack *ack)
{
    struct bus_stage *s = ctx;
    const char *name = s->setup.config->bench.devices[ack->device].name;
    if (ack->kind == ACK_LEASE_EXPIRED)
        log_write(s->setup.log, LOG_LEVEL_WARN, "%s: its lease ran out, the load was dropped", name);
    else if (ack->kind == ACK_FAILED)
        log_write(s->setup.log, LOG_LEVEL_WARN, "%s: command %llu was not carried out", name,
                  (unsigned long long)ack->command);
    return queue_put(s->setup.to_engine, INPUT_ACK, 0, ack, sizeof *ack);
}

static int put_link(void *ctx, const struct input_link *link)
{
    struct bus_stage *s = ctx;
    const char *name = s->setup.config->bench.devices[link->device].name;
    log_write(s->setup.log, link->up ? LOG_LEVEL_NOTICE : LOG_LEVEL_WARN, "%s: %s%s%s", name,
              link->up ? "connected" : "lost", link->text[0] ? ": " : "", link->text);
    return queue_put(s->setup.to_engine, INPUT_LINK, 0, link, sizeof *link);
}

static int put_capture(void *ctx, const struct input_capture *capture)
{
    struct bus_stage *s = ctx;
    const char *name = s->setup.config->bench.devices[capture->device].name;
    if (capture->text[0] != '\0')
        log_write(s->setup.log, LOG_LEVEL_INFO, "%s: capture %s: %s", name, capture_status_name(capture->status),
                  capture->text);
    size_t size = offsetof(struct input_capture, values) + (size_t)capture_values(capture) * sizeof capture->values[0];
    return queue_put(s->setup.to_engine, INPUT_CAPTURE, 0, capture, size);
}

static void put_log(void *ctx, const char *text)
{
    struct bus_stage *s = ctx;
    log_write(s->setup.log, LOG_LEVEL_INFO, "%s: %s", s->config.name, text);
}

static void put_probed(void *ctx, uint64_t request, const struct probe_item *items, int count, const char *failure)
{
    struct bus_stage *s = ctx;
    if (s->setup.probed)
        s->setup.probed(s->setup.probed_ctx, request, items, count, failure);
}

/* Time that runs faster than the world's is for benches in which nothing is real: every device must say that it is
 * virtual, and go by the same clock. The other way round, a device that says it is virtual and runs at another rate
 * would give stamps that mean nothing. */
static bool check_identity(void *ctx, int device, const struct bus_identity *identity, char *why)
{
    struct bus_stage *s = ctx;
    const struct config *c = s->setup.config;
    const char *name = c->bench.devices[device].name;
    bool scaled = c->bench.rate != 1;
    if (!identity->is_virtual) {
        if (!scaled)
            return true;
        text_format(why, TEXT_CAP, "%s does not say that it is virtual, so the clock's rate must be 1", name);
        return false;
    }
    if (isnan(identity->rate) || identity->rate != c->bench.rate) {
        text_format(why, TEXT_CAP, "%s is virtual and runs at rate %g, the clock here at %g", name, identity->rate,
                    c->bench.rate);
        return false;
    }
    /* Said in whole seconds. */
    const int64_t epoch_s = c->epoch_utc_ns / INT64_C(1000000000);
    if (scaled && (isnan(identity->epoch) || !c->has_epoch || identity->epoch != (double)epoch_s)) {
        text_format(why, TEXT_CAP, "%s is virtual and counts from another epoch than the clock here", name);
        return false;
    }
    return true;
}

static int64_t now_ns(void *ctx)
{
    return bench_clock_now_ns(ctx);
}

/* ---- setting up ---- */

static int collect_devices(struct bus_stage *s)
{
    const struct config *c = s->setup.config;
    int count = 0;
    for (int d = 0; d < c->bench.device_count; d++) {
        if (c->devices[d].bus != s->setup.bus)
            continue;
        const struct device_map *map = &c->maps[c->devices[d].map];
        struct bus_device *to = &s->devices[count++];
        *to = (struct bus_device){.index = d,
                                  .config = &c->devices[d],
                                  .map = map,
                                  .lease = c->bench.devices[d].is_load ? &s->setup.leases[d] : NULL};
        if (c->bench.devices[d].is_load && map->beat_point >= 0)
            to->beat_ns = c->bench.limits.beat_ns;
        if (c->bench.devices[d].has_watchdog && map->watchdog_point >= 0)
            to->watchdog_ns = c->bench.devices[d].watchdog_ns;
    }
    return count;
}

static int collect_signals(const struct config *c, int bus, struct bus_signal *signals)
{
    int count = 0;
    for (int i = 0; i < c->bench.signal_count; i++) {
        const struct bench_signal *signal = &c->bench.signals[i];
        int device = c->signal_sources[i].device;
        if (device < 0 || c->devices[device].bus != bus)
            continue;
        signals[count++] = (struct bus_signal){.device = device,
                                               .point = c->signal_sources[i].point,
                                               .signal = i,
                                               .gain = signal->correction_gain,
                                               .offset = signal->correction_offset};
    }
    return count;
}

static int make_bus(struct bus_stage *s, struct error *err)
{
    const struct config *c = s->setup.config;
    struct bus_signal *signals = calloc(SIGNALS_MAX, sizeof *signals);
    if (!signals)
        return error_set(err, "out of memory");
    struct bus_setup setup = {
        .bus = s->setup.bus,
        .config = &s->config,
        .device_count = collect_devices(s),
        .devices = s->devices,
        .channel_count = c->bench.channel_count,
        .channels = c->load_points,
        .signal_count = collect_signals(c, s->setup.bus, signals),
        .signals = signals,
        .beacon_device = c->beacon_device,
        .beacon_point = c->beacon_point,
        .time = {.now_ns = now_ns, .ctx = (void *)s->setup.clock, .rate = c->bench.rate},
        .sink = {.readings = put_readings,
                 .ack = put_ack,
                 .link = put_link,
                 .capture = put_capture,
                 .identity = check_identity,
                 .convert = sensor_convert,
                 .probed = put_probed,
                 .log = put_log,
                 .ctx = s},
        .peer = s->setup.peer,
        .ready_fd = -1,
        .seed = (uint32_t)s->setup.bus + 1,
    };
    s->bus = bus_new(&setup, err);
    free(signals);
    return s->bus ? 0 : error_prefix(err, "bus %s", s->config.name);
}

struct bus_stage *bus_stage_new(const struct bus_stage_setup *setup, struct error *err)
{
    struct bus_stage *s = calloc(1, sizeof *s);
    if (!s) {
        error_set(err, "out of memory");
        return NULL;
    }
    s->setup = *setup;
    s->config = setup->config->buses[setup->bus];
    if (setup->peer)
        s->config.kind = BUS_IN_PROCESS;
    if (make_bus(s, err)) {
        free(s);
        return NULL;
    }
    return s;
}

void bus_stage_free(struct bus_stage *stage)
{
    if (!stage)
        return;
    bus_free(stage->bus);
    free(stage);
}

struct bus *bus_stage_bus(struct bus_stage *stage)
{
    return stage->bus;
}
