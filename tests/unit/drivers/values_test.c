/* Values in registers, and how points are gathered into requests. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "blocks.h"
#include "bus_stats.h"
#include "pdu.h"
#include "register_value.h"
#include "suite_run.h"

static struct map_point plain(enum value_type type, enum word_order order)
{
    return (struct map_point){.table = TABLE_INPUT, .type = type, .order = order, .scale = 1, .to_base = 1};
}

/* Byte orders are not defined by Modbus (V1.1b3 4.2 fixes 16-bit big endian only): the names are ours, device_map.h.
 * 24.2 as IEEE 754 single is 41C1999A, -2.5 as double C004000000000000; checked by hand. */
static const struct {
    enum value_type type;
    enum word_order order;
    uint16_t registers[4];
    double value;
} orders[] = {
    {TYPE_F32, ORDER_ABCD, {0x41C1, 0x999A}, 24.200000762939453},
    {TYPE_F32, ORDER_CDAB, {0x999A, 0x41C1}, 24.200000762939453},
    {TYPE_F32, ORDER_BADC, {0xC141, 0x9A99}, 24.200000762939453},
    {TYPE_F32, ORDER_DCBA, {0x9A99, 0xC141}, 24.200000762939453},
    {TYPE_F64, ORDER_ABCD, {0xC004, 0, 0, 0}, -2.5},
    {TYPE_F64, ORDER_CDAB, {0, 0, 0, 0xC004}, -2.5},
    {TYPE_F64, ORDER_BADC, {0x04C0, 0, 0, 0}, -2.5},
    {TYPE_F64, ORDER_DCBA, {0, 0, 0, 0x04C0}, -2.5},
    {TYPE_I32, ORDER_ABCD, {0xFFFE, 0x1DC0}, -123456},
    {TYPE_I32, ORDER_CDAB, {0x1DC0, 0xFFFE}, -123456},
    {TYPE_I32, ORDER_BADC, {0xFEFF, 0xC01D}, -123456},
    {TYPE_I32, ORDER_DCBA, {0xC01D, 0xFEFF}, -123456},
    {TYPE_U32, ORDER_ABCD, {0xFFFE, 0x1DC0}, 4294843840.0},
    {TYPE_U64, ORDER_ABCD, {0x0001, 0x0203, 0x0405, 0x0607}, 283686952306183.0},
    {TYPE_U64, ORDER_CDAB, {0x0607, 0x0405, 0x0203, 0x0001}, 283686952306183.0},
    {TYPE_U64, ORDER_BADC, {0x0100, 0x0302, 0x0504, 0x0706}, 283686952306183.0},
    {TYPE_U64, ORDER_DCBA, {0x0706, 0x0504, 0x0302, 0x0100}, 283686952306183.0},
    {TYPE_I64, ORDER_ABCD, {0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}, -1},
    {TYPE_I16, ORDER_ABCD, {0xFF9C}, -100},
    {TYPE_I16, ORDER_CDAB, {0xFF9C}, -100},
    {TYPE_I16, ORDER_BADC, {0x9CFF}, -100},
    {TYPE_U16, ORDER_DCBA, {0x9CFF}, 65436},
};

START_TEST(every_order_of_words_and_bytes)
{
    struct map_point p = plain(orders[_i].type, orders[_i].order);
    enum quality quality;
    uint16_t back[4] = {0};
    uint64_t raw = 0;
    double v = value_decode(&p, orders[_i].registers, &quality);
    ck_assert_msg(v == orders[_i].value, "row %d gives %.17g", _i, v);
    ck_assert_int_eq(quality, QUALITY_GOOD);
    ck_assert_int_eq(value_encode(&p, orders[_i].value, &raw), 0);
    value_to_registers(&p, raw, back);
    ck_assert_mem_eq(back, orders[_i].registers, (size_t)value_width(&p) * 2);
}
END_TEST

/* Raw values that the SunSpec information model publishes for a point that a device does not have. */
static const struct {
    enum value_type type;
    uint64_t raw;
    uint16_t registers[4];
} absent[] = {
    {TYPE_I16, 0x8000, {0x8000}},
    {TYPE_U16, 0xFFFF, {0xFFFF}},
    {TYPE_I32, 0x80000000, {0x8000, 0}},
    {TYPE_U32, 0xFFFFFFFF, {0xFFFF, 0xFFFF}},
    {TYPE_I64, 0x8000000000000000, {0x8000, 0, 0, 0}},
    {TYPE_U64, 0xFFFFFFFFFFFFFFFF, {0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}},
};

START_TEST(values_that_mean_nothing)
{
    struct map_point p = plain(absent[_i].type, ORDER_ABCD);
    enum quality quality;
    ck_assert(isfinite(value_decode(&p, absent[_i].registers, &quality)));
    p.invalid_count = 1;
    p.invalid[0] = absent[_i].raw;
    ck_assert(isnan(value_decode(&p, absent[_i].registers, &quality)));
    ck_assert_int_eq(quality, QUALITY_INVALID);
}
END_TEST

