/* Values in registers: every type, every order of words and bytes, bit fields, scale and invalid values. Own readers
 * throughout; no library's float helper is used, since several versions of them store other bytes than they name. */
#ifndef REGISTER_VALUE_H
#define REGISTER_VALUE_H

#include <stdbool.h>
#include <stdint.h>

#include "device_map.h"
#include "signals.h"

/* Registers that a value takes, or bits in a table of bits: one, or as many as the point's `bits` says, which then are
 * a mask (bit i of the value is the coil or discrete input register + i). At most 16. */
int value_width(const struct map_point *point);

/* Is the point in a table of single bits? */
bool value_in_bits(const struct map_point *point);

/* The bits of the type, in the order of the machine's integers, from value_width registers as they came. */
uint64_t value_raw(const struct map_point *point, const uint16_t *registers);

/* The value in the map's unit (raw * scale + offset; a bit field first cut out, signed types with their sign), and its
 * quality: good; invalid for a raw value of the map's list or a float that is no number (value NAN); out of range
 * outside the map's limits (value kept). */
double value_decode(const struct map_point *point, const uint16_t *registers, enum quality *quality);

/* The raw bits that stand for a value in the map's unit, rounded to the nearest. Returns 0, or -1 when the type cannot
 * hold it (range of the type or bit field, not finite) or when it is outside the map's limits. */
int value_encode(const struct map_point *point, double value, uint64_t *raw);

/* Puts raw bits into value_width registers as they go on the wire. */
void value_to_registers(const struct map_point *point, uint64_t raw, uint16_t *registers);

#endif
