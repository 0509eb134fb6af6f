/* One point of a map: its own checks. */
#include <math.h>
#include <string.h>

#include "choices.h"
#include "map_build.h"
#include "template_check.h"

static void say(const struct raw_point *p, const char *key, struct problems *problems, const char *text,
                const char *remedy)
{
    at_problem(problems, &p->at, key, PROBLEM_ERROR, text, remedy);
}

static bool is_bit_table(int table)
{
    return table == TABLE_COIL || table == TABLE_DISCRETE;
}

static int type_bits(enum value_type type)
{
    switch (type) {
    case TYPE_BIT:
        return 1;
    case TYPE_I32:
    case TYPE_U32:
    case TYPE_F32:
        return 32;
    case TYPE_I64:
    case TYPE_U64:
    case TYPE_F64:
        return 64;
    default:
        return 16;
    }
}

static void refuse_keys(const struct raw_point *p, const char *const *keys, const char *protocol,
                        struct problems *problems)
{
    char text[TEXT_CAP];
    for (; *keys != NULL; keys++) {
        const struct node *n = node_child(p->at.node, *keys);
        if (n == NULL)
            continue;
        (void)text_format(text, sizeof text, "\"%s\" has no meaning in a map of protocol %s", *keys, protocol);
        node_key_problem(problems, n, PROBLEM_ERROR, text, "Remove it, or correct the map's protocol.");
    }
}

static void build_bits(struct raw_point *p, struct map_point *to, struct problems *problems)
{
    to->bit = 0;
    to->bits = 0;
    if (is_bit_table(p->table)) {
        if (p->bit >= 0)
            say(p, "bit", problems, "a coil or discrete input is one bit already", "Remove bit.");
        if (p->bits > 16 || p->register_ + p->bits > 65536)
            say(p, "bits", problems, "a mask of single bits has at most 16", "Use two points.");
        to->bits = (int8_t)(p->bits > 1 ? p->bits : 0);
        return;
    }
    if (to->type == TYPE_BIT && p->bit < 0)
        say(p, "type", problems, "a bit of a register needs its number", "Add bit: and 0 for the lowest.");
    if (p->bit < 0 && p->bits < 0)
        return;
    int width = to->type == TYPE_BIT ? 16 : type_bits(to->type);
    int low = p->bit < 0 ? 0 : p->bit;
    int count = p->bits < 0 ? 1 : p->bits;
    if (to->type == TYPE_F32 || to->type == TYPE_F64)
        say(p, "bit", problems, "a floating-point number has no bit field", "Remove bit and bits.");
    else if (low + count > width)
        say(p, "bit", problems, "the bit field reaches beyond the register", "Look at bit and bits.");
    to->bit = (int8_t)low;
    to->bits = (int8_t)count;
}

static void build_invalid(const struct raw_point *p, struct map_point *to, struct problems *problems)
{
    int bits = type_bits(to->type);
    for (int i = 0; i < p->invalid.count; i++) {
        uint64_t v = p->invalid.values[i];
        uint64_t mask = bits == 64 ? UINT64_MAX : (UINT64_C(1) << bits) - 1;
        bool negative = (v | mask) == UINT64_MAX && (v & (UINT64_C(1) << (bits - 1))) != 0;
        if ((v & ~mask) != 0 && !negative)
            say(p, "invalid", problems, "an invalid value is wider than the type", "Give it as it is on the wire.");
        to->invalid[to->invalid_count++] = v & mask;
    }
}

static void build_modbus(const struct raw_map *raw, struct raw_point *p, struct map_point *to,
                         struct problems *problems)
{
    static const char *const foreign[] = {"query", "reply", "expression", "write", "write_reply", NULL};
    refuse_keys(p, foreign, "modbus", problems);
    if (p->table < 0 || p->register_ < 0) {
        if (node_child(p->at.node, "table") != NULL && node_child(p->at.node, "register") != NULL)
            return; /* they are wrong, and that was said */
        node_problem(problems, p->at.node, PROBLEM_ERROR, "a modbus point needs table and register",
                     "Add table: input, holding, coil or discrete, and register: counted from 0.");
        return;
    }
    to->table = (enum register_table)p->table;
    to->register_ = (uint16_t)p->register_;
    bool bits = is_bit_table(p->table);
    if (node_child(p->at.node, "type") == NULL && !bits)
        node_problem(problems, p->at.node, PROBLEM_ERROR, "a register needs its type",
                     "Add type: bit, i16, u16, i32, u32, i64, u64, f32 or f64.");
    else if (bits && p->type >= 0 && p->type != TYPE_BIT)
        say(p, "type", problems, "a coil or discrete input is a bit", "Write type: bit, or correct the table.");
    to->type = p->type < 0 ? (bits ? TYPE_BIT : TYPE_U16) : (enum value_type)p->type;
    to->order = (enum word_order)(p->order < 0 ? raw->order : p->order);
    if (to->block && bits)
        say(p, "access", problems, "a block of samples lies in registers", "Use table: input or holding.");
    if (to->writable && (p->table == TABLE_INPUT || p->table == TABLE_DISCRETE))
        say(p, "access", problems, "this table cannot be written", "Use holding or coil, or remove access.");
    int registers = bits ? 1 : (type_bits(to->type) + 15) / 16;
    if (p->register_ + registers > 65536)
        say(p, "register", problems, "the value reaches beyond the last register", "Look at register and type.");
    if (registers > raw->map.max_block)
        say(p, "type", problems, "the value is longer than max_block", "Look at max_block.");
    build_bits(p, to, problems);
    build_invalid(p, to, problems);
}

