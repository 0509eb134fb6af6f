#include "text_template.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char number_slot[] = "{number}";
static const char text_slot[] = "{text}";

static bool at_slot(const char *at, const char *slot)
{
    return strncmp(at, slot, strlen(slot)) == 0;
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static const char *skip_blanks(const char *at)
{
    while (is_blank(*at))
        at++;
    return at;
}

int template_check(const char *template, struct error *err)
{
    int numbers = 0;
    bool after_slot = false;
    for (const char *at = template; *at != '\0';) {
        bool number = at_slot(at, number_slot), text = at_slot(at, text_slot);
        if (!number && !text && *at == '{')
            return error_set(err, "template \"%s\": the slots are {number} and {text}", template);
        if ((number || text) && after_slot)
            return error_set(err, "template \"%s\": two slots need something between them", template);
        after_slot = number || text;
        numbers += number;
        at += number ? sizeof number_slot - 1 : text ? sizeof text_slot - 1 : 1;
    }
    if (numbers > TEMPLATE_SLOTS_MAX)
        return error_set(err, "template \"%s\": at most %d numbers", template, TEMPLATE_SLOTS_MAX);
    return numbers;
}

static size_t digits(const char *at)
{
    size_t n = 0;
    while (isdigit((unsigned char)at[n]))
        n++;
    return n;
}

size_t text_number_read(const char *text, struct text_number *number)
{
    const char *begin = skip_blanks(text);
    const char *at = begin;
    if (*at == '+' || *at == '-')
        at++;
    size_t whole = digits(at);
    at += whole;
    size_t part = *at == '.' ? digits(at + 1) : 0;
    if (whole + part == 0)
        return 0;
    if (*at == '.')
        at += 1 + part;
    if (*at == 'e' || *at == 'E') {
        const char *exponent = at + 1;
        if (*exponent == '+' || *exponent == '-')
            exponent++;
        if (digits(exponent) > 0)
            at = exponent + digits(exponent);
    }
    char copy[64];
    size_t n = (size_t)(at - begin);
    if (n >= sizeof copy)
        return 0;
    memcpy(copy, begin, n);
    copy[n] = '\0';
    number->value = strtod(copy, NULL);
    number->quality = QUALITY_GOOD;
    double size = fabs(number->value);
    if (size >= 9.895e37) {
        number->quality = size > 9.905e37 && size < 9.915e37 ? QUALITY_INVALID : QUALITY_OUT_OF_RANGE;
        number->value = NAN;
    }
    return (size_t)(at - text);
}

/* A number, or one of the words that the device says instead. */
size_t text_word_read(const char *at, const struct device_map *map, struct text_number *number)
{
    size_t n = text_number_read(at, number);
    if (n > 0)
        return n;
    const char *begin = skip_blanks(at);
    for (size_t i = 0; i < sizeof map->out_of_range / sizeof map->out_of_range[0]; i++) {
        size_t length = strlen(map->out_of_range[i]);
        if (length > 0 && strncmp(begin, map->out_of_range[i], length) == 0) {
            number->value = NAN;
            number->quality = QUALITY_OUT_OF_RANGE;
            return (size_t)(begin - at) + length;
        }
    }
    return 0;
}

/* Skips a {text} slot: up to the next literal character of the template, or to the end. */
static const char *skip_text(const char *line, const char *template)
{
    const char *literal = skip_blanks(template);
    if (*literal == '\0')
        return line + strlen(line);
    while (*line != '\0' && *line != *literal)
        line++;
    return line;
}

int template_match(const char *template, const char *line, const struct device_map *map, struct text_number *numbers)
{
    int found = 0;
    const char *at = template;
    while (*at != '\0') {
        if (at_slot(at, number_slot)) {
            if (found == TEMPLATE_SLOTS_MAX)
                return -1;
            size_t n = text_word_read(line, map, &numbers[found]);
            if (n == 0)
                return -1;
            found++;
            line += n;
            at += sizeof number_slot - 1;
        } else if (at_slot(at, text_slot)) {
            at += sizeof text_slot - 1;
            line = skip_text(line, at);
        } else if (is_blank(*at)) {
            at = skip_blanks(at);
            line = skip_blanks(line);
        } else if (*at == *line) {
            at++;
            line++;
        } else {
            return -1;
        }
    }
    return *skip_blanks(line) == '\0' ? found : -1;
}

/* As plain decimals, with no more of them than tell it apart: many a device takes no exponent. */
static void print_plain(char *to, size_t cap, double number)
{
    double size = fabs(number);
    if (!(size < 1e15) || (size != 0 && size < 1e-9)) {
        number_print(to, cap, number);
        return;
    }
    for (int decimals = 0; decimals <= 15; decimals++) {
        (void)text_format(to, cap, "%.*f", decimals, number);
        if (fabs(strtod(to, NULL) - number) <= 1e-9 * size)
            return;
    }
}

int template_fill(const char *template, double number, char *line, size_t cap)
{
    char digits_of[32];
    size_t used = 0;
    print_plain(digits_of, sizeof digits_of, number);
    for (const char *at = template; *at != '\0';) {
        bool slot = at_slot(at, number_slot);
        size_t n = slot ? strlen(digits_of) : 1;
        if (used + n + 1 > cap)
            return -1;
        memcpy(line + used, slot ? digits_of : at, n);
        used += n;
        at += slot ? sizeof number_slot - 1 : 1;
    }
    if (cap == 0)
        return -1;
    line[used] = '\0';
    return 0;
}

static bool is_repeat(char c)
{
    return c == '*' || c == '+' || c == '?' || c == '{';
}

/* The end of a bracket expression that begins at `at`: its closing bracket, or the last character. */
static const char *bracket_end(const char *at)
{
    const char *c = at + 1;
    if (*c == '^')
        c++;
    if (*c == ']')
        c++;
    while (*c != '\0' && *c != ']')
        c++;
    return *c == ']' ? c : c - 1;
}

/* Each repetition of a repetition, or of a group, multiplies the size or the time of the machine that the C library
 * builds; a back-reference makes it try everything. None of these is needed to find a number in a line. */
static int check_costs(const char *expression, struct error *err)
{
    int counts = 0;
    for (const char *at = expression; *at != '\0'; at++) {
        if (*at == '\\' && isdigit((unsigned char)at[1]))
            return error_set(err, "expression \"%s\": back-references are not allowed", expression);
        if (*at == '\\' && at[1] != '\0') {
            at++;
            continue;
        }
        if (*at == '[') {
            at = bracket_end(at);
            continue;
        }
        if (*at == ')' && is_repeat(at[1]) && at[1] != '?')
            return error_set(err, "expression \"%s\": a group may not be repeated", expression);
        if ((*at == '}' || (is_repeat(*at) && *at != '{')) && is_repeat(at[1]))
            return error_set(err, "expression \"%s\": what is repeated may not be repeated again", expression);
        if (*at != '{')
            continue;
        counts++;
        for (const char *c = at + 1; *c != '\0' && *c != '}'; c++) {
            if (isdigit((unsigned char)*c) && strtol(c, NULL, 10) > 32)
                return error_set(err, "expression \"%s\": counts above 32 are not allowed", expression);
        }
    }
    return counts > 4 ? error_set(err, "expression \"%s\": at most four counts", expression) : 0;
}

int expression_compile(const char *expression, regex_t *compiled, struct error *err)
{
    if (check_costs(expression, err) != 0)
        return -1;
    int rc = regcomp(compiled, expression, REG_EXTENDED);
    if (rc != 0) {
        char why[128];
        (void)regerror(rc, compiled, why, sizeof why);
        return error_set(err, "expression \"%s\": %s", expression, why);
    }
    if (compiled->re_nsub < 1) {
        regfree(compiled);
        return error_set(err, "expression \"%s\": a group (...) must hold the number", expression);
    }
    return 0;
}

int expression_match(const regex_t *compiled, const char *line, const struct device_map *map,
                     struct text_number *number)
{
    regmatch_t groups[2];
    char part[64];
    if (regexec(compiled, line, 2, groups, 0) != 0 || groups[1].rm_so < 0)
        return -1;
    size_t n = (size_t)(groups[1].rm_eo - groups[1].rm_so);
    if (n >= sizeof part)
        return -1;
    memcpy(part, line + groups[1].rm_so, n);
    part[n] = '\0';
    size_t used = text_word_read(part, map, number);
    return used > 0 && *skip_blanks(part + used) == '\0' ? 0 : -1;
}
