#include "probe.h"

#include <math.h>
#include <poll.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "bus_internal.h"
#include "bus_probe.h"
#include "map_check.h"

enum { LISTEN_AT_LEAST_MS = 3000 };

static int64_t real_now(void *ctx)
{
    (void)ctx;
    return transport_now_ns();
}

/* A probe wants to see what comes, not to feed an engine. */
static int no_readings(void *ctx, const struct input_readings *readings)
{
    (void)ctx;
    (void)readings;
    return 0;
}

static int no_ack(void *ctx, const struct input_ack *ack)
{
    (void)ctx;
    (void)ack;
    return 0;
}

static int no_link(void *ctx, const struct input_link *link)
{
    if (!link->up)
        (void)text_copy(ctx, TEXT_CAP, link->text);
    return 0;
}

static void rest(const struct bus *bus, int64_t ns)
{
    if (!bus->in_process && ns > 0)
        (void)poll(NULL, 0, (int)(ns / 1000000 + 1));
}

bool probe_listened(const struct device_map *map, int point)
{
    for (int i = 0; i < map->listen_count; i++) {
        for (int k = 0; k < map->listen[i].point_count; k++) {
            if (map->listen[i].points[k] == point)
                return true;
        }
    }
    return false;
}

bool probe_readable(const struct device_map *map, int point)
{
    const struct map_point *p = &map->points[point];
    return !p->writable && !p->block && p->latch != LATCH_READ && (map->protocol == MAP_MODBUS || p->query[0] != '\0');
}

static void ask_point(struct bus *bus, struct device *dev, struct probe_item *item, struct sample *sample)
{
    const struct map_point *point = &dev->map->points[item->point];
    struct outcome *out = &bus->outcome;
    struct block block = {.table = point->table, .first = point->register_, .count = 0, .point_count = 1};
    char text[TEXT_CAP];
    block.points[0] = (int16_t)item->point;
    memset(out, 0, offsetof(struct outcome, samples));
    out->raw = item->raw;
    if (!bus->in_process && dev->map->listen_count == 0 && transport_flush(bus->transport) < 0)
        out->error = BUS_LINK_LOST;
    else
        dev->protocol->read(bus, dev, &block, out);
    if (out->error == BUS_OK && out->sample_count == 1) {
        *sample = out->samples[0];
        device_remember(dev, out);
        rest(bus, bus_gap_ns(&bus->config) + dev->map->turnaround_ns);
        return;
    }
    (void)text_copy(item->note, sizeof item->note, outcome_text(out, text, sizeof text));
    item->quality = out->error == BUS_LINK_LOST ? QUALITY_LINK_LOST : QUALITY_INVALID;
    if (dev->text != NULL)
        dev->text->errors_to_ask = 0; /* a probe asks what it was told to ask */
    if (out->error != BUS_EXCEPTION)
        rest(bus, dev->answer_ns);
}

/* Lines that the device says by itself, until every point has been heard or patience ends. */
static void listen_points(struct bus *bus, struct device *dev, struct probe_item *items, struct sample *samples)
{
    int64_t patience = dev->answer_ns / 1000000 > LISTEN_AT_LEAST_MS ? dev->answer_ns / 1000000 : LISTEN_AT_LEAST_MS;
    int64_t deadline = transport_now_ns() + patience * 1000000;
    int missing = 0;
    for (int i = 0; i < dev->map->point_count; i++)
        missing += probe_listened(dev->map, i);
    while (missing > 0 && transport_now_ns() < deadline) {
        char raw[TEXT_CAP] = "";
        struct outcome *out = &bus->outcome;
        memset(out, 0, offsetof(struct outcome, samples));
        out->raw = raw;
        dev->protocol->listen(bus, dev, out);
        if (out->error != BUS_OK || (bus->in_process && out->sample_count == 0))
            return;
        device_remember(dev, out);
        for (int i = 0; i < out->sample_count; i++) {
            int at = out->samples[i].point;
            missing -= samples[at].point < 0;
            samples[at] = out->samples[i];
            (void)text_copy(items[at].raw, sizeof items[at].raw, raw);
        }
        if (out->sample_count == 0)
            rest(bus, LISTEN_EVERY_NS);
    }
}

