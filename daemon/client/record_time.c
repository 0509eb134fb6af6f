#include "record_time.h"

#include <ctype.h>
#include <math.h>
#include <string.h>
#include <strings.h>

#include "quantity.h"

#define SECOND INT64_C(1000000000)

enum { NUMBER_CAP = 48 };

struct fields {
    int year, month, day, hour, minute, second, zone_min;
    int64_t fraction_ns, digit_ns;
    bool twelve, afternoon, dated, zoned;
};

int stamp_format_parse(const char *text, struct stamp_format *format, struct error *err)
{
    static const struct {
        const char *word;
        double ns;
    } units[] = {{"s", 1e9}, {"ms", 1e6}, {"us", 1e3}, {"min", 60e9}, {"h", 3600e9}};
    *format = (struct stamp_format){.kind = STAMP_NUMBER};
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (strcmp(text, units[i].word) == 0) {
            format->factor_ns = units[i].ns;
            return 0;
        }
    }
    if (strcmp(text, "iso") == 0) {
        format->kind = STAMP_ISO;
        return 0;
    }
    format->kind = STAMP_PATTERN;
    if (!strchr(text, '%'))
        return error_set(err,
                         "time format \"%s\" is none of s, ms, us, min, h, iso, and no pattern like \"%%d.%%m.%%Y "
                         "%%H:%%M:%%S\"",
                         text);
    for (const char *p = text; (p = strchr(p, '%')) != NULL; p += 2) {
        if (!p[1] || !strchr("YymdHIMSp", p[1]))
            return error_set(err, "time format \"%s\": %%%.1s is not known; %%Y %%y %%m %%d %%H %%I %%M %%S %%p are",
                             text, p[1] ? p + 1 : "");
    }
    if (text_copy(format->pattern, sizeof format->pattern, text) != 0)
        return error_set(err, "time format \"%s\" is too long", text);
    return 0;
}

int cell_number(const char *text, bool decimal_comma, double *value)
{
    char copy[NUMBER_CAP];
    if (text_copy(copy, sizeof copy, text) != 0)
        return -1;
    if (decimal_comma) {
        char *comma = strchr(copy, ',');
        if (strchr(copy, '.'))
            return -1;
        if (comma)
            *comma = '.';
    }
    double v;
    if (number_parse(copy[0] == '+' ? copy + 1 : copy, &v) != 0 || !isfinite(v))
        return -1;
    *value = v;
    return 0;
}

/* 1 to `most` digits. */
static bool take_digits(const char **at, int least, int most, int *value)
{
    int n = 0;
    *value = 0;
    while (n < most && isdigit((unsigned char)**at)) {
        *value = *value * 10 + (**at - '0');
        (*at)++;
        n++;
    }
    return n >= least;
}

/* Seconds, with a fraction of any length behind point or comma. */
static bool take_seconds(const char **at, struct fields *f)
{
    if (!take_digits(at, 1, 2, &f->second) || f->second > 60)
        return false;
    f->digit_ns = SECOND;
    if ((**at != '.' && **at != ',') || !isdigit((unsigned char)(*at)[1]))
        return true;
    (*at)++;
    for (; isdigit((unsigned char)**at); (*at)++) {
        if (f->digit_ns == 1)
            continue;
        f->digit_ns /= 10;
        f->fraction_ns += (**at - '0') * f->digit_ns;
    }
    return true;
}

static bool take_half_of_day(const char **at, struct fields *f)
{
    if (strncasecmp(*at, "am", 2) != 0 && strncasecmp(*at, "pm", 2) != 0)
        return false;
    f->twelve = true;
    f->afternoon = tolower((unsigned char)**at) == 'p';
    *at += 2;
    return true;
}

static bool take_field(char which, const char **at, struct fields *f)
{
    switch (which) {
    case 'Y':
        return take_digits(at, 4, 4, &f->year) && (f->dated = true);
    case 'y':
        if (!take_digits(at, 2, 2, &f->year))
            return false;
        f->year += f->year < 70 ? 2000 : 1900;
        return f->dated = true;
    case 'm':
        return take_digits(at, 1, 2, &f->month);
    case 'd':
        return take_digits(at, 1, 2, &f->day);
    case 'H':
        return take_digits(at, 1, 2, &f->hour) && f->hour < 24;
    case 'I':
        f->twelve = true;
        return take_digits(at, 1, 2, &f->hour) && f->hour >= 1 && f->hour <= 12;
    case 'M':
        f->digit_ns = 60 * SECOND;
        return take_digits(at, 1, 2, &f->minute) && f->minute < 60;
    case 'S':
        return take_seconds(at, f);
    case 'p':
        return take_half_of_day(at, f);
    default:
        return false;
    }
}

