/* A device of a bus at work is read once, point by point, between what the bus has to do: nothing is written, a
 * question goes out only when nothing else is due and, as long as there is time, only when it will be answered before
 * the next thing is. What is not answered counts for nothing but the silence that a late answer needs. */
#include "bus_probe.h"

#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "bus_internal.h"
#include "map_check.h"

enum { FAILURES_MAX = 3, TRIES_MAX = 4 };
static const int64_t patience_ns = INT64_C(8000000000);        /* for the whole; the client waits for 10 s */
static const int64_t polite_ns = INT64_C(4000000000);          /* gaps in the timetable are waited for so long */
static const int64_t listen_patience_ns = INT64_C(3000000000); /* for lines that the device says by itself */

struct probing {
    uint64_t request;
    struct device *dev;
    bool begun;
    int64_t began_real_ns, again_real_ns;
    int next;     /* point to ask for; point_count: all were */
    int tries;    /* of this point */
    int failures; /* in a row */
    int unheard;  /* points that the device has still to say */
    char raw[TEXT_CAP];
    struct probe_item items[POINTS_MAX];
    struct sample samples[POINTS_MAX];
};

int bus_probe(struct bus *bus, int device, uint64_t request, struct error *err)
{
    struct device *dev = bus_device_find(bus, device);
    bool idle = false;
    if (dev == NULL)
        return error_set(err, "the device is not on this bus");
    if (!atomic_compare_exchange_strong(&bus->probe_taken, &idle, true))
        return error_set(err, "a device of this bus is being probed");
    struct probing *p = calloc(1, sizeof *p);
    if (p == NULL) {
        atomic_store(&bus->probe_taken, false);
        return error_set(err, "out of memory");
    }
    p->request = request;
    p->dev = dev;
    atomic_store(&bus->probe_asked, p);
    bus_wake(bus);
    return 0;
}

void bus_probe_free(struct bus *bus)
{
    free(atomic_exchange(&bus->probe_asked, NULL));
    free(bus->probing);
    bus->probing = NULL;
}

static void skip_unreadable(struct probing *p)
{
    while (p->next < p->dev->map->point_count && !probe_readable(p->dev->map, p->next))
        p->next++;
    p->tries = 0;
}

static void begin(struct bus *bus, struct probing *p)
{
    const struct device_map *map = p->dev->map;
    p->begun = true;
    p->began_real_ns = p->again_real_ns = bus_real(bus);
    for (int i = 0; i < map->point_count; i++) {
        probe_item_begin(map, i, &p->items[i]);
        p->samples[i].point = -1;
        p->unheard += probe_listened(map, i);
    }
    skip_unreadable(p);
}

static void finish(struct bus *bus, const char *failure)
{
    struct probing *p = bus->probing;
    const struct device_map *map = p->dev->map;
    for (int i = 0; i < map->point_count; i++) {
        if (i >= p->next && probe_readable(map, i) && p->items[i].note[0] == '\0')
            (void)text_copy(p->items[i].note, sizeof p->items[i].note, "not asked: the bus had no time for it");
        probe_show(bus, p->dev, &p->items[i], &p->samples[i], bus->sink.convert != NULL);
    }
    bus->probing = NULL;
    atomic_store(&bus->probe_taken, false);
    if (bus->sink.probed != NULL)
        bus->sink.probed(bus->sink.ctx, p->request, p->items, map->point_count, failure);
    free(p);
}

/* When the last line is awaited, bus time. */
static int64_t heard_until(const struct probing *p)
{
    return p->began_real_ns + (p->unheard > 0 ? listen_patience_ns : 0);
}

void bus_probe_tick(struct bus *bus)
{
    if (bus->probing == NULL)
        bus->probing = atomic_exchange(&bus->probe_asked, NULL);
    struct probing *p = bus->probing;
    if (p == NULL)
        return;
    if (!p->begun)
        begin(bus, p);
    int64_t real = bus_real(bus);
    if (!bus->connected)
        finish(bus, "the bus is not connected; the daemon tries again by itself");
    else if (real - p->began_real_ns >= patience_ns ||
             (p->next >= p->dev->map->point_count && (p->unheard == 0 || real >= heard_until(p))))
        finish(bus, NULL);
}

bool bus_probe_waits(struct bus *bus)
{
    return atomic_load(&bus->probe_asked) != NULL;
}

