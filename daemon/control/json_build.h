/* Builds JSON objects without a check at every line: a builder that fails goes bad and stays bad, and build_end gives
 * NULL then. Keys are literals of the code. */
#ifndef JSON_BUILD_H
#define JSON_BUILD_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

struct json_build {
    json_t *object;
    bool bad;
};

struct json_build build_begin(void);
void build_add(struct json_build *b, const char *key, json_t *value);   /* takes value over; NULL makes b bad */
void build_figure(struct json_build *b, const char *key, double value); /* NAN and infinity: null */
void build_integer(struct json_build *b, const char *key, int64_t value);
void build_flag(struct json_build *b, const char *key, bool value);
void build_text(struct json_build *b, const char *key, const char *text); /* '?' for bytes that are not UTF-8 */
void build_utc(struct json_build *b, const char *key, int64_t utc_ns);    /* 0: null */

/* The object, which the caller owns; NULL when anything failed. */
json_t *build_end(struct json_build *b);

/* Rewrites every real number of a JSON text in place with the fewest digits that read back as the same double: 0.09 in
 * place of 0.089999999999999997. */
void json_shorten(char *text);

#endif
