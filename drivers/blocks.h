/* Requests that read many points at once. */
#ifndef BLOCKS_H
#define BLOCKS_H

#include "device_map.h"

/* One request: consecutive registers or bits of one table (Modbus), or one query (text), and the points that its answer
 * holds. */
struct block {
    enum register_table table;
    uint16_t first;
    uint16_t count;
    int point_count;
    int16_t points[POINTS_MAX]; /* indexes in the map */
};

/* Limits of a request, as the map says or as learnt from refusals. */
struct block_limits {
    int registers; /* 1 to 125 */
    int bits;      /* 1 to 2000 */
    int gap;       /* unread registers that may be bridged */
};

/* The limits that a map states, with the protocol's own where it says nothing. */
struct block_limits block_limits_of(const struct device_map *map);

/* Gathers the wanted points (by index) of a Modbus map into as few requests as the limits allow: never across a
 * register of a keep-out, all words of a value in one request. A value wider than the limit gets a request of its own.
 * split (NULL: none) marks points that must begin a request, as learnt from refusals. blocks must hold point_count
 * entries. Returns the number made. */
int blocks_gather(const struct device_map *map, const bool *wanted, const bool *split,
                  const struct block_limits *limits, struct block *blocks);

/* One request for each different query of the wanted points of a text map. Returns the number made. */
int blocks_of_queries(const struct device_map *map, const bool *wanted, struct block *blocks);

#endif
