#include "blocks.h"

#include <stdlib.h>
#include <string.h>

#include "pdu.h"
#include "register_value.h"

struct block_limits block_limits_of(const struct device_map *map)
{
    struct block_limits limits = {map->max_block, map->max_block_bits, map->max_gap};
    if (limits.registers < 1 || limits.registers > READ_REGISTERS_MAX)
        limits.registers = READ_REGISTERS_MAX;
    if (limits.bits < 1 || limits.bits > READ_BITS_MAX)
        limits.bits = READ_BITS_MAX;
    if (limits.gap < 0)
        limits.gap = 0;
    return limits;
}

static bool kept_out(const struct device_map *map, enum register_table table, int first, int end)
{
    for (int i = 0; i < map->keep_out_count; i++) {
        const struct keep_out *k = &map->keep_out[i];
        if (k->table == table && first <= k->last && end > k->first)
            return true;
    }
    for (int i = 0; i < map->point_count; i++) { /* read by the way, such a peak would be lost */
        const struct map_point *p = &map->points[i];
        if (p->latch == LATCH_READ && p->table == table && p->register_ < end && p->register_ + value_width(p) > first)
            return true;
    }
    return false;
}

/* Sorted by table, then register, then place in the map: an order that never depends on the sort used. */
static void sort_points(const struct device_map *map, int16_t *order, int count)
{
    for (int i = 1; i < count; i++) {
        int16_t moving = order[i];
        const struct map_point *m = &map->points[moving];
        int at = i;
        while (at > 0) {
            const struct map_point *before = &map->points[order[at - 1]];
            bool behind = before->table != m->table ? before->table > m->table : before->register_ > m->register_;
            if (!behind)
                break;
            order[at] = order[at - 1];
            at--;
        }
        order[at] = moving;
    }
}

static bool fits(const struct device_map *map, const struct block *b, const struct map_point *p,
                 const struct block_limits *limits)
{
    int end = b->first + b->count;
    int new_end = p->register_ + value_width(p);
    int cap = value_in_bits(p) ? limits->bits : limits->registers;
    if (new_end < end)
        new_end = end;
    if (b->table != p->table || new_end - b->first > cap || p->register_ - end > limits->gap)
        return false;
    return p->register_ <= end || !kept_out(map, p->table, end, p->register_);
}

int blocks_gather(const struct device_map *map, const bool *wanted, const bool *split,
                  const struct block_limits *limits, struct block *blocks)
{
    int16_t order[POINTS_MAX];
    int count = 0, made = 0;
    for (int i = 0; i < map->point_count; i++) {
        if (wanted[i])
            order[count++] = (int16_t)i;
    }
    sort_points(map, order, count);
    for (int i = 0; i < count; i++) {
        const struct map_point *p = &map->points[order[i]];
        int end = p->register_ + value_width(p);
        struct block *b = made > 0 ? &blocks[made - 1] : NULL;
        if (b == NULL || (split != NULL && split[order[i]]) || !fits(map, b, p, limits)) {
            b = &blocks[made++];
            memset(b, 0, sizeof *b);
            b->table = p->table;
            b->first = p->register_;
        }
        if (end - b->first > b->count)
            b->count = (uint16_t)(end - b->first);
        b->points[b->point_count++] = order[i];
    }
    return made;
}

int blocks_of_queries(const struct device_map *map, const bool *wanted, struct block *blocks)
{
    int made = 0;
    for (int i = 0; i < map->point_count; i++) {
        if (!wanted[i] || map->points[i].query[0] == '\0')
            continue;
        int at = 0;
        while (at < made && strcmp(map->points[blocks[at].points[0]].query, map->points[i].query) != 0)
            at++;
        if (at == made) {
            memset(&blocks[at], 0, sizeof blocks[at]);
            made++;
        }
        blocks[at].points[blocks[at].point_count++] = (int16_t)i;
    }
    return made;
}
