#include "json_build.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "model_json.h"
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
