#include "register_value.h"

#include <math.h>
#include <string.h>

/* Bits of each type. */
static int type_bits(enum value_type type)
{
    switch (type) {
    case TYPE_BIT:
        return 1;
    case TYPE_I16:
    case TYPE_U16:
        return 16;
    case TYPE_I32:
    case TYPE_U32:
    case TYPE_F32:
        return 32;
    default:
        return 64;
    }
}

static bool type_signed(enum value_type type)
{
    return type == TYPE_I16 || type == TYPE_I32 || type == TYPE_I64;
}

bool value_in_bits(const struct map_point *point)
{
    return point->table == TABLE_COIL || point->table == TABLE_DISCRETE;
}

int value_width(const struct map_point *point)
{
    int bits = type_bits(point->type);
    if (value_in_bits(point))
        return point->bits > 1 ? (point->bits < 16 ? point->bits : 16) : 1;
    return bits <= 16 ? 1 : bits / 16;
}

/* Position in a big-endian value of the byte that is i-th on the wire. */
static int wire_place(enum word_order order, int bytes, int i)
{
    switch (order) {
    case ORDER_CDAB: /* words the other way round */
        return (bytes - 2 - i / 2 * 2) + i % 2;
    case ORDER_BADC: /* bytes of each word the other way round */
        return i ^ 1;
    case ORDER_DCBA: /* little endian throughout */
        return bytes - 1 - i;
    default:
        return i;
    }
}

uint64_t value_raw(const struct map_point *point, const uint16_t *registers)
{
    if (value_in_bits(point)) {
        uint64_t mask = 0;
        for (int i = 0; i < value_width(point); i++)
            mask |= (uint64_t)(registers[i] != 0) << i;
        return mask;
    }
    int bytes = value_width(point) * 2;
    uint8_t big[8] = {0};
    for (int i = 0; i < bytes; i++) {
        unsigned word = registers[i / 2];
        big[wire_place(point->order, bytes, i)] = (uint8_t)(i % 2 == 0 ? word >> 8 : word & 0xFFu);
    }
    uint64_t raw = 0;
    for (int i = 0; i < bytes; i++)
        raw = raw << 8 | big[i];
    return raw;
}

void value_to_registers(const struct map_point *point, uint64_t raw, uint16_t *registers)
{
    if (value_in_bits(point)) {
        for (int i = 0; i < value_width(point); i++)
            registers[i] = (uint16_t)(raw >> i & 1);
        return;
    }
    int bytes = value_width(point) * 2;
    for (int r = 0; r < bytes / 2; r++)
        registers[r] = 0;
    for (int i = 0; i < bytes; i++) {
        int place = wire_place(point->order, bytes, i);
        unsigned byte = (unsigned)(raw >> (8 * (bytes - 1 - place)) & 0xFF);
        registers[i / 2] = (uint16_t)(registers[i / 2] | (i % 2 == 0 ? byte << 8 : byte));
    }
}

/* The field of a register that a point stands for: lowest bit and width. A whole value has the width of its type. */
static void field_of(const struct map_point *point, int *lowest, int *width)
{
    *lowest = 0;
    *width = type_bits(point->type);
    if (value_in_bits(point))
        *width = value_width(point);
    else if (point->bits > 0) {
        *lowest = point->bit;
        *width = point->bits;
    } else if (point->type == TYPE_BIT) {
        *lowest = point->bit;
        *width = 1;
    }
}

static uint64_t low_bits(int width)
{
    return width >= 64 ? UINT64_MAX : (UINT64_C(1) << width) - 1;
}

static double float_of(const struct map_point *point, uint64_t raw)
{
    if (point->type == TYPE_F32) {
        uint32_t bits = (uint32_t)raw;
        float f;
        memcpy(&f, &bits, sizeof f);
        return (double)f;
    }
    double d;
    memcpy(&d, &raw, sizeof d);
    return d;
}

static double number_of(const struct map_point *point, uint64_t raw)
{
    if ((point->type == TYPE_F32 || point->type == TYPE_F64) && !value_in_bits(point))
        return float_of(point, raw);
    int lowest, width;
    field_of(point, &lowest, &width);
    uint64_t field = raw >> lowest & low_bits(width);
    if (type_signed(point->type) && !value_in_bits(point) && (field >> (width - 1) & 1) != 0)
        return -(double)(low_bits(width) - field + 1);
    return (double)field;
}

double value_decode(const struct map_point *point, const uint16_t *registers, enum quality *quality)
{
    uint64_t raw = value_raw(point, registers);
    int whole = value_width(point) * (value_in_bits(point) ? 1 : 16);
    for (int i = 0; i < point->invalid_count; i++) {
        if (raw == (point->invalid[i] & low_bits(whole))) {
            *quality = QUALITY_INVALID;
            return NAN;
        }
    }
    double value = number_of(point, raw) * point->scale + point->offset;
    if (!isfinite(value)) {
        *quality = QUALITY_INVALID;
        return NAN;
    }
    bool outside = (point->has_min && value < point->min) || (point->has_max && value > point->max);
    *quality = outside ? QUALITY_OUT_OF_RANGE : QUALITY_GOOD;
    return value;
}

static int encode_float(const struct map_point *point, double number, uint64_t *raw)
{
    if (point->type == TYPE_F64) {
        memcpy(raw, &number, sizeof *raw);
        return 0;
    }
    if (number > 3.4028234663852886e38 || number < -3.4028234663852886e38)
        return -1;
    float f = (float)number;
    uint32_t bits;
    memcpy(&bits, &f, sizeof bits);
    *raw = bits;
    return 0;
}

int value_encode(const struct map_point *point, double value, uint64_t *raw)
{
    bool outside = (point->has_min && value < point->min) || (point->has_max && value > point->max);
    double number = (value - point->offset) / point->scale;
    if (!isfinite(number) || outside)
        return -1;
    if ((point->type == TYPE_F32 || point->type == TYPE_F64) && !value_in_bits(point))
        return encode_float(point, number, raw);
    int lowest, width;
    field_of(point, &lowest, &width);
    double whole = nearbyint(number);
    bool is_signed = type_signed(point->type) && !value_in_bits(point);
    double top = ldexp(1, is_signed ? width - 1 : width); /* one above the largest */
    if (whole >= top || whole < (is_signed ? -top : 0))
        return -1;
    uint64_t bits = whole < 0 ? (uint64_t)(int64_t)whole : (uint64_t)whole;
    *raw = (bits & low_bits(width)) << lowest;
    return 0;
}
