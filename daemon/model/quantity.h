/* Quantities with units, as people write them: "160 A", "0.5 %", "300 ms", "0.16 ohm", "80 degC", "2 K/h".
 * A number without its unit, with a wrong unit or with anything behind it is an error; nothing is guessed. */
#ifndef QUANTITY_H
#define QUANTITY_H

#include "error.h"

enum dimension {
    DIM_NUMBER,      /* no unit */
    DIM_CURRENT,     /* A */
    DIM_VOLTAGE,     /* V */
    DIM_RESISTANCE,  /* ohm */
    DIM_POWER,       /* W */
    DIM_ENERGY,      /* J; Wh and kWh are accepted */
    DIM_TIME,        /* s; ns us ms min h d are accepted */
    DIM_TEMPERATURE, /* degC */
    DIM_TEMP_DIFF,   /* K */
    DIM_TEMP_RATE,   /* K/h */
    DIM_PERCENT,     /* %, kept as the number written: 40 % is 40 */
    DIM_LENGTH,      /* m */
    DIM_AREA,        /* mm2 */
    DIM_FREQUENCY,   /* Hz */
    DIM_SPEED,       /* 1/min */
    DIM_ALTITUDE,    /* m */
    DIM_COUNT_       /* number of dimensions */
};

/* The base unit a dimension is kept in, as printed. */
const char *dimension_unit(enum dimension dim);
/* What a column's name ends with, of what signals measure: "_a"; empty for the others. */
const char *dimension_suffix(enum dimension dim);

/* The dimension that a unit as written in a map or signal belongs to ("mV" is DIM_VOLTAGE, *factor 0.001).
 * Returns 0, or -1 when the unit is unknown. */
int unit_dimension(const char *unit, enum dimension *dim, double *factor);

/* Reads a whole decimal number (no hexadecimal, no "nan", no "inf", nothing behind it). Returns 0 or -1. */
int number_parse(const char *text, double *value);

/* Reads "number unit" of the given dimension into its base unit. Returns 0; -1 with what, and which units would do. */
int quantity_parse(const char *text, enum dimension dim, double *value, struct error *err);

/* Writes a double with the fewest digits that read back as the same double. cap of 32 is enough. */
void number_print(char *to, size_t cap, double value);

#endif