START_TEST(floats_that_are_no_numbers)
{
    enum quality quality;
    struct map_point p = plain(TYPE_F32, ORDER_ABCD);
    ck_assert(isnan(value_decode(&p, (const uint16_t[]){0x7FC0, 0}, &quality))); /* SunSpec's float32 */
    ck_assert_int_eq(quality, QUALITY_INVALID);
    ck_assert(isnan(value_decode(&p, (const uint16_t[]){0x7F80, 0}, &quality))); /* infinity */
    ck_assert_int_eq(quality, QUALITY_INVALID);
    p.type = TYPE_F64;
    ck_assert(isnan(value_decode(&p, (const uint16_t[]){0x7FF8, 0, 0, 0}, &quality)));
    ck_assert_int_eq(quality, QUALITY_INVALID);
}
END_TEST

/* raw 2301 with scale 0.1: 230.1 (SunSpec's own worked example of a scale factor -1). */
START_TEST(scale_offset_and_limits)
{
    enum quality quality;
    uint64_t raw = 0;
    struct map_point p = plain(TYPE_U16, ORDER_ABCD);
    p.scale = 0.1;
    ck_assert_double_eq_tol(value_decode(&p, (const uint16_t[]){2301}, &quality), 230.1, 1e-9);
    p.offset = -40;
    p.has_max = true;
    p.max = 150;
    ck_assert_double_eq_tol(value_decode(&p, (const uint16_t[]){2301}, &quality), 190.1, 1e-9);
    ck_assert_int_eq(quality, QUALITY_OUT_OF_RANGE);
    ck_assert_int_eq(value_encode(&p, 190.1, &raw), -1);
    ck_assert_int_eq(value_encode(&p, 100, &raw), 0);
    ck_assert_uint_eq(raw, 1400);
    ck_assert_int_eq(value_encode(&p, -41, &raw), -1);
    ck_assert_int_eq(value_encode(&p, NAN, &raw), -1);
}
END_TEST

START_TEST(bit_fields)
{
    enum quality quality;
    uint64_t raw = 0;
    struct map_point p = plain(TYPE_U16, ORDER_ABCD);
    p.bit = 4;
    p.bits = 3;
    ck_assert_double_eq(value_decode(&p, (const uint16_t[]){0x00D0}, &quality), 5);
    ck_assert_int_eq(value_encode(&p, 5, &raw), 0);
    ck_assert_uint_eq(raw, 0x50);
    ck_assert_int_eq(value_encode(&p, 8, &raw), -1);
    p.type = TYPE_I16;
    ck_assert_double_eq(value_decode(&p, (const uint16_t[]){0x00D0}, &quality), -3);
    ck_assert_int_eq(value_encode(&p, -4, &raw), 0);
    ck_assert_uint_eq(raw, 0x40);
    p = plain(TYPE_BIT, ORDER_ABCD);
    p.bit = 15;
    ck_assert_double_eq(value_decode(&p, (const uint16_t[]){0x8000}, &quality), 1);
    p.table = TABLE_COIL;
    ck_assert_double_eq(value_decode(&p, (const uint16_t[]){1}, &quality), 1);
    p.bits = 5; /* a row of coils as a mask */
    uint16_t coils[5] = {1, 0, 1, 1, 0};
    ck_assert_int_eq(value_width(&p), 5);
    ck_assert_double_eq(value_decode(&p, coils, &quality), 13);
    ck_assert_int_eq(value_encode(&p, 22, &raw), 0);
    value_to_registers(&p, raw, coils);
    ck_assert_mem_eq(coils, ((const uint16_t[]){0, 1, 1, 0, 1}), sizeof coils);
    ck_assert_int_eq(value_encode(&p, 32, &raw), -1);
}
END_TEST

/* Any value that a type can hold comes back from its registers, in every order. */
START_TEST(what_is_written_reads_back)
{
    uint32_t x = 2463534242u;
    for (int n = 0; n < 20000; n++) {
        x ^= x << 13;
        x ^= x >> 17;
        x ^= x << 5;
        struct map_point p = plain((enum value_type)(TYPE_I16 + x % 8), (enum word_order)(x / 8 % 4));
        double v = (double)(int32_t)(x * 2654435761u) / (p.type <= TYPE_U16 ? 65536 : 1);
        v = p.type == TYPE_F64 || p.type == TYPE_F32 ? (double)(float)v : trunc(v);
        if (p.type == TYPE_U16 || p.type == TYPE_U32 || p.type == TYPE_U64)
            v = fabs(v);
        uint64_t raw = 0;
        uint16_t registers[4];
        enum quality quality;
        ck_assert_msg(value_encode(&p, v, &raw) == 0, "type %d cannot hold %g", (int)p.type, v);
        value_to_registers(&p, raw, registers);
        ck_assert_msg(value_decode(&p, registers, &quality) == v, "type %d order %d value %g", (int)p.type,
                      (int)p.order, v);
    }
}
END_TEST

