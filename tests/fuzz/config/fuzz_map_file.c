/* libFuzzer harness for device maps: any bytes. What loads holds only indexes that exist. */
#include <stdint.h>
#include <stdlib.h>

#include "map_file.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int condition)
{
    if (!condition)
        abort();
}

static void indexes_exist(const struct device_map *m)
{
    const int points[] = {m->virtual_point,  m->rate_point, m->epoch_point,   m->power_up_point,
                          m->drop_all_point, m->beat_point, m->watchdog_point};
    for (size_t i = 0; i < sizeof points / sizeof points[0]; i++)
        must(points[i] >= -1 && points[i] < m->point_count);
    for (int i = 0; i < m->identity_count; i++)
        must(m->identity_points[i] >= 0 && m->identity_points[i] < m->point_count);
    for (int i = 0; i < m->listen_count; i++)
        for (int k = 0; k < m->listen[i].point_count; k++)
            must(m->listen[i].points[k] >= 0 && m->listen[i].points[k] < m->point_count);
    for (int i = 0; i < m->point_count; i++)
        must(map_point_find(m, m->points[i].name) == i && m->points[i].scale != 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct problems list = {0};
    struct device_map *map = calloc(1, sizeof *map);
    must(map != NULL);
    int rc = map_load_text("m.yaml", (const char *)data, size, map, &list);
    must((rc == 0) == (list.errors == 0));
    if (rc == 0)
        indexes_exist(map);
    free(map);
    problems_free(&list);
    return 0;
}
