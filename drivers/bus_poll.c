/* The timetable, and what is read by it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bus_internal.h"

static int find_point(const struct device_map *map, const char *name)
{
    for (int i = 0; i < map->point_count; i++) {
        if (strcmp(map->points[i].name, name) == 0)
            return i;
    }
    return -1;
}

static void want(struct device *dev, int point)
{
    if (point < 0 || point >= dev->map->point_count)
        return;
    dev->wanted[point] = true;
    const char *junction = dev->map->points[point].cold_junction;
    int at = junction[0] != '\0' ? find_point(dev->map, junction) : -1;
    if (at >= 0)
        dev->wanted[at] = true;
}

/* Polled is what a signal needs, and what tells that a load controller restarted. */
int device_plan(struct device *dev)
{
    const struct device_map *map = dev->map;
    size_t count = (size_t)map->point_count + 1;
    bool about[POINTS_MAX] = {false};
    dev->blocks = calloc(count, sizeof *dev->blocks);
    dev->block_due_ns = calloc(count, sizeof *dev->block_due_ns);
    dev->identity = calloc(count, sizeof *dev->identity);
    if (dev->blocks == NULL || dev->block_due_ns == NULL || dev->identity == NULL)
        return -1;
    dev->clear_point = map->power_up_kind == POWER_UP_MARK ? find_point(map, "power_up_clear") : -1;
    for (int i = 0; i < dev->signal_count; i++)
        want(dev, dev->signals[i].point);
    if (dev->is_load)
        want(dev, map->power_up_point);
    dev->block_count = dev->protocol->plan(dev, dev->wanted, dev->blocks);
    const int named[] = {map->virtual_point, map->rate_point, map->epoch_point, map->power_up_point};
    for (size_t i = 0; i < sizeof named / sizeof named[0]; i++) {
        if (named[i] >= 0 && named[i] < map->point_count)
            about[named[i]] = true;
    }
    for (int i = 0; i < map->identity_count; i++)
        about[map->identity_points[i]] = true;
    dev->identity_count = dev->protocol->plan(dev, about, dev->identity);
    return 0;
}

/* First time of the grid (base + n * poll) that is not before now. */
static int64_t grid_from(const struct bus *bus, const struct device *dev, int64_t now_ns)
{
    int64_t poll = dev->setup.config->poll_ns;
    int64_t behind = now_ns - bus->base_ns;
    int64_t n = behind <= 0 ? 0 : (behind + poll - 1) / poll;
    return bus->base_ns + n * poll;
}

void device_align(const struct bus *bus, struct device *dev, int64_t now_ns)
{
    for (int i = 0; i < dev->block_count; i++)
        dev->block_due_ns[i] = grid_from(bus, dev, now_ns);
}

/* The next time of the grid after now: times that went by are counted, never caught up with. */
static void advance(struct bus *bus, struct device *dev, int block)
{
    int64_t poll = dev->setup.config->poll_ns;
    int64_t next = dev->block_due_ns[block] + poll;
    int64_t now = bus_now(bus);
    if (next < now) {
        int64_t from = grid_from(bus, dev, now);
        (void)pthread_mutex_lock(&bus->stats_lock);
        bus->stats.devices[dev - bus->devices].polls_missed += (uint64_t)((from - next) / poll);
        (void)pthread_mutex_unlock(&bus->stats_lock);
        next = from;
    }
    dev->block_due_ns[block] = next;
}

/* --- readings ---------------------------------------------------------------------------------------------------- */

static void emit(struct bus *bus, const struct input_readings *r)
{
    if (bus->sink.readings(bus->sink.ctx, r) == 0)
        return;
    (void)pthread_mutex_lock(&bus->stats_lock);
    bus->stats.inputs_refused++;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    bus_withdraw_leases(bus);
}

