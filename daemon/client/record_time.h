/* Stamps of readings as loggers write them. */
#ifndef RECORD_TIME_H
#define RECORD_TIME_H

#include <stdbool.h>
#include <stdint.h>

#include "error.h"

enum stamp_kind {
    STAMP_NUMBER, /* a number of seconds, or of another unit: nanoseconds = number * factor */
    STAMP_ISO,    /* ISO 8601: 2019-03-14T08:15:30.5+01:00, 2019-03-14 08:15:30; without a zone it is local time */
    STAMP_PATTERN /* as a pattern says: %Y %y %m %d %H %I %M %S %p, anything else as it is */
};

struct stamp_format {
    enum stamp_kind kind;
    double factor_ns;
    char pattern[64];
};

/* "s", "ms", "min", "h", "iso", or a pattern with '%'. Returns 0 or -1 with err. */
int stamp_format_parse(const char *text, struct stamp_format *format, struct error *err);

struct stamp {
    int64_t ns;       /* since 1970 when dated, else since whatever the record counts from */
    int64_t digit_ns; /* what the last written digit is worth */
    bool dated;       /* has a date */
    bool zoned;       /* UTC for sure */
};

/* Reads one stamp. decimal_comma: fractions follow a comma (in ISO and patterns both will do). Returns 0 or -1. */
int stamp_parse(const char *text, const struct stamp_format *format, bool decimal_comma, struct stamp *stamp);

/* A number with its decimal sign; nothing is taken for a separator of thousands. Returns 0 or -1. */
int cell_number(const char *text, bool decimal_comma, double *value);

#endif