static void check_template(const struct raw_point *p, const char *key, const char *text, int least, int most,
                           struct problems *problems)
{
    struct error err;
    char what[TEXT_CAP];
    if (text[0] == '\0')
        return;
    int slots = template_slots(text, &err);
    if (slots < 0) {
        (void)text_copy(what, sizeof what, err.text);
        say(p, key, problems, what, "Literal text and {number} where the number stands.");
    } else if (slots < least || slots > most) {
        (void)text_format(what, sizeof what, "%d slots for a number, where %s is needed", slots,
                          least == most ? "exactly one" : "at most one");
        say(p, key, problems, what, "Write {number} once, where the number stands.");
    }
}

static void build_text(struct raw_point *p, struct map_point *to, struct problems *problems)
{
    static const char *const foreign[] = {"table", "register", "type", "order", "bit", "bits", "invalid", NULL};
    struct error err;
    char what[TEXT_CAP];
    refuse_keys(p, foreign, "text", problems);
    if (p->reply[0] != '\0' && p->expression[0] != '\0')
        say(p, "expression", problems, "reply and expression exclude each other", "Keep one of them.");
    if (to->block && (to->query[0] == '\0' || p->reply[0] != '\0' || p->expression[0] != '\0'))
        say(p, "access", problems, "a block needs a query and no reply: the answer is a list of numbers with commas",
            "Write query: such as \"DATA? {first},{count}\", and remove reply.");
    if (!to->block && to->query[0] != '\0' && p->reply[0] == '\0' && p->expression[0] == '\0')
        say(p, "query", problems, "a query needs its reply", "Add reply: such as \"{number}\".");
    if (to->writable && to->write[0] == '\0')
        say(p, "access", problems, "a point that is written needs its write template",
            "Add write: such as \"SET {number}\".");
    if (!to->writable && to->write[0] != '\0')
        say(p, "write", problems, "the point has a write template, but access is read", "Add access: write.");
    check_template(p, "reply", p->reply, 1, 1, problems);
    check_template(p, "write", to->write, 0, 1, problems);
    check_template(p, "write_reply", to->write_reply, 0, 1, problems);
    to->reply_is_expression = p->expression[0] != '\0';
    if (to->reply_is_expression && expression_check(p->expression, &err) != 0) {
        (void)text_format(what, sizeof what, "this expression is not taken: %.200s", err.text);
        say(p, "expression", problems, what, "A template (reply) does for most devices.");
    }
    (void)text_copy(to->reply, sizeof to->reply, to->reply_is_expression ? p->expression : p->reply);
    to->type = TYPE_F64;
}

static void build_loop(const struct raw_point *p, struct map_point *to, struct problems *problems)
{
    enum dimension dims[2] = {DIM_NUMBER, DIM_NUMBER};
    double values[2] = {0, 0};
    const char *const texts[2] = {p->sensor.loop_low, p->sensor.loop_high};
    static const char *const keys[2] = {"loop_low", "loop_high"};
    bool good = true;
    for (int i = 0; i < 2; i++) {
        struct error err;
        double factor;
        const char *unit = texts[i] + strspn(texts[i], "+-.0123456789eE");
        unit += strspn(unit, " ");
        if (*unit != '\0' && unit_dimension(unit, &dims[i], &factor) != 0)
            dims[i] = DIM_COUNT_;
        if (dims[i] != DIM_COUNT_ && quantity_parse(texts[i], dims[i], &values[i], &err) == 0)
            continue;
        at_problem(problems, &p->sensor.at, keys[i], PROBLEM_ERROR, "this is no quantity",
                   "Write a number with its unit, such as 200 degC.");
        good = false;
    }
    if (good && (dims[0] != dims[1] || values[0] == values[1]))
        at_problem(problems, &p->sensor.at, "loop_high", PROBLEM_ERROR,
                   "loop_low and loop_high do not span a range of one unit", "Such as 0 degC and 200 degC.");
    to->sensor = SENSOR_LOOP;
    to->sensor_low = values[0];
    to->sensor_high = values[1];
    to->value_dim = good ? dims[0] : DIM_NUMBER;
}

