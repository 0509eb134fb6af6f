/* What a configuration asks of a bus, before anything is connected: mistakes in maps that a parser cannot see, and the
 * load of the timetable against what the line can carry. */
#ifndef MAP_CHECK_H
#define MAP_CHECK_H

#include <stdbool.h>
#include <stdint.h>

#include "bus.h"

/* One remark per call: severe ones make the configuration unusable. */
typedef void map_remark(void *ctx, bool severe, const char *text);

/* Overlapping points, points across a keep-out or past the last register, limits that no value can be inside of,
 * invalid values wider than the type, bit fields outside the register, blocks too small for a value, templates and
 * expressions that cannot be used, a load device's points that cannot be written. Returns the number of severe ones. */
int map_check(const struct device_map *map, map_remark *remark, void *ctx);

struct line_load {
    double utilisation;    /* share of the line's time that the timetable needs; above 1: cannot keep up */
    int64_t cycle_ns;      /* time to ask everything once */
    int64_t longest_ns;    /* longest single transaction with its gap: what a drop may have to wait for */
    int64_t worst_open_ns; /* from a latched drop to its last bit on the wire and the device's answer, worst case */
    int blocks;            /* requests that one round needs */
};

/* What the timetable of these devices asks of their bus. TCP counts 1 ms a transaction and the timeout as its worst. */
void line_load(const struct bus_setup *setup, struct line_load *load);

/* Time of an exchange on a serial line: request and answer of so many bytes (address and CRC included), the silence
 * that a Modbus device keeps before its answer, and ours after it (configured, else by the standard). Modbus over
 * serial line V1.02, 2.5.1.1: 11 bits a character, 3.5 characters, fixed 1.750 ms above 19200 bit/s. */
int64_t rtu_exchange_ns(const struct bus_config *config, int request_bytes, int answer_bytes);

/* The silent interval between frames of a bus: as configured, else by the standard. 0 on TCP. */
int64_t bus_gap_ns(const struct bus_config *config);

#endif
