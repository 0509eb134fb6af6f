#include "map_build.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "choices.h"
#include "map_file.h"
#include "template_check.h"

int map_point_find(const struct device_map *map, const char *name)
{
    for (int i = 0; i < map->point_count; i++)
        if (strcmp(map->points[i].name, name) == 0)
            return i;
    return -1;
}

/* Index of a point that another key names; complains when there is none. */
static int point_at(const struct device_map *map, const struct node *n, const char *name, struct problems *problems)
{
    char text[TEXT_CAP];
    char remedy[TEXT_CAP];
    int index = map_point_find(map, name);
    if (index >= 0)
        return index;
    int least = (int)strlen(name) / 3 + 1;
    const char *near = NULL;
    for (int i = 0; i < map->point_count; i++) {
        int d = word_distance(name, map->points[i].name);
        if (d <= least && (near == NULL || d < least)) {
            near = map->points[i].name;
            least = d;
        }
    }
    (void)text_format(text, sizeof text, "the map has no point \"%.60s\"", name);
    (void)text_format(remedy, sizeof remedy,
                      near != NULL ? "Did you mean \"%s\"?" : "Add the point, or correct the name%s.",
                      near != NULL ? near : "");
    node_problem(problems, n, PROBLEM_ERROR, text, remedy);
    return -1;
}

static int point_of_key(const struct device_map *map, const struct at *at, const char *key, const char *name,
                        struct problems *problems)
{
    const struct node *n = node_child(at->node, key);
    return n == NULL ? -1 : point_at(map, n, name, problems);
}

static void need_writable(const struct device_map *map, int point, const struct at *at, const char *key,
                          struct problems *problems)
{
    if (point >= 0 && !map->points[point].writable)
        at_problem(problems, at, key, PROBLEM_ERROR, "this point cannot be written", "Give the point access: write.");
}

static void build_points(struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    struct raw_point *points = raw->points.items;
    char text[TEXT_CAP];
    for (int i = 0; i < raw->points.count; i++) {
        int twin = map_point_find(map, points[i].name);
        if (twin >= 0 && points[i].name[0] != '\0') {
            (void)text_format(text, sizeof text, "the point \"%s\" stands here a second time", points[i].name);
            at_problem(problems, &points[i].at, "name", PROBLEM_ERROR, text, "Give each point a name of its own.");
        }
        map_point_build(raw, &points[i], &map->points[i], problems);
        map->point_count = i + 1;
    }
    if (raw->points.count == 0)
        at_problem(problems, &raw->at, "points", PROBLEM_ERROR, "the map has no points", "Add at least one.");
}

static void check_cold_junctions(const struct raw_map *raw, const struct device_map *map, struct problems *problems)
{
    const struct raw_point *points = raw->points.items;
    for (int i = 0; i < map->point_count; i++) {
        if (map->points[i].cold_junction[0] == '\0')
            continue;
        int k = point_of_key(map, &points[i].sensor.at, "cold_junction", map->points[i].cold_junction, problems);
        if (k >= 0 &&
            (k == i || map->points[k].value_dim != DIM_TEMPERATURE || map->points[k].sensor == SENSOR_THERMOCOUPLE))
            at_problem(problems, &points[i].sensor.at, "cold_junction", PROBLEM_ERROR,
                       "the cold junction must be a point that reads a temperature by itself",
                       "Name the point of the terminal's own sensor, in degC.");
    }
}

static int registers_of(const struct map_point *p)
{
    if (p->type == TYPE_I32 || p->type == TYPE_U32 || p->type == TYPE_F32)
        return 2;
    return p->type == TYPE_I64 || p->type == TYPE_U64 || p->type == TYPE_F64 ? 4 : 1;
}