static void need_dim(const struct raw_point *p, const struct map_point *to, enum dimension dim,
                     struct problems *problems)
{
    char text[TEXT_CAP];
    char remedy[TEXT_CAP];
    if (to->dim == dim)
        return;
    (void)text_format(text, sizeof text, "the unit \"%s\" does not fit this sensor", to->unit);
    (void)text_format(remedy, sizeof remedy, "Give the point the unit that the device sends: %s, or a part of it.",
                      dimension_unit(dim));
    say(p, "unit", problems, text, remedy);
}

static void build_sensor(const struct raw_point *p, struct map_point *to, struct problems *problems)
{
    to->value_dim = to->dim;
    if (p->sensor.at.node == NULL)
        return;
    to->value_dim = DIM_TEMPERATURE;
    if (p->sensor.thermocouple != '\0') {
        to->sensor = SENSOR_THERMOCOUPLE;
        to->thermocouple = p->sensor.thermocouple;
        (void)text_copy(to->cold_junction, sizeof to->cold_junction, p->sensor.cold_junction);
        need_dim(p, to, DIM_VOLTAGE, problems);
    } else if (p->sensor.pt100 || p->sensor.pt1000) {
        to->sensor = p->sensor.pt100 ? SENSOR_PT100 : SENSOR_PT1000;
        need_dim(p, to, DIM_RESISTANCE, problems);
    } else if (!isnan(p->sensor.shunt_ohm)) {
        to->sensor = SENSOR_SHUNT;
        to->sensor_low = p->sensor.shunt_ohm;
        to->value_dim = DIM_CURRENT;
        need_dim(p, to, DIM_VOLTAGE, problems);
    } else if (p->sensor.loop_low[0] != '\0' && p->sensor.loop_high[0] != '\0') {
        build_loop(p, to, problems);
        need_dim(p, to, DIM_CURRENT, problems);
    }
}

static void build_latch(const struct raw_point *p, struct map_point *to, struct problems *problems)
{
    to->latch = (enum latch_kind)p->latch;
    to->reset_point = -1;
    to->reset_value = p->reset_value;
    if (to->latch == LATCH_WRITE && p->reset[0] == '\0')
        say(p, "latch", problems, "a latch that is let go by a write needs its reset",
            "Add reset: and the point that is written.");
    if (to->latch != LATCH_WRITE && p->reset[0] != '\0')
        say(p, "reset", problems, "reset has a meaning with latch: write only", "Add latch: write, or remove reset.");
    if (to->latch != LATCH_NONE && (to->writable || to->block))
        say(p, "latch", problems, "only a point that is read has a latch", "Remove latch, or access.");
}

static void build_unit(const struct raw_point *p, struct map_point *to, struct problems *problems)
{
    char text[TEXT_CAP];
    to->dim = DIM_NUMBER;
    to->to_base = 1;
    if (to->unit[0] == '\0' || unit_dimension(to->unit, &to->dim, &to->to_base) == 0)
        return;
    (void)text_format(text, sizeof text, "the unit \"%s\" is not known", to->unit);
    say(p, "unit", problems, text,
        "Write one of A, mA, kA, V, mV, kV, ohm, mohm, W, kW, Wh, kWh, s, ms, min, h, degC, K, %, Hz, 1/min, m; "
        "others by scale.");
}

void map_point_build(const struct raw_map *raw, struct raw_point *p, struct map_point *to, struct problems *problems)
{
    *to = p->point;
    (void)text_copy(to->name, sizeof to->name, p->name);
    to->writable = p->access == 1;
    to->block = p->access == 2;
    build_latch(p, to, problems);
    build_unit(p, to, problems);
    if (raw->protocol == MAP_MODBUS)
        build_modbus(raw, p, to, problems);
    else
        build_text(p, to, problems);
    build_sensor(p, to, problems);
    if (to->scale == 0)
        say(p, "scale", problems, "a scale of 0 makes every value the same", "Remove it, or correct it.");
    to->has_min = !isnan(p->min);
    to->has_max = !isnan(p->max);
    to->min = to->has_min ? p->min : 0;
    to->max = to->has_max ? p->max : 0;
    if (to->has_min && to->has_max && to->min >= to->max)
        say(p, "min", problems, "min is not below max", "Swap or correct them.");
}
