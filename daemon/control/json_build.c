#include "json_build.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "model_json.h"
#include "quantity.h"
#include "utc.h"

json_t *json_figure(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *json_text(const char *text)
{
    json_t *value = json_string(text);
    if (value)
        return value;
    /* Devices and files may hand us any bytes; a message must not get lost over them. */
    size_t n = strlen(text);
    char *clean = malloc(n + 1);
    if (!clean)
        return NULL;
    for (size_t i = 0; i <= n; i++)
        clean[i] = (unsigned char)text[i] < 0x80 ? text[i] : '?';
    value = json_string(clean);
    free(clean);
    return value;
}

json_t *json_utc(int64_t utc_ns)
{
    char text[UTC_CAP];
    utc_print(text, sizeof text, utc_ns);
    return json_string(text);
}

struct json_build build_begin(void)
{
    struct json_build b = {.object = json_object()};
    b.bad = !b.object;
    return b;
}

void build_add(struct json_build *b, const char *key, json_t *value)
{
    if (!value || b->bad || json_object_set_new(b->object, key, value) != 0) {
        if (b->bad)
            json_decref(value);
        b->bad = true;
    }
}

void build_figure(struct json_build *b, const char *key, double value)
{
    build_add(b, key, json_figure(value));
}

void build_integer(struct json_build *b, const char *key, int64_t value)
{
    build_add(b, key, json_integer(value));
}

void build_flag(struct json_build *b, const char *key, bool value)
{
    build_add(b, key, json_boolean(value));
}

void build_text(struct json_build *b, const char *key, const char *text)
{
    build_add(b, key, json_text(text));
}

void build_utc(struct json_build *b, const char *key, int64_t utc_ns)
{
    build_add(b, key, utc_ns == 0 ? json_null() : json_utc(utc_ns));
}

json_t *build_end(struct json_build *b)
{
    json_t *object = b->object;
    b->object = NULL;
    if (b->bad) {
        json_decref(object);
        return NULL;
    }
    return object;
}

/* The end of the number token at text. */
static size_t number_size(const char *text)
{
    return strspn(text, "+-.0123456789eE");
}

/* The fewest digits, from 15 on, that read back as value. */
static void print_real(char *to, size_t cap, double value)
{
    double back = NAN;
    for (int digits = 15; digits <= 17; digits++) {
        (void)text_format(to, cap, "%.*g", digits, value);
        if (number_parse(to, &back) == 0 && back == value)
            break;
    }
    if (!strpbrk(to, ".e")) /* stays a real to whoever tells the two apart */
        (void)text_append(to, cap, ".0");
}

/* Writes the shortest form of a number token over to; gives its length. */
static size_t shorten_one(char *to, const char *from, size_t size)
{
    char token[64], shortest[40];
    double value;
    bool is_real = memchr(from, '.', size) || memchr(from, 'e', size) || memchr(from, 'E', size);
    if (is_real && size < sizeof token) {
        memcpy(token, from, size);
        token[size] = 0;
        if (number_parse(token, &value) == 0) {
            print_real(shortest, sizeof shortest, value);
            if (strlen(shortest) <= size) {
                memcpy(to, shortest, strlen(shortest));
                return strlen(shortest);
            }
        }
    }
    memmove(to, from, size);
    return size;
}

void json_shorten(char *text)
{
    char *to = text;
    bool in_string = false;
    while (*text) {
        size_t size = in_string ? 0 : number_size(text);
        if (size > 0 && strchr("-0123456789", *text)) {
            to += shorten_one(to, text, size);
            text += size;
            continue;
        }
        if (in_string && *text == '\\' && text[1])
            *to++ = *text++;
        else if (*text == '"')
            in_string = !in_string;
        *to++ = *text++;
    }
    *to = 0;
}