static void build_keep_out(const struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    const struct raw_keep_out *areas = raw->keep_out.items;
    const struct raw_point *points = raw->points.items;
    for (int i = 0; i < raw->keep_out.count; i++) {
        const struct raw_keep_out *k = &areas[i];
        map->keep_out[i] = (struct keep_out){(enum register_table)k->table, (uint16_t)k->first, (uint16_t)k->last};
        map->keep_out_count = i + 1;
        for (int p = 0; p < map->point_count && raw->protocol == MAP_MODBUS; p++) {
            const struct map_point *m = &map->points[p];
            int last = m->register_ + registers_of(m) - 1;
            if ((int)m->table == k->table && m->register_ <= k->last && last >= k->first)
                at_problem(problems, &points[p].at, "register", PROBLEM_ERROR,
                           "this point lies in an area to keep out of", "Remove the point, or correct keep_out.");
        }
    }
}

static enum power_up_kind power_up_kind_of(const struct raw_map *raw, const struct device_map *map)
{
    if (map->power_up_point < 0)
        return POWER_UP_UNKNOWN;
    for (int i = 0; i < map->point_count; i++)
        if (strcmp(map->points[i].name, "power_up_clear") == 0 && map->points[i].writable)
            return POWER_UP_MARK;
    return raw->power_up_kind == 1 ? POWER_UP_UPTIME : POWER_UP_COUNT;
}

static void build_identity(const struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    const struct raw_point_value *items = raw->identity.items;
    for (int i = 0; i < raw->identity.count; i++) {
        map->identity_points[i] = point_of_key(map, &items[i].at, "point", items[i].point, problems);
        map->identity_values[i] = items[i].value;
        map->identity_count = i + 1;
    }
    map->virtual_point = point_of_key(map, &raw->at, "virtual", raw->virtual_point, problems);
    map->rate_point = point_of_key(map, &raw->at, "rate", raw->rate, problems);
    map->epoch_point = point_of_key(map, &raw->at, "epoch", raw->epoch, problems);
    map->power_up_point = point_of_key(map, &raw->at, "power_up", raw->power_up, problems);
    map->power_up_kind = power_up_kind_of(raw, map);
}

static void build_latches(const struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    const struct raw_point *points = raw->points.items;
    for (int i = 0; i < map->point_count; i++) {
        int reset = point_of_key(map, &points[i].at, "reset", points[i].reset, problems);
        need_writable(map, reset, &points[i].at, "reset", problems);
        map->points[i].reset_point = (int16_t)reset;
    }
}

/* A point that is read for its one value, not for what happens when it is. */
static int plain_point(const struct device_map *map, const struct at *at, const char *key, const char *name,
                       enum dimension dim, struct problems *problems)
{
    int at_point = point_of_key(map, at, key, name, problems);
    if (at_point < 0)
        return -1;
    const struct map_point *p = &map->points[at_point];
    if (p->block || p->latch == LATCH_READ || (p->writable && map->protocol == MAP_TEXT))
        at_problem(problems, at, key, PROBLEM_ERROR, "this point cannot be read for a value",
                   "Name a point with access: read.");
    else if (dim != DIM_COUNT_ && p->dim != dim)
        at_problem(problems, at, key, PROBLEM_ERROR, "this point must be a time", "Give that point unit: s (or ms).");
    return at_point;
}

static void build_samples(const struct raw_capture *from, const struct device_map *map, struct map_capture *to,
                          struct problems *problems)
{
    static const char *const keys[CAPTURE_SIGNALS] = {[CAPTURED_U2] = "u2", [CAPTURED_I2] = "i2"};
    static const enum dimension dims[CAPTURE_SIGNALS] = {[CAPTURED_U2] = DIM_VOLTAGE, [CAPTURED_I2] = DIM_CURRENT};
    for (int s = 0; s < CAPTURE_SIGNALS; s++) {
        int point = point_of_key(map, &from->at, keys[s], from->samples[s], problems);
        to->samples[s] = point;
        if (point < 0)
            continue;
        const struct map_point *p = &map->points[point];
        if (!p->block)
            at_problem(problems, &from->at, keys[s], PROBLEM_ERROR, "this point is one value, not a row of samples",
                       "Give the point access: block.");
        else if (p->value_dim != dims[s])
            at_problem(problems, &from->at, keys[s], PROBLEM_ERROR,
                       s == CAPTURED_U2 ? "samples of u2 are volts" : "samples of i2 are amperes",
                       "Add unit: to that point, and sensor: {shunt: ...} where it is a voltage on a shunt.");
    }
}

