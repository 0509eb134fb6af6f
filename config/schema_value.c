/* Scalars: from text to value and back. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "civil_time.h"
#include "error.h"
#include "schema.h"

static const int64_t second_ns = INT64_C(1000000000);

struct size_unit {
    const char *name;
    int64_t bytes;
};

static const struct size_unit size_units[] = {
    {"B", 1},      {"kB", 1000},     {"MB", 1000000},     {"GB", 1000000000},
    {"KiB", 1024}, {"MiB", 1048576}, {"GiB", 1073741824}, {"TB", INT64_C(1000000000000)},
};

/* To the nearest whole; without libm, which this room otherwise does not need. */
static int64_t round_off(double v)
{
    return (int64_t)(v < 0 ? v - 0.5 : v + 0.5);
}

/* The fewest digits that read back as the same number, without an exponent where people would not write one. */
static void plain_number(char *to, size_t cap, double v)
{
    int digits = 1;
    (void)text_format(to, cap, "%.*e", digits - 1, v);
    while (digits < 17 && strtod(to, NULL) != v)
        (void)text_format(to, cap, "%.*e", digits++, v);
    const char *e = strchr(to, 'e');
    int exponent = e == NULL ? 0 : (int)strtol(e + 1, NULL, 10);
    int decimals = digits - 1 - exponent;
    if (exponent >= -6 && exponent < 15)
        (void)text_format(to, cap, "%.*f", decimals > 0 ? decimals : 0, v);
}

static int refuse(char *what, char *remedy, const char *text, const char *advice)
{
    (void)text_copy(what, TEXT_CAP, text);
    (void)text_copy(remedy, TEXT_CAP, advice);
    return -1;
}

/* One end of a field's range, as people write it. */
static void print_end(const struct field *f, double end, char *to, size_t cap)
{
    struct field plain = *f;
    plain.flags = 0;
    if (f->type == FIELD_DURATION || f->type == FIELD_SIZE) {
        int64_t v = round_off(f->type == FIELD_DURATION ? end * 1e9 : end);
        (void)schema_scalar_print(&plain, &v, to, cap);
        return;
    }
    const char *unit = f->type == FIELD_QUANTITY ? dimension_unit(f->dim) : f->type == FIELD_PERCENT ? "%" : "";
    plain_number(to, cap, end);
    (void)text_append(to, cap, "%s%s", unit[0] == '\0' ? "" : " ", unit);
}

void schema_range_print(const struct field *f, char *to, size_t cap)
{
    char end[64];
    print_end(f, f->min, end, sizeof end);
    if (isinf(f->max)) {
        (void)text_format(to, cap, "at least %s", end);
        return;
    }
    (void)text_format(to, cap, "%s to ", end);
    print_end(f, f->max, end, sizeof end);
    (void)text_append(to, cap, "%s", end);
}

static int check_range(const struct field *f, double v, const char *text, char *what, char *remedy)
{
    if (!f->ranged || (v >= f->min && v <= f->max))
        return 0;
    (void)text_format(what, TEXT_CAP, "%.80s is out of range", text);
    char range[160];
    schema_range_print(f, range, sizeof range);
    (void)text_format(remedy, TEXT_CAP, "Give %s%s.", isinf(f->max) ? "" : "a value from ", range);
    return -1;
}

static int parse_name(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    const char *allowed = f->type == FIELD_NAME ? "abcdefghijklmnopqrstuvwxyz0123456789_-"
                                                : "abcdefghijklmnopqrstuvwxyz0123456789_-ABCDEFGHIJKLMNOPQRSTUVWXYZ";
    size_t n = strspn(text, allowed);
    if (text[n] != '\0') {
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is no name here: it holds \"%.*s\"", text,
                          (unsigned char)text[n] < 0x80 ? 1 : 4, text + n);
        (void)text_format(remedy, TEXT_CAP, "Use %s, digits, - and _ only.",
                          f->type == FIELD_NAME ? "lower case letters" : "letters");
        return -1;
    }
    if (text_copy(to, f->size, text) != 0) {
        (void)text_format(what, TEXT_CAP, "\"%.60s...\" is too long", text);
        (void)text_format(remedy, TEXT_CAP, "Use at most %zu characters.", f->size - 1);
        return -1;
    }
    return 0;
}