/* How long the device usually takes, real time. */
static int64_t usual_ns(struct bus *bus, const struct device *dev)
{
    (void)pthread_mutex_lock(&bus->stats_lock);
    int64_t ns = time_histogram_quantile(&bus->stats.devices[dev - bus->devices].latency, 0.95);
    (void)pthread_mutex_unlock(&bus->stats_lock);
    return ns + bus_gap_ns(&bus->config) + dev->map->turnaround_ns;
}

int64_t bus_polite_real_ns(struct bus *bus, const struct device *dev, int64_t since_real_ns, int64_t from_real_ns,
                           int64_t other_real_ns)
{
    bool fits = from_real_ns < other_real_ns && other_real_ns - from_real_ns > usual_ns(bus, dev);
    if (!fits && from_real_ns - since_real_ns < polite_ns && other_real_ns != NEVER_NS)
        return other_real_ns > from_real_ns ? other_real_ns + 1 : from_real_ns + 1; /* after it */
    return from_real_ns;
}

int64_t bus_probe_due_real_ns(struct bus *bus, int64_t real, int64_t other_real_ns, struct device **dev)
{
    struct probing *p = bus->probing;
    *dev = NULL;
    if (p == NULL)
        return NEVER_NS;
    *dev = p->dev;
    int64_t end = p->began_real_ns + patience_ns;
    if (p->next >= p->dev->map->point_count)
        return heard_until(p) < end ? heard_until(p) : end;
    int64_t from = p->again_real_ns > real ? p->again_real_ns : real;
    from = bus_polite_real_ns(bus, p->dev, p->began_real_ns, from, other_real_ns);
    return from < end ? from : end;
}

bool bus_probe_ready(const struct bus *bus)
{
    const struct probing *p = bus->probing;
    return p != NULL && p->next < p->dev->map->point_count;
}

void bus_probe_run(struct bus *bus, struct job *job, struct outcome *out)
{
    struct probing *p = bus->probing;
    const struct map_point *point = &p->dev->map->points[p->next];
    struct block block = {.table = point->table, .first = point->register_, .count = 0, .point_count = 1};
    block.points[0] = (int16_t)p->next;
    out->raw = p->items[p->next].raw;
    p->tries++;
    job->dev->protocol->read(bus, job->dev, &block, out);
}

void bus_probe_done(struct bus *bus, struct outcome *out)
{
    struct probing *p = bus->probing;
    struct probe_item *item = &p->items[p->next];
    char text[TEXT_CAP];
    out->raw = NULL;
    if (out->error == BUS_OK && out->sample_count == 1) {
        p->samples[p->next] = out->samples[0];
        p->failures = 0;
    } else if (out->error == BUS_OK && p->tries < TRIES_MAX) {
        return; /* the device's queue of errors came first */
    } else {
        (void)text_copy(item->note, sizeof item->note, outcome_text(out, text, sizeof text));
        item->quality = out->error == BUS_LINK_LOST ? QUALITY_LINK_LOST : QUALITY_INVALID;
        p->failures += out->error != BUS_EXCEPTION;
        if (out->error != BUS_EXCEPTION)
            p->again_real_ns = bus_real(bus) + 2 * p->dev->answer_ns;
    }
    p->next++;
    skip_unreadable(p);
    for (int i = p->next; p->failures >= FAILURES_MAX && i < p->dev->map->point_count; i++) {
        if (probe_readable(p->dev->map, i))
            (void)text_copy(p->items[i].note, sizeof p->items[i].note,
                            "not asked: the three before it were not answered");
        p->next = p->dev->map->point_count;
    }
    device_aside_failed(bus, p->dev, out);
}

void bus_probe_listen(struct bus *bus, const struct device *dev, struct outcome *out)
{
    struct probing *p = bus->probing;
    if (p != NULL && p->dev == dev) {
        p->raw[0] = '\0';
        out->raw = p->raw;
    }
}

void bus_probe_heard(struct bus *bus, const struct device *dev, struct outcome *out)
{
    struct probing *p = bus->probing;
    if (p == NULL || p->dev != dev || out->raw == NULL)
        return;
    out->raw = NULL;
    for (int i = 0; i < out->sample_count; i++) {
        int at = out->samples[i].point;
        p->unheard -= p->samples[at].point < 0;
        p->samples[at] = out->samples[i];
        (void)text_copy(p->items[at].raw, sizeof p->items[at].raw, p->raw);
    }
}