static void build_captures(const struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    const struct raw_capture *items = raw->captures.items;
    for (int i = 0; i < raw->captures.count; i++) {
        const struct raw_capture *from = &items[i];
        struct map_capture *to = &map->captures[i];
        (void)text_copy(to->name, sizeof to->name, from->name);
        to->arm_point = point_of_key(map, &from->arm.at, "point", from->arm.point, problems);
        to->arm_value = from->arm.value;
        need_writable(map, to->arm_point, &from->arm.at, "point", problems);
        to->trigger_point = point_of_key(map, &from->trigger.at, "point", from->trigger.point, problems);
        to->trigger_value = from->trigger.value;
        need_writable(map, to->trigger_point, &from->trigger.at, "point", problems);
        to->state_point = plain_point(map, &from->at, "state", from->state, DIM_COUNT_, problems);
        to->armed = from->armed;
        to->ready = from->ready;
        to->has_filling = !isnan(from->filling);
        to->filling = to->has_filling ? from->filling : 0;
        to->interval_point = plain_point(map, &from->at, "interval_point", from->interval_point, DIM_TIME, problems);
        to->interval_ns = from->interval_ns;
        to->count_point = plain_point(map, &from->at, "count_point", from->count_point, DIM_COUNT_, problems);
        to->count = from->count;
        to->before_pct = from->before_pct;
        to->age_point = plain_point(map, &from->at, "age", from->age, DIM_TIME, problems);
        to->number_point = plain_point(map, &from->at, "number", from->number, DIM_COUNT_, problems);
        build_samples(from, map, to, problems);
        map->capture_count = i + 1;
    }
}

static void build_controller(const struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    map->drop_all_point = point_of_key(map, &raw->drop_all.at, "point", raw->drop_all.point, problems);
    map->drop_all_value = raw->drop_all.value;
    need_writable(map, map->drop_all_point, &raw->drop_all.at, "point", problems);
    map->beat_point = point_of_key(map, &raw->beat.at, "point", raw->beat.point, problems);
    map->beat_kind = (enum beat_kind)raw->beat.kind;
    need_writable(map, map->beat_point, &raw->beat.at, "point", problems);
    map->watchdog_point = point_of_key(map, &raw->at, "watchdog", raw->watchdog, problems);
    if (map->watchdog_point >= 0 && map->points[map->watchdog_point].dim != DIM_TIME)
        at_problem(problems, &raw->at, "watchdog", PROBLEM_ERROR, "the watchdog's point must be a time",
                   "Give that point unit: s (or ms).");
}

static void build_listen(const struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    const struct raw_listening *lines = raw->listen.items;
    char text[TEXT_CAP];
    for (int i = 0; i < raw->listen.count; i++) {
        struct map_listen *to = &map->listen[i];
        struct error err = {""};
        (void)text_copy(to->reply, sizeof to->reply, lines[i].reply);
        int slots = template_slots(lines[i].reply, &err);
        if (slots < 0 || slots != lines[i].points.count) {
            (void)text_format(text, sizeof text, "%d slots for numbers, but %d points%s%.120s", slots < 0 ? 0 : slots,
                              lines[i].points.count, slots < 0 ? ": " : "", err.text);
            at_problem(problems, &lines[i].at, "reply", PROBLEM_ERROR, text, "One {number} for each point, in order.");
        }
        for (int k = 0; k < lines[i].points.count; k++)
            to->points[to->point_count++] = point_at(map, lines[i].points.nodes[k], lines[i].points.words[k], problems);
        map->listen_count = i + 1;
    }
}

