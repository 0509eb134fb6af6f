#include "quantity.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct unit_row {
    const char *name;
    enum dimension dim;
    double factor;
};

/* The first row of a dimension is its base unit. */
static const struct unit_row unit_rows[] = {
    {"A", DIM_CURRENT, 1},        {"mA", DIM_CURRENT, 1e-3},      {"kA", DIM_CURRENT, 1e3},
    {"V", DIM_VOLTAGE, 1},        {"mV", DIM_VOLTAGE, 1e-3},      {"kV", DIM_VOLTAGE, 1e3},
    {"ohm", DIM_RESISTANCE, 1},   {"mohm", DIM_RESISTANCE, 1e-3}, {"kohm", DIM_RESISTANCE, 1e3},
    {"W", DIM_POWER, 1},          {"kW", DIM_POWER, 1e3},         {"J", DIM_ENERGY, 1},
    {"Wh", DIM_ENERGY, 3600},     {"kWh", DIM_ENERGY, 3.6e6},     {"s", DIM_TIME, 1},
    {"ms", DIM_TIME, 1e-3},       {"us", DIM_TIME, 1e-6},         {"ns", DIM_TIME, 1e-9},
    {"min", DIM_TIME, 60},        {"h", DIM_TIME, 3600},          {"d", DIM_TIME, 86400},
    {"degC", DIM_TEMPERATURE, 1}, {"K", DIM_TEMP_DIFF, 1},        {"K/h", DIM_TEMP_RATE, 1},
    {"%", DIM_PERCENT, 1},        {"m", DIM_LENGTH, 1},           {"mm", DIM_LENGTH, 1e-3},
    {"mm2", DIM_AREA, 1},         {"Hz", DIM_FREQUENCY, 1},       {"kHz", DIM_FREQUENCY, 1e3},
    {"1/min", DIM_SPEED, 1},      {"m", DIM_ALTITUDE, 1},
};

static const size_t unit_count = sizeof unit_rows / sizeof unit_rows[0];

const char *dimension_unit(enum dimension dim)
{
    for (size_t i = 0; i < unit_count; i++)
        if (unit_rows[i].dim == dim)
            return unit_rows[i].name;
    return "";
}

const char *dimension_suffix(enum dimension dim)
{
    switch (dim) {
    case DIM_CURRENT:
        return "_a";
    case DIM_VOLTAGE:
        return "_v";
    case DIM_POWER:
        return "_w";
    case DIM_TEMPERATURE:
        return "_degc";
    case DIM_SPEED:
        return "_per_min";
    default:
        return "";
    }
}

int unit_dimension(const char *unit, enum dimension *dim, double *factor)
{
    for (size_t i = 0; i < unit_count; i++) {
        if (strcmp(unit_rows[i].name, unit) == 0) {
            *dim = unit_rows[i].dim;
            *factor = unit_rows[i].factor;
            return 0;
        }
    }
    return -1;
}

/* Length of the decimal number at the start of text, 0 when there is none. */
static size_t number_length(const char *text)
{
    size_t n = 0;
    if (text[n] == '+' || text[n] == '-')
        n++;
    size_t digits = strspn(text + n, "0123456789");
    n += digits;
    if (text[n] == '.') {
        size_t more = strspn(text + n + 1, "0123456789");
        n += 1 + more;
        digits += more;
    }
    if (digits == 0)
        return 0;
    if (text[n] == 'e' || text[n] == 'E') {
        size_t e = n + 1;
        if (text[e] == '+' || text[e] == '-')
            e++;
        size_t more = strspn(text + e, "0123456789");
        if (more > 0)
            n = e + more;
    }
    return n;
}

static int number_prefix(const char *text, double *value, size_t *used)
{
    size_t n = number_length(text);
    char copy[64];
    if (n == 0 || n >= sizeof copy)
        return -1;
    memcpy(copy, text, n);
    copy[n] = '\0';
    double v = strtod(copy, NULL);
    if (!isfinite(v))
        return -1;
    *value = v;
    *used = n;
    return 0;
}

int number_parse(const char *text, double *value)
{
    double v;
    size_t used;
    if (number_prefix(text, &v, &used) != 0 || text[used] != '\0')
        return -1;
    *value = v;
    return 0;
}

static void units_of(enum dimension dim, char *to, size_t cap)
{
    to[0] = '\0';
    for (size_t i = 0; i < unit_count; i++)
        if (unit_rows[i].dim == dim)
            (void)text_append(to, cap, "%s%s", to[0] == '\0' ? "" : ", ", unit_rows[i].name);
}

int quantity_parse(const char *text, enum dimension dim, double *value, struct error *err)
{
    double v;
    size_t used;
    if (number_prefix(text, &v, &used) != 0)
        return error_set(err, "\"%s\" does not begin with a number", text);
    const char *rest = text + used;
    rest += strspn(rest, " ");
    if (dim == DIM_NUMBER) {
        if (*rest != '\0')
            return error_set(err, "\"%s\" must be a plain number, without \"%s\"", text, rest);
        *value = v;
        return 0;
    }
    char known[96];
    units_of(dim, known, sizeof known);
    if (*rest == '\0')
        return error_set(err, "\"%s\" has no unit; write one of: %s", text, known);
    for (size_t i = 0; i < unit_count; i++) {
        if (unit_rows[i].dim == dim && strcmp(unit_rows[i].name, rest) == 0) {
            *value = v * unit_rows[i].factor;
            return 0;
        }
    }
    return error_set(err, "\"%s\": the unit \"%s\" does not fit here; write one of: %s", text, rest, known);
}

void number_print(char *to, size_t cap, double value)
{
    for (int digits = 1; digits <= 17; digits++) {
        (void)text_format(to, cap, "%.*g", digits, value);
        if (strtod(to, NULL) == value)
            return;
    }
}
