#include "line_protocol.h"

#include <string.h>

/* The checker reads a line from the grammar alone and shares nothing with the code that writes lines, so that a mistake
 * there cannot agree with itself here. */

enum { LINE_NAMES_MAX = 96 };

struct scan {
    const char *text;
    size_t size, at;
    struct error *err;
};

struct span {
    size_t from, to;
};

static int wrong(struct scan *s, const char *what)
{
    return error_set(s->err, "line, byte %zu: %s", s->at + 1, what);
}

static bool at_char(const struct scan *s, char c)
{
    return s->at < s->size && s->text[s->at] == c;
}

/* A name up to an unescaped character of stops; it may not be empty. */
static int scan_name(struct scan *s, const char *stops, struct span *name)
{
    name->from = s->at;
    while (s->at < s->size) {
        char c = s->text[s->at];
        if ((unsigned char)c < 0x20 || c == 0x7f)
            return wrong(s, "control character in a name");
        if (c == '\\') {
            if (s->at + 1 >= s->size)
                return wrong(s, "backslash at the end");
            s->at += 2;
            continue;
        }
        if (strchr(stops, c) != NULL)
            break;
        if (c == '=' || c == ',' || c == ' ')
            return wrong(s, "a character that should have a backslash");
        s->at++;
    }
    name->to = s->at;
    return name->to > name->from ? 0 : wrong(s, "empty name or value");
}

static int compare(const struct scan *s, struct span a, struct span b)
{
    size_t na = a.to - a.from, nb = b.to - b.from;
    int c = memcmp(s->text + a.from, s->text + b.from, na < nb ? na : nb);
    return c != 0 ? c : (na > nb) - (na < nb);
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static size_t scan_digits(struct scan *s)
{
    size_t from = s->at;
    while (s->at < s->size && is_digit(s->text[s->at]))
        s->at++;
    return s->at - from;
}

/* A decimal number without a type letter. */
static int scan_number(struct scan *s)
{
    if (at_char(s, '-'))
        s->at++;
    size_t digits = scan_digits(s);
    if (at_char(s, '.')) {
        s->at++;
        if (scan_digits(s) == 0)
            return wrong(s, "no digit behind the point");
    }
    if (digits == 0)
        return wrong(s, "not a number");
    if (at_char(s, 'e') || at_char(s, 'E')) {
        s->at++;
        if (at_char(s, '+') || at_char(s, '-'))
            s->at++;
        size_t exponent = scan_digits(s);
        if (exponent == 0 || exponent > 3)
            return wrong(s, "bad exponent");
    }
    return 0;
}

static int scan_string(struct scan *s)
{
    s->at++;
    while (s->at < s->size && s->text[s->at] != '"') {
        if ((unsigned char)s->text[s->at] < 0x20)
            return wrong(s, "control character in a text");
        s->at += s->text[s->at] == '\\' ? 2 : 1;
    }
    if (s->at >= s->size)
        return wrong(s, "text without its end");
    s->at++;
    return 0;
}

static int scan_tags(struct scan *s)
{
    struct span before = {0, 0};
    while (at_char(s, ',')) {
        s->at++;
        struct span key = {0, 0}, value = {0, 0};
        if (scan_name(s, "=", &key) != 0)
            return -1;
        if (!at_char(s, '='))
            return wrong(s, "tag without a value");
        s->at++;
        if (scan_name(s, ", ", &value) != 0)
            return -1;
        if (before.to > before.from && compare(s, before, key) >= 0)
            return wrong(s, "tags not in rising order, or one twice");
        before = key;
    }
    return 0;
}

static int scan_fields(struct scan *s)
{
    struct span seen[LINE_NAMES_MAX] = {{0, 0}};
    int count = 0;
    do {
        s->at++; /* the space in front of the first, the comma in front of the others */
        if (count == LINE_NAMES_MAX)
            return wrong(s, "too many fields");
        if (scan_name(s, "=", &seen[count]) != 0)
            return -1;
        if (!at_char(s, '='))
            return wrong(s, "field without a value");
        s->at++;
        if ((at_char(s, '"') ? scan_string(s) : scan_number(s)) != 0)
            return -1;
        for (int i = 0; i < count; i++)
            if (compare(s, seen[i], seen[count]) == 0)
                return wrong(s, "a field twice");
        count++;
    } while (at_char(s, ','));
    return 0;
}

/* Whole milliseconds; 9223372036854 ms is the last one that fits a store's 64-bit nanoseconds (year 2262). */
static int scan_stamp(struct scan *s)
{
    if (!at_char(s, ' '))
        return wrong(s, "no stamp");
    s->at++;
    size_t from = s->at, digits = scan_digits(s);
    if (digits == 0 || digits > 13 || (digits > 1 && s->text[from] == '0'))
        return wrong(s, "the stamp is not in whole milliseconds since 1970");
    if (digits == 13 && memcmp(s->text + from, "9223372036854", 13) > 0)
        return wrong(s, "the stamp lies beyond year 2262");
    return s->at == s->size ? 0 : wrong(s, "something behind the stamp");
}

int line_check(const char *line, size_t size, struct error *err)
{
    struct scan s = {line, size, 0, err};
    if (size == 0 || size > LINE_CAP)
        return error_set(err, "line of %zu bytes; 1 to %d are allowed", size, LINE_CAP);
    if (memchr(line, '\n', size) != NULL)
        return error_set(err, "line with a line end inside");
    struct span name;
    if (line[0] == '#' || line[0] == '_')
        return wrong(&s, "a name that begins like a comment or a reserved one");
    /* An equals sign needs no backslash in a measurement; ours has none. */
    if (scan_name(&s, ", ", &name) != 0 || scan_tags(&s) != 0)
        return -1;
    if (!at_char(&s, ' '))
        return wrong(&s, "no fields");
    return scan_fields(&s) != 0 ? -1 : scan_stamp(&s);
}