/* A point's value as its signals want it: base unit, sensor converted. */
double bus_refine(const struct bus *bus, const struct device *dev, const struct sample *s, enum quality *quality)
{
    const struct map_point *point = &dev->map->points[s->point];
    double value = s->value * point->to_base;
    *quality = s->quality;
    if (point->sensor == SENSOR_NONE || isnan(value))
        return value;
    double junction = NAN, converted = NAN;
    int at = point->cold_junction[0] != '\0' ? find_point(dev->map, point->cold_junction) : -1;
    if (at >= 0)
        junction = dev->latest[at] * dev->map->points[at].to_base;
    int rc = bus->sink.convert != NULL ? bus->sink.convert(bus->sink.ctx, point, value, junction, &converted) : -1;
    if (rc < 0) {
        *quality = QUALITY_INVALID;
        return NAN;
    }
    if (rc > 0)
        *quality = QUALITY_OUT_OF_RANGE;
    return converted;
}

static void add_item(struct bus *bus, struct input_readings *r, int signal, enum quality quality, double value)
{
    if (r->count == BLOCK_ITEMS_MAX) {
        emit(bus, r);
        r->count = 0;
    }
    struct reading *item = &r->items[r->count++];
    item->signal = signal;
    item->quality = isnan(value) && quality == QUALITY_GOOD ? QUALITY_INVALID : quality;
    item->value = quality == QUALITY_GOOD || quality == QUALITY_OUT_OF_RANGE ? value : NAN;
}

/* A latched peak was there some time between the latest letting go and now, so it goes by itself, with that width. */
static void emit_latched(struct bus *bus, struct device *dev, const struct sample *s, const struct bus_signal *to,
                         int64_t begin_ns, int64_t end_ns)
{
    int64_t since = dev->let_go_ns[s->point] != 0 ? dev->let_go_ns[s->point] : bus->base_ns;
    enum quality quality;
    double value = bus_refine(bus, dev, s, &quality);
    struct input_readings r = {.bus = bus->index,
                               .device = dev->setup.index,
                               .stamp_ns = begin_ns + (end_ns - begin_ns) / 2,
                               .half_width_ns = end_ns - (since < begin_ns ? since : begin_ns),
                               .count = 0};
    add_item(bus, &r, to->signal, quality, value * to->gain + to->offset);
    emit(bus, &r);
}

static void let_go_by_reading(struct device *dev, const struct outcome *out, int64_t begin_ns)
{
    for (int i = 0; i < out->sample_count; i++)
        if (dev->map->points[out->samples[i].point].latch == LATCH_READ)
            dev->let_go_ns[out->samples[i].point] = begin_ns;
}

static void emit_samples(struct bus *bus, struct device *dev, const struct outcome *out, int64_t begin_ns,
                         int64_t end_ns)
{
    struct input_readings r = {.bus = bus->index,
                               .device = dev->setup.index,
                               .stamp_ns = begin_ns + (end_ns - begin_ns) / 2,
                               .half_width_ns = (end_ns - begin_ns + 1) / 2,
                               .count = 0};
    for (int i = 0; i < out->sample_count; i++) {
        const struct sample *s = &out->samples[i];
        enum quality quality;
        double value = bus_refine(bus, dev, s, &quality);
        for (int k = 0; k < dev->signal_count; k++) {
            const struct bus_signal *to = &dev->signals[k];
            if (to->point != s->point)
                continue;
            if (dev->map->points[s->point].latch != LATCH_NONE)
                emit_latched(bus, dev, s, to, begin_ns, end_ns);
            else
                add_item(bus, &r, to->signal, quality, value * to->gain + to->offset);
        }
    }
    emit(bus, &r); /* with no items it still tells how far this bus has come */
    let_go_by_reading(dev, out, begin_ns);
}

void bus_emit_lost(struct bus *bus, struct device *dev, int64_t now_ns)
{
    struct input_readings r = {
        .bus = bus->index, .device = dev->setup.index, .stamp_ns = now_ns, .half_width_ns = 0, .count = 0};
    for (int k = 0; k < dev->signal_count; k++)
        add_item(bus, &r, dev->signals[k].signal, QUALITY_LINK_LOST, NAN);
    emit(bus, &r);
}

