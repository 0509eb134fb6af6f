/* Inside of a bus: a probe between polls (bus_probe.c), and what it shares with the probe without a daemon (probe.c).
 * Owner of the bus only, but for bus_probe() of bus.h. */
#ifndef BUS_PROBE_H
#define BUS_PROBE_H

#include <stdbool.h>
#include <stdint.h>

#include "bus.h"
#include "probe_item.h"

struct device;
struct job;
struct outcome;
struct sample;

/* probe.c */
bool probe_listened(const struct device_map *map, int point); /* the device says it by itself */
bool probe_readable(const struct device_map *map, int point);
void probe_item_begin(const struct device_map *map, int point, struct probe_item *item);

/* The value as the map's reader wants to see it: its unit, or that of the sensor's quantity. */
void probe_show(const struct bus *bus, const struct device *dev, struct probe_item *item, const struct sample *sample,
                bool convert);

/* bus_probe.c */
void bus_probe_free(struct bus *bus);
/* Real time at which a question that nothing hangs on goes out: where it will be answered before the next other thing
 * is due at other_real_ns, or, after some seconds since it was first wanted, as soon as nothing else is due. */
int64_t bus_polite_real_ns(struct bus *bus, const struct device *dev, int64_t since_real_ns, int64_t from_real_ns,
                           int64_t other_real_ns);

void bus_probe_tick(struct bus *bus); /* takes what was asked, tells what is finished */
bool bus_probe_waits(struct bus *bus);

/* When the next question may go out (or the probe is over), real time, if it is real now and the next other thing is
 * due at other_real_ns.
 * NEVER_NS and no device when nothing is probed. */
int64_t bus_probe_due_real_ns(struct bus *bus, int64_t real, int64_t other_real_ns, struct device **dev);
bool bus_probe_ready(const struct bus *bus); /* there is a point to ask for */
void bus_probe_run(struct bus *bus, struct job *job, struct outcome *out);
void bus_probe_done(struct bus *bus, struct outcome *out);
void bus_probe_listen(struct bus *bus, const struct device *dev, struct outcome *out);
void bus_probe_heard(struct bus *bus, const struct device *dev, struct outcome *out);

#endif
