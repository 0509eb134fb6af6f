/* Schema tables. One table an object says which keys it has, of which type, dimension and range, whether they are
 * needed, what holds without them, and what they mean. The same table parses and checks a file, prints it back and
 * writes its reference, so that these cannot drift apart. */
#ifndef SCHEMA_H
#define SCHEMA_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "capacity.h"
#include "problems.h"
#include "quantity.h"
#include "yaml_tree.h"

enum field_type {
    FIELD_NAME,     /* char[]: lower case letters, digits, - and _ */
    FIELD_LABEL,    /* char[]: a name that may have capitals */
    FIELD_TEXT,     /* char[] */
    FIELD_PATH,     /* char[]: of a file, relative to this file's folder */
    FIELD_DEFERRED, /* char[]: a quantity whose dimension another key decides */
    FIELD_BOOL,     /* bool */
    FIELD_INT,      /* integer of any width, signed unless min is at least 0 */
    FIELD_NUMBER,   /* double without unit */
    FIELD_QUANTITY, /* double in the dimension's base unit */
    FIELD_PERCENT,  /* double; "60" and "60 %" are the same */
    FIELD_DURATION, /* int64_t ns */
    FIELD_SIZE,     /* int64_t bytes */
    FIELD_CHOICE,   /* an enumeration */
    FIELD_LETTER,   /* char, one of letters */
    FIELD_INSTANT,  /* int64_t ns UTC */
    FIELD_DATE,     /* int64_t s UTC of its midnight */
    FIELD_WORDS,    /* struct word_list */
    FIELD_RAW_LIST, /* struct raw_list */
    FIELD_OBJECT,   /* a structure that begins with struct at */
    FIELD_LIST,     /* struct list of such */
    FIELD_DICT      /* struct list of such, each with a key of its own */
};

enum {
    NEEDED = 1,   /* the key must be there */
    OPTIONAL = 2, /* absent: NAN, -1, or an empty text */
    ZERO = 4,     /* absent: zero */
    HIDDEN = 8    /* absent objects: not printed with their defaults */
};

enum { WORDS_MAX = 64, RAWS_MAX = 8 };

/* Where an object came from: node NULL when the file does not have it. */
struct at {
    const struct node *node;
    char key[NAME_CAP]; /* its own key, of a FIELD_DICT's item */
};

struct list {
    int count;
    void *items;
};

struct word_list {
    int count;
    const struct node *nodes[WORDS_MAX];
    char words[WORDS_MAX][NAME_CAP];
};

struct raw_list {
    int count;
    uint64_t values[RAWS_MAX];
};

/* parse may take further words; NULL: the names only. Returns 0 or -1. */
struct choice_set {
    int count;
    const char *(*name)(int value);
    int (*parse)(const char *text, int *value);
};

struct object;

struct field {
    const char *key;
    enum field_type type;
    size_t offset, size;
    unsigned flags;
    enum dimension dim; /* FIELD_QUANTITY */
    bool ranged;
    double min, max;      /* in the base unit, when ranged */
    const char *fallback; /* text that holds without the key; NULL: what the object's defaults() left */
    const struct choice_set *choices;
    const char *letters;
    const struct object *object; /* FIELD_OBJECT, _LIST, _DICT */
    int max_items;               /* of lists and words */
    const char *help;
};

struct object {
    const char *title; /* heading in the reference */
    const char *intro;
    size_t size;
    const struct field *fields;
    int field_count;
    void (*defaults)(void *base);                                                  /* may be NULL */
    void (*check)(void *base, const struct node *node, struct problems *problems); /* may be NULL */
};

/* For tables: AT(structure, member) fills offset and size. */
#define AT(structure, member) .offset = offsetof(structure, member), .size = sizeof(((structure *)0)->member)
#define RANGE(low, high) .ranged = true, .min = (low), .max = (high)
#define FIELDS(table) .fields = (table), .field_count = (int)(sizeof(table) / sizeof(table)[0])

/* Fills a structure with what holds when the file says nothing. */
void schema_defaults(const struct object *object, void *base);

/* Parses a map into base (which schema_defaults is called for first), adding every problem found. */
void schema_parse(const struct object *object, const struct node *node, void *base, struct problems *problems);

/* Parses one scalar of a field. Returns 0, or -1 with text and remedy in the two buffers of TEXT_CAP. */
int schema_scalar(const struct field *field, const char *text, void *to, char *what, char *remedy);

/* A raw register value, decimal or 0x; negative ones as two's complement. Returns 0 or -1. */
int schema_raw(const char *text, uint64_t *value);

/* The value of a scalar field as a file has it; false when it is not set. */
bool schema_scalar_print(const struct field *field, const void *from, char *to, size_t cap);

/* The range of a ranged field: "5 ms to 30 s" or "at least 1 GB". */
void schema_range_print(const struct field *field, char *to, size_t cap);

/* Writes the object as YAML, indented by indent. */
void schema_print(FILE *to, const struct object *object, const void *base, int indent);

/* A text as a YAML scalar: plain where that is safe, else in double quotes. */
void schema_quote(FILE *to, const char *text);

/* Writes the object's reference in Markdown, and that of the objects in it. */
void schema_reference(FILE *to, const struct object *object);

/* What a field's value looks like, in words: "time, such as 300 ms". */
void schema_type_print(const struct field *field, char *to, size_t cap);

/* Frees the lists below base. */
void schema_free(const struct object *object, void *base);

/* The field whose key is nearest to the word, NULL when none is near. */
const struct field *schema_nearest(const struct object *object, const char *word);

/* Number of letters to change, insert or remove to make one word the other; words of at most 63 bytes, else 99. */
int word_distance(const char *a, const char *b);

/* A scalar that a later check finds wrong. */
void at_problem(struct problems *problems, const struct at *at, const char *key, enum problem_level level,
                const char *text, const char *remedy);

#endif