static int parse_text(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    for (const char *c = text; *c != '\0'; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            return refuse(what, remedy, "this text holds a control character", "Write it in one line.");
    if (text_copy(to, f->size, text) != 0) {
        ((char *)to)[0] = '\0';
        (void)text_format(what, TEXT_CAP, "\"%.60s...\" is too long", text);
        (void)text_format(remedy, TEXT_CAP, "Use at most %zu bytes.", f->size - 1);
        return -1;
    }
    return 0;
}

static int parse_bool(const char *text, bool *to, char *what, char *remedy)
{
    if (strcmp(text, "true") == 0) {
        *to = true;
    } else if (strcmp(text, "false") == 0) {
        *to = false;
    } else {
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is neither true nor false", text);
        (void)text_copy(remedy, TEXT_CAP, "Write true or false; yes, no, on, off and numbers are not taken.");
        return -1;
    }
    return 0;
}

/* Whole decimal (or 0x) integers that fit 64 bits; negative values only when they may be. */
static int parse_integer(const char *text, bool *negative, uint64_t *magnitude)
{
    *negative = text[0] == '-';
    const char *digits = text + (*negative ? 1 : 0);
    bool hex = digits[0] == '0' && digits[1] == 'x';
    const char *allowed = hex ? "0123456789abcdefABCDEF" : "0123456789";
    if (hex)
        digits += 2;
    size_t n = strlen(digits);
    if (n == 0 || n > 20 || strspn(digits, allowed) != n || (!hex && n > 1 && digits[0] == '0'))
        return -1;
    uint64_t v = 0;
    for (size_t i = 0; i < n; i++) {
        unsigned base = hex ? 16 : 10;
        unsigned d = (unsigned)(digits[i] <= '9' ? digits[i] - '0' : (digits[i] | 0x20) - 'a' + 10);
        if (v > (UINT64_MAX - d) / base)
            return -1;
        v = v * base + d;
    }
    *magnitude = v;
    return 0;
}

static void store_int(void *to, size_t size, int64_t v)
{
    int8_t v8 = (int8_t)v;
    int16_t v16 = (int16_t)v;
    int32_t v32 = (int32_t)v;
    if (size == 1)
        memcpy(to, &v8, 1);
    else if (size == 2)
        memcpy(to, &v16, 2);
    else if (size == 4)
        memcpy(to, &v32, 4);
    else
        memcpy(to, &v, 8);
}

static int64_t fetch_int(const struct field *f, const void *from)
{
    int8_t v8;
    int16_t v16;
    int32_t v32;
    int64_t v64;
    bool positive = f->ranged && f->min >= 0;
    switch (f->size) {
    case 1:
        memcpy(&v8, from, 1);
        return positive ? (uint8_t)v8 : v8;
    case 2:
        memcpy(&v16, from, 2);
        return positive ? (uint16_t)v16 : v16;
    case 4:
        memcpy(&v32, from, 4);
        return v32;
    default:
        memcpy(&v64, from, 8);
        return v64;
    }
}

static int parse_int(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    bool negative;
    uint64_t magnitude;
    if (parse_integer(text, &negative, &magnitude) != 0 || magnitude > INT64_MAX) {
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is not a whole number", text);
        (void)text_copy(remedy, TEXT_CAP, "Write digits only (or 0x and hexadecimal digits), without leading zeros.");
        return -1;
    }
    int64_t v = negative ? -(int64_t)magnitude : (int64_t)magnitude;
    if (check_range(f, (double)v, text, what, remedy) != 0)
        return -1;
    store_int(to, f->size, v);
    return 0;
}

static const char *example_of(const struct field *f)
{
    static const char *const examples[DIM_COUNT_] = {
        [DIM_NUMBER] = "1.5",    [DIM_CURRENT] = "160 A",   [DIM_VOLTAGE] = "230 V",    [DIM_RESISTANCE] = "0.16 ohm",
        [DIM_POWER] = "12 kW",   [DIM_ENERGY] = "5 kWh",    [DIM_TIME] = "300 ms",      [DIM_TEMPERATURE] = "80 degC",
        [DIM_TEMP_DIFF] = "2 K", [DIM_TEMP_RATE] = "2 K/h", [DIM_PERCENT] = "0.5 %",    [DIM_LENGTH] = "10 m",
        [DIM_AREA] = "50 mm2",   [DIM_FREQUENCY] = "50 Hz", [DIM_SPEED] = "3000 1/min", [DIM_ALTITUDE] = "120 m",
    };
    switch (f->type) {
    case FIELD_DURATION:
        return "300 ms";
    case FIELD_SIZE:
        return "2 GB";
    case FIELD_PERCENT:
        return "60";
    case FIELD_QUANTITY:
        return (unsigned)f->dim < DIM_COUNT_ ? examples[f->dim] : "1";
    default:
        return "1.5";
    }
}

/* Numbers of every kind but whole ones, into the base unit. */
static int parse_real(const struct field *f, const char *text, double *v, char *what, char *remedy)
{
    struct error err;
    enum dimension dim = f->type == FIELD_DURATION ? DIM_TIME : f->type == FIELD_PERCENT ? DIM_PERCENT : f->dim;
    if (f->type == FIELD_NUMBER)
        dim = DIM_NUMBER;
    if (f->type == FIELD_PERCENT && number_parse(text, v) == 0)
        return check_range(f, *v, text, what, remedy);
    if (quantity_parse(text, dim, v, &err) != 0) {
        (void)text_copy(what, TEXT_CAP, err.text);
        (void)text_format(remedy, TEXT_CAP, "Write it like this: %s: %s", f->key, example_of(f));
        return -1;
    }
    if (isinf(*v) || isnan(*v))
        return refuse(what, remedy, "the number is too large", "Check the unit.");
    return check_range(f, *v, text, what, remedy);
}

static int parse_duration(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    double v;
    if (parse_real(f, text, &v, what, remedy) != 0)
        return -1;
    if (fabs(v) > 4e8)
        return refuse(what, remedy, "this time is longer than ten years", "Check the unit.");
    int64_t ns = round_off(v * 1e9);
    memcpy(to, &ns, sizeof ns);
    return 0;
}

static int parse_size(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    size_t n = strspn(text, "0123456789.");
    char digits[32];
    double v = 0;
    int64_t factor = 0;
    const char *unit = text + n + strspn(text + n, " ");
    for (size_t i = 0; i < sizeof size_units / sizeof size_units[0]; i++)
        if (strcmp(size_units[i].name, unit) == 0)
            factor = size_units[i].bytes;
    bool fits = n > 0 && n < sizeof digits;
    if (fits) {
        memcpy(digits, text, n);
        digits[n] = '\0';
    }
    if (!fits || factor == 0 || number_parse(digits, &v) != 0 || v * (double)factor > 9e15) {
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is not an amount of data", text);
        (void)text_copy(remedy, TEXT_CAP, "Write a number and one of B, kB, MB, GB, TB, KiB, MiB, GiB, such as 2 GB.");
        return -1;
    }
    if (check_range(f, v * (double)factor, text, what, remedy) != 0)
        return -1;
    int64_t bytes = round_off(v * (double)factor);
    memcpy(to, &bytes, sizeof bytes);
    return 0;
}

static void choices_print(const struct choice_set *set, char *to, size_t cap)
{
    to[0] = '\0';
    for (int i = 0; i < set->count; i++)
        (void)text_append(to, cap, "%s%s", i == 0 ? "" : ", ", set->name(i));
}

static int parse_choice(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    const struct choice_set *set = f->choices;
    int value = -1;
    if (set->parse != NULL && set->parse(text, &value) != 0)
        value = -1;
    for (int i = 0; i < set->count && value < 0; i++)
        if (strcmp(set->name(i), text) == 0)
            value = i;
    if (value < 0) {
        char all[TEXT_CAP - 20];
        choices_print(set, all, sizeof all);
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is not known here", text);
        (void)text_format(remedy, TEXT_CAP, "Write one of: %s.", all);
        return -1;
    }
    store_int(to, f->size, value);
    return 0;
}

static int parse_letter(const struct field *f, const char *text, char *to, char *what, char *remedy)
{
    if (text[0] == '\0' || text[1] != '\0' || strchr(f->letters, text[0]) == NULL) {
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is not known here", text);
        (void)text_format(remedy, TEXT_CAP, "Write one letter of: %s.", f->letters);
        return -1;
    }
    *to = text[0];
    return 0;
}

static int parse_when(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    int64_t s;
    bool instant = f->type == FIELD_INSTANT;
    if ((instant ? civil_parse_instant(text, &s) : civil_parse_date(text, &s)) != 0) {
        (void)text_format(what, TEXT_CAP, "\"%.80s\" is not a %s", text, instant ? "moment in UTC" : "date");
        (void)text_format(remedy, TEXT_CAP, "Write it like this: %s", instant ? "2026-01-05T06:00:00Z" : "2027-05-31");
        return -1;
    }
    if (instant)
        s *= second_ns;
    memcpy(to, &s, sizeof s);
    return 0;
}

int schema_scalar(const struct field *f, const char *text, void *to, char *what, char *remedy)
{
    double v;
    switch (f->type) {
    case FIELD_NAME:
    case FIELD_LABEL:
        return parse_name(f, text, to, what, remedy);
    case FIELD_TEXT:
    case FIELD_PATH:
    case FIELD_DEFERRED:
        return parse_text(f, text, to, what, remedy);
    case FIELD_BOOL:
        return parse_bool(text, to, what, remedy);
    case FIELD_INT:
        return parse_int(f, text, to, what, remedy);
    case FIELD_NUMBER:
    case FIELD_QUANTITY:
    case FIELD_PERCENT:
        if (parse_real(f, text, &v, what, remedy) != 0)
            return -1;
        memcpy(to, &v, sizeof v);
        return 0;
    case FIELD_DURATION:
        return parse_duration(f, text, to, what, remedy);
    case FIELD_SIZE:
        return parse_size(f, text, to, what, remedy);
    case FIELD_CHOICE:
        return parse_choice(f, text, to, what, remedy);
    case FIELD_LETTER:
        return parse_letter(f, text, to, what, remedy);
    case FIELD_INSTANT:
    case FIELD_DATE:
        return parse_when(f, text, to, what, remedy);
    default:
        return refuse(what, remedy, "a single value does not fit here", "");
    }
}

int schema_raw(const char *text, uint64_t *value)
{
    bool negative;
    uint64_t magnitude;
    if (parse_integer(text, &negative, &magnitude) != 0 || (negative && magnitude > INT64_MAX))
        return -1;
    *value = negative ? (uint64_t)(-(int64_t)magnitude) : magnitude;
    return 0;
}

static void print_duration(int64_t ns, char *to, size_t cap)
{
    static const struct {
        const char *unit;
        int64_t ns;
    } units[] = {{"h", INT64_C(3600000000000)},
                 {"min", INT64_C(60000000000)},
                 {"s", INT64_C(1000000000)},
                 {"ms", 1000000},
                 {"us", 1000},
                 {"ns", 1}};
    size_t i = 0;
    if (ns == 0)
        i = 2;
    while (ns % units[i].ns != 0)
        i++;
    (void)text_format(to, cap, "%lld %s", (long long)(ns / units[i].ns), units[i].unit);
}

static void print_size(int64_t bytes, char *to, size_t cap)
{
    static const struct size_unit units[] = {{"GB", 1000000000}, {"MB", 1000000}, {"kB", 1000}, {"B", 1}};
    size_t i = 0;
    if (bytes == 0)
        i = 3;
    while (bytes % units[i].bytes != 0)
        i++;
    (void)text_format(to, cap, "%lld %s", (long long)(bytes / units[i].bytes), units[i].name);
}

static bool print_real(const struct field *f, const void *from, char *to, size_t cap)
{
    double v;
    memcpy(&v, from, sizeof v);
    if (isnan(v) || (v == 0 && (f->flags & ZERO) != 0))
        return false;
    plain_number(to, cap, v);
    if (f->type == FIELD_QUANTITY)
        (void)text_append(to, cap, " %s", dimension_unit(f->dim));
    return true;
}

static bool print_whole(const struct field *f, const void *from, char *to, size_t cap)
{
    int64_t v = fetch_int(f, from);
    if ((v == -1 && (f->flags & OPTIONAL) != 0) || (v == 0 && (f->flags & ZERO) != 0))
        return false;
    if (f->type == FIELD_DURATION)
        print_duration(v, to, cap);
    else if (f->type == FIELD_SIZE)
        print_size(v, to, cap);
    else if (f->type == FIELD_CHOICE)
        (void)text_copy(to, cap, v >= 0 && v < f->choices->count ? f->choices->name((int)v) : "?");
    else if (f->type == FIELD_INSTANT)
        civil_print_instant(v / second_ns, to, cap);
    else if (f->type == FIELD_DATE)
        civil_print_date(v, to, cap);
    else
        (void)text_format(to, cap, "%lld", (long long)v);
    return true;
}

bool schema_scalar_print(const struct field *f, const void *from, char *to, size_t cap)
{
    bool flag;
    char letter;
    switch (f->type) {
    case FIELD_NAME:
    case FIELD_LABEL:
    case FIELD_TEXT:
    case FIELD_PATH:
    case FIELD_DEFERRED:
        (void)text_copy(to, cap, from);
        return to[0] != '\0';
    case FIELD_BOOL:
        memcpy(&flag, from, sizeof flag);
        (void)text_copy(to, cap, flag ? "true" : "false");
        return flag || (f->flags & ZERO) == 0;
    case FIELD_LETTER:
        memcpy(&letter, from, 1);
        (void)text_format(to, cap, "%c", letter);
        return letter != '\0';
    case FIELD_NUMBER:
    case FIELD_QUANTITY:
    case FIELD_PERCENT:
        return print_real(f, from, to, cap);
    default:
        return print_whole(f, from, to, cap);
    }
}