/* --- blocks ------------------------------------------------------------------------------------------------------ */

static struct device_map map;
static bool wanted[POINTS_MAX];
static struct block blocks[POINTS_MAX];

static void add(enum register_table table, int reg, enum value_type type)
{
    map.points[map.point_count] = plain(type, ORDER_ABCD);
    map.points[map.point_count].table = table;
    map.points[map.point_count].register_ = (uint16_t)reg;
    wanted[map.point_count++] = true;
}

static int gather(const bool *split)
{
    struct block_limits limits = block_limits_of(&map);
    return blocks_gather(&map, wanted, split, &limits, blocks);
}

static void clear_map(void)
{
    memset(&map, 0, sizeof map);
    memset(wanted, 0, sizeof wanted);
}

START_TEST(neighbours_share_a_request)
{
    clear_map();
    add(TABLE_INPUT, 12, TYPE_U16);
    add(TABLE_INPUT, 10, TYPE_F32);
    add(TABLE_HOLDING, 10, TYPE_U16);
    add(TABLE_INPUT, 14, TYPE_U16); /* a gap of one */
    ck_assert_int_eq(gather(NULL), 3);
    ck_assert_int_eq(blocks[0].first, 10);
    ck_assert_int_eq(blocks[0].count, 3);
    map.max_gap = 1;
    ck_assert_int_eq(gather(NULL), 2);
    ck_assert_int_eq(blocks[0].count, 5);
    map.keep_out_count = 1;
    map.keep_out[0] = (struct keep_out){TABLE_INPUT, 13, 13};
    ck_assert_int_eq(gather(NULL), 3);
    map.keep_out[0].table = TABLE_COIL;
    ck_assert_int_eq(gather(NULL), 2);
}
END_TEST

START_TEST(blocks_keep_the_limit_and_never_split_a_value)
{
    clear_map();
    for (int i = 0; i < 20; i++)
        add(TABLE_INPUT, 4 * i, TYPE_F64);
    for (int limit = 1; limit <= 125; limit++) {
        map.max_block = limit;
        int n = gather(NULL), seen = 0;
        for (int b = 0; b < n; b++) {
            ck_assert(blocks[b].count <= limit || blocks[b].point_count == 1);
            for (int k = 0; k < blocks[b].point_count; k++) {
                const struct map_point *p = &map.points[blocks[b].points[k]];
                ck_assert(p->register_ >= blocks[b].first &&
                          p->register_ + value_width(p) <= blocks[b].first + blocks[b].count);
                seen++;
            }
        }
        ck_assert_int_eq(seen, 20);
        ck_assert(limit < 4 ? n == 20 : n == (20 + limit / 4 - 1) / (limit / 4));
    }
    bool split[POINTS_MAX] = {false};
    map.max_block = 125;
    split[7] = true;
    ck_assert_int_eq(gather(split), 2);
    ck_assert_int_eq(blocks[0].point_count, 7);
}
END_TEST

/* Quantiles of a known spread: never below, at most an eighth above. */
START_TEST(histogram_of_times)
{
    struct time_histogram h = {0};
    for (int i = 1; i <= 1000; i++)
        time_histogram_add(&h, i * 100000);
    for (int p = 1; p <= 100; p++) {
        double exact = p * 10 * 100000.0;
        double got = (double)time_histogram_quantile(&h, p / 100.0);
        ck_assert_msg(got >= exact * 0.999999 && got <= exact * 1.126, "%d %%: %g for %g", p, got, exact);
    }
    ck_assert_int_eq(time_histogram_quantile(&h, 1), 100000000);
    time_histogram_add(&h, INT64_MAX);
    time_histogram_add(&h, -5);
    ck_assert_uint_eq(h.count, 1002);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("values");
    TCase *tc = tcase_create("values");
    tcase_add_loop_test(tc, every_order_of_words_and_bytes, 0, (int)(sizeof orders / sizeof orders[0]));
    tcase_add_loop_test(tc, values_that_mean_nothing, 0, (int)(sizeof absent / sizeof absent[0]));
    tcase_add_test(tc, floats_that_are_no_numbers);
    tcase_add_test(tc, scale_offset_and_limits);
    tcase_add_test(tc, bit_fields);
    tcase_add_test(tc, what_is_written_reads_back);
    tcase_add_test(tc, neighbours_share_a_request);
    tcase_add_test(tc, blocks_keep_the_limit_and_never_split_a_value);
    tcase_add_test(tc, histogram_of_times);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
