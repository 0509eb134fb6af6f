/* From a map as written to a map as drivers use it. */
#ifndef MAP_BUILD_H
#define MAP_BUILD_H

#include "raw.h"

/* Resolves and checks; adds every problem. map is complete when no error was added. */
void map_build(struct raw_map *raw, struct device_map *map, struct problems *problems);

/* The point's own checks; used by map_build. */
void map_point_build(const struct raw_map *raw, struct raw_point *point, struct map_point *to,
                     struct problems *problems);

#endif