void probe_item_begin(const struct device_map *map, int point, struct probe_item *item)
{
    memset(item, 0, sizeof *item);
    item->point = point;
    item->value = NAN;
    item->quality = QUALITY_INVALID;
    (void)text_copy(item->name, sizeof item->name, map->points[point].name);
}

void probe_show(const struct bus *bus, const struct device *dev, struct probe_item *item, const struct sample *sample,
                bool convert)
{
    const struct map_point *point = &dev->map->points[item->point];
    (void)text_copy(item->unit, sizeof item->unit, point->unit);
    if (sample->point < 0) {
        if (item->note[0] == '\0')
            (void)text_copy(item->note, sizeof item->note,
                            point->writable              ? "written, never read"
                            : point->block               ? "samples, read by a capture only"
                            : point->latch == LATCH_READ ? "not asked: reading it would clear it"
                                                         : "nothing was heard");
        return;
    }
    item->value = sample->value;
    item->quality = sample->quality;
    if (point->sensor != SENSOR_NONE && convert && !isnan(sample->value)) {
        item->value = bus_refine(bus, dev, sample, &item->quality);
        if (point->sensor == SENSOR_THERMOCOUPLE || point->sensor == SENSOR_PT100 || point->sensor == SENSOR_PT1000)
            (void)text_copy(item->unit, sizeof item->unit, "degC");
        else if (point->sensor == SENSOR_SHUNT)
            (void)text_copy(item->unit, sizeof item->unit, "A");
        else
            item->unit[0] = '\0';
    }
    if (item->quality == QUALITY_OUT_OF_RANGE)
        (void)text_copy(item->note, sizeof item->note, "outside the limits of the map or the sensor");
    else if (item->quality == QUALITY_INVALID)
        (void)text_copy(item->note, sizeof item->note, "stands for no value");
}

static int run(const struct probe *probe, struct bus *bus, struct probe_item *items, const char *down,
               struct error *err)
{
    struct device *dev = &bus->devices[0];
    const struct device_map *map = dev->map;
    bus_open(bus);
    if (!bus->connected)
        return error_set(err, "bus %s: %s", bus->config.name, down);
    struct sample *samples = calloc((size_t)map->point_count + 1, sizeof *samples);
    if (samples == NULL)
        return error_set(err, "out of memory");
    for (int i = 0; i < map->point_count; i++) {
        probe_item_begin(map, i, &items[i]);
        samples[i].point = -1;
        if (probe_readable(map, i))
            ask_point(bus, dev, &items[i], &samples[i]);
    }
    if (map->listen_count > 0 && dev->protocol->listen != NULL)
        listen_points(bus, dev, items, samples);
    for (int i = 0; i < map->point_count; i++)
        probe_show(bus, dev, &items[i], &samples[i], probe->convert != NULL);
    free(samples);
    return map->point_count;
}

int probe_run(const struct probe *probe, struct probe_item *items, struct error *err)
{
    struct device_config config = *probe->device;
    struct bus_device device = {.index = 0, .config = &config, .map = probe->map};
    char down[TEXT_CAP] = "cannot be opened";
    struct bus_setup setup = {
        .config = probe->bus,
        .device_count = 1,
        .devices = &device,
        .beacon_device = -1,
        .beacon_point = -1,
        .time = {.now_ns = real_now, .rate = 1},
        .sink = {.readings = no_readings,
                 .ack = no_ack,
                 .link = no_link,
                 .convert = probe->convert,
                 .ctx = probe->convert != NULL ? probe->ctx : down},
        .peer = probe->peer,
        .ready_fd = probe->ready_fd,
    };
    /* Nothing is written by a probe, so a load controller needs no lease here. */
    config.is_load = false;
    if (config.poll_ns <= 0)
        config.poll_ns = INT64_C(1000000000);
    struct bus *bus = bus_new(&setup, err);
    if (bus == NULL)
        return -1;
    int rc = run(probe, bus, items, down, err);
    bus_free(bus);
    return rc;
}