static bool take_pattern(const char *pattern, const char **at, struct fields *f)
{
    for (const char *p = pattern; *p; p++) {
        if (*p == '%') {
            if (!take_field(*++p, at, f))
                return false;
        } else if (*p == ' ') {
            if (**at != ' ')
                return false;
            *at += strspn(*at, " ");
        } else if (*(*at)++ != *p) {
            return false;
        }
    }
    return true;
}

/* "Z", "+01:00", "+0100", "+01". */
static bool take_zone(const char **at, struct fields *f)
{
    int hours = 0, minutes = 0;
    if (**at == 'Z') {
        (*at)++;
        return f->zoned = true;
    }
    if (**at != '+' && **at != '-')
        return true;
    bool west = **at == '-';
    (*at)++;
    if (!take_digits(at, 2, 2, &hours))
        return false;
    if (**at == ':')
        (*at)++;
    if (isdigit((unsigned char)**at) && !take_digits(at, 2, 2, &minutes))
        return false;
    f->zone_min = (hours * 60 + minutes) * (west ? -1 : 1);
    return f->zoned = true;
}

static bool take_iso(const char **at, struct fields *f)
{
    if (!take_pattern("%Y-%m-%d", at, f))
        return false;
    if (**at != 'T' && **at != 't' && **at != ' ')
        return false;
    (*at)++;
    if (!take_pattern("%H:%M", at, f))
        return false;
    if (**at == ':' && ((*at)++, !take_seconds(at, f)))
        return false;
    return take_zone(at, f);
}

/* Days from 1970-01-01, proleptic Gregorian. */
static int64_t days_from_civil(int y, int m, int d)
{
    y -= m <= 2;
    int era = y / 400;
    int of_era = y - era * 400;
    int of_year = (153 * (m + (m > 2 ? -3 : 9)) + 2) / 5 + d - 1;
    return (int64_t)era * 146097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719468;
}

static bool day_exists(const struct fields *f)
{
    static const int lengths[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    if (f->year < 1970 || f->year > 2200 || f->month < 1 || f->month > 12)
        return false;
    bool leap = (f->year % 4 == 0 && f->year % 100 != 0) || f->year % 400 == 0;
    return f->day >= 1 && f->day <= lengths[f->month - 1] + (leap && f->month == 2);
}

static int from_fields(const struct fields *f, struct stamp *stamp)
{
    int hour = f->hour;
    if (f->twelve) {
        if (hour > 12)
            return -1;
        hour = hour % 12 + (f->afternoon ? 12 : 0);
    }
    if (f->dated && !day_exists(f))
        return -1;
    int64_t days = f->dated ? days_from_civil(f->year, f->month, f->day) : 0;
    int64_t s = days * 86400 + hour * 3600 + (f->minute - f->zone_min) * 60 + f->second;
    *stamp = (struct stamp){s * SECOND + f->fraction_ns, f->digit_ns, f->dated, f->zoned};
    return 0;
}

static int from_number(const char *text, const struct stamp_format *format, bool decimal_comma, struct stamp *stamp)
{
    double v;
    if (cell_number(text, decimal_comma, &v) != 0 || fabs(v * format->factor_ns) > 2e18)
        return -1;
    const char *sign = strchr(text, decimal_comma ? ',' : '.');
    double digit = format->factor_ns;
    for (size_t n = sign ? strspn(sign + 1, "0123456789") : 0; n > 0; n--)
        digit /= 10;
    if (strpbrk(text, "eE"))
        digit = 1;
    *stamp =
        (struct stamp){.ns = (int64_t)floor(v * format->factor_ns + 0.5), .digit_ns = digit < 1 ? 1 : (int64_t)digit};
    return 0;
}

int stamp_parse(const char *text, const struct stamp_format *format, bool decimal_comma, struct stamp *stamp)
{
    if (format->kind == STAMP_NUMBER)
        return from_number(text, format, decimal_comma, stamp);
    struct fields f = {.month = 1, .day = 1, .digit_ns = 60 * SECOND};
    const char *at = text;
    bool good = format->kind == STAMP_ISO ? take_iso(&at, &f) : take_pattern(format->pattern, &at, &f);
    return good && *at == '\0' ? from_fields(&f, stamp) : -1;
}
