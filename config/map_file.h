/* Device maps: what a device's registers or replies mean. */
#ifndef MAP_FILE_H
#define MAP_FILE_H

#include <stddef.h>

#include "device_map.h"
#include "problems.h"

/* Reads and checks a map. Returns 0, or -1 when there is any error. */
int map_load(const char *path, struct device_map *map, struct problems *problems);
int map_load_text(const char *name, const char *text, size_t size, struct device_map *map, struct problems *problems);

/* Index of a point by name, -1 when there is none. */
int map_point_find(const struct device_map *map, const char *name);

#endif