static void build_text(const struct raw_map *raw, struct device_map *map)
{
    (void)text_copy(map->line_end, sizeof map->line_end, choice_line_end_bytes(raw->line_end));
    (void)text_copy(map->identify_query, sizeof map->identify_query, raw->identify.query);
    (void)text_copy(map->identify_reply, sizeof map->identify_reply, raw->identify.reply);
    (void)text_copy(map->error_query, sizeof map->error_query, raw->errors.query);
    (void)text_copy(map->error_none, sizeof map->error_none, raw->errors.reply);
    for (int i = 0; i < raw->out_of_range.count; i++)
        (void)text_copy(map->out_of_range[i], sizeof map->out_of_range[i], raw->out_of_range.words[i]);
}

static void refuse_foreign(const struct raw_map *raw, struct problems *problems)
{
    static const char *const of_modbus[] = {"order", "max_block", "max_block_bits", "max_gap", "keep_out", NULL};
    static const char *const of_text[] = {"line_end", "echo", "identify", "errors", "out_of_range", "listen", NULL};
    const char *const *keys = raw->protocol == MAP_MODBUS ? of_text : of_modbus;
    char text[TEXT_CAP];
    for (; *keys != NULL; keys++) {
        const struct node *n = node_child(raw->at.node, *keys);
        if (n == NULL)
            continue;
        (void)text_format(text, sizeof text, "\"%s\" has no meaning in a map of protocol %s", *keys,
                          choice_protocols.name(raw->protocol));
        node_key_problem(problems, n, PROBLEM_ERROR, text, "Remove it, or correct the protocol.");
    }
}

/* Points that nothing can ever read or write. */
static void check_reach(const struct raw_map *raw, const struct device_map *map, struct problems *problems)
{
    const struct raw_point *points = raw->points.items;
    if (raw->protocol != MAP_TEXT)
        return;
    for (int i = 0; i < map->point_count; i++) {
        bool heard = map->points[i].query[0] != '\0' || map->points[i].writable;
        for (int k = 0; k < map->listen_count; k++)
            for (int p = 0; p < map->listen[k].point_count; p++)
                heard = heard || map->listen[k].points[p] == i;
        if (!heard)
            node_problem(problems, points[i].at.node, PROBLEM_ERROR, "nothing ever gives this point a value",
                         "Add query: and reply:, or name the point in listen.");
    }
}

void map_build(struct raw_map *raw, struct device_map *map, struct problems *problems)
{
    *map = raw->map;
    map->protocol = (enum map_protocol)raw->protocol;
    refuse_foreign(raw, problems);
    build_points(raw, map, problems);
    check_cold_junctions(raw, map, problems);
    build_latches(raw, map, problems);
    build_captures(raw, map, problems);
    build_keep_out(raw, map, problems);
    build_identity(raw, map, problems);
    build_controller(raw, map, problems);
    build_listen(raw, map, problems);
    build_text(raw, map);
    check_reach(raw, map, problems);
}

int map_load_text(const char *name, const char *text, size_t size, struct device_map *map, struct problems *problems)
{
    int before = problems->errors;
    struct tree *tree = tree_parse(name, text, size, problems);
    struct raw_map *raw = tree == NULL ? NULL : calloc(1, sizeof *raw);
    if (raw != NULL) {
        schema_defaults(&map_object, raw);
        schema_parse(&map_object, tree_root(tree), raw, problems);
        map_build(raw, map, problems);
        schema_free(&map_object, raw);
    } else if (tree != NULL) {
        node_problem(problems, tree_root(tree), PROBLEM_ERROR, "out of memory", "");
    }
    free(raw);
    tree_free(tree);
    return problems->errors == before ? 0 : -1;
}
