/* Read every point of one device by its map, once, and show what came: for whoever writes a map. Works from a
 * configuration, with no daemon. It only reads: nothing is ever written to the device. */
#ifndef PROBE_H
#define PROBE_H

#include <stdint.h>

#include "bus.h"
#include "probe_item.h"

struct probe {
    const struct bus_config *bus;
    const struct device_config *device;
    const struct device_map *map;
    const struct peer *peer; /* BUS_IN_PROCESS, else NULL */
    int ready_fd;            /* -1, or a descriptor to use (taken over) */
    int (*convert)(void *ctx, const struct map_point *point, double value, double cold_junction_degc,
                   double *converted); /* as in struct bus_sink; NULL: sensors are shown unconverted */
    void *ctx;
};

/* Reads all points that can be read, in the order of the map, into items (at least map->point_count of them).
 * Lines that a device says by itself are awaited for the device's answer time, at least 3 s. Returns the number of
 * items, or -1 with err when the device could not be reached at all. */
int probe_run(const struct probe *probe, struct probe_item *items, struct error *err);

#endif