void device_remember(struct device *dev, const struct outcome *out)
{
    for (int i = 0; i < out->sample_count; i++) {
        const struct sample *s = &out->samples[i];
        dev->latest[s->point] = s->quality == QUALITY_GOOD ? s->value : NAN;
    }
}

/* --- refusals ---------------------------------------------------------------------------------------------------- */

static void replan(struct bus *bus, struct device *dev)
{
    dev->block_count = dev->protocol->plan(dev, dev->wanted, dev->blocks);
    device_align(bus, dev, bus_now(bus));
}

/* A request refused for its address or its length: a block that bridges unread registers or holds several points is
 * made smaller from now on. Returns false when it cannot be: the point itself is refused. */
static bool learn(struct bus *bus, struct device *dev, const struct block *block, int exception)
{
    if ((exception != 2 && exception != 3) || block->point_count < 2 || dev->map->protocol != MAP_MODBUS)
        return false;
    int middle = block->points[block->point_count / 2];
    if (exception == 3 && block->count > 4) {
        dev->limits.registers = block->count / 2;
        dev->limits.bits = block->count / 2;
        bus_log(bus, "device %s refuses %d registers at once: %d at most from now on", dev->setup.config->name,
                block->count, dev->limits.registers);
    } else if (!dev->split[middle]) {
        dev->split[middle] = true;
        bus_log(bus, "device %s refuses the registers from %d on at once: read in two requests from now on",
                dev->setup.config->name, block->first);
    } else {
        return false;
    }
    replan(bus, dev);
    return true;
}

static void mark_invalid(const struct block *block, struct outcome *out)
{
    out->sample_count = 0;
    for (int i = 0; i < block->point_count; i++) {
        struct sample *s = &out->samples[out->sample_count++];
        s->point = block->points[i];
        s->quality = QUALITY_INVALID;
        s->value = NAN;
    }
}

static bool restarted(const struct bus *bus, const struct device *dev)
{
    int at = dev->map->power_up_point;
    if (at < 0 || !dev->is_load || !dev->wanted[at] || isnan(dev->latest[at]))
        return false;
    return device_restart_seen(bus, dev, dev->latest[at]);
}

void bus_poll_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    const struct block *block = &dev->blocks[job->block];
    if (job->block == 0) {
        dev->last_cycle_ns = dev->cycle_began_ns != 0 ? job->began_ns - dev->cycle_began_ns : 0;
        dev->cycle_began_ns = job->began_ns;
    }
    advance(bus, dev, job->block);
    if (out->error == BUS_EXCEPTION) {
        if (learn(bus, dev, block, out->exception))
            return;
        mark_invalid(block, out);
    }
    /* Without an answer there are no readings, but it is known that none will come from before this. */
    emit_samples(bus, dev, out, job->began_ns, job->ended_ns);
    if (device_transaction_failed(bus, dev, out))
        return;
    if (out->error == BUS_OK && restarted(bus, dev))
        device_restarted(bus, dev);
}

void bus_listen_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    dev->last_try_real_ns = bus_real(bus);
    if (out->error != BUS_OK) {
        (void)device_transaction_failed(bus, dev, out);
        return;
    }
    int64_t silent_ns = dev->last_try_real_ns - dev->heard_real_ns;
    if (out->sample_count > 0)
        dev->heard_real_ns = dev->last_try_real_ns;
    else if (silent_ns > LISTEN_PATIENCE_NS && silent_ns > 10 * dev->setup.config->poll_ns)
        device_lost(bus, dev, "it says nothing any more");
    if (out->sample_count > 0) {
        int64_t at = out->said_ns != 0 ? out->said_ns : job->began_ns;
        emit_samples(bus, dev, out, at, at);
    }
}
