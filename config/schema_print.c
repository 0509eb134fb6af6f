/* Structures back into YAML, and tables into a reference. */
#include <ctype.h>
#include <math.h>
#include <string.h>

#include "error.h"
#include "schema.h"

static const void *member(const struct field *f, const void *base)
{
    return (const char *)base + f->offset;
}

static bool is_plain(const char *text)
{
    const char *first = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/.-";
    const char *rest = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+% ";
    size_t n = strlen(text);
    if (n == 0 || strchr(first, text[0]) == NULL || strspn(text, rest) != n || text[n - 1] == ' ')
        return false;
    return text[0] != '-' || isdigit((unsigned char)text[1]);
}

static bool is_reserved(const char *text)
{
    static const char *const words[] = {"null", "true", "false", "yes", "no", "on", "off", ".", "..."};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcmp(text, words[i]) == 0)
            return true;
    return false;
}

void schema_quote(FILE *to, const char *text)
{
    if (is_plain(text) && !is_reserved(text)) {
        (void)fputs(text, to);
        return;
    }
    (void)fputc('"', to);
    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '"' || *c == '\\')
            (void)fputc('\\', to);
        (void)fputc(*c, to);
    }
    (void)fputc('"', to);
}

static bool is_text(const struct field *f)
{
    return f->type == FIELD_NAME || f->type == FIELD_LABEL || f->type == FIELD_TEXT || f->type == FIELD_PATH ||
           f->type == FIELD_DEFERRED;
}

static void print_words(FILE *to, const struct field *f, const struct word_list *words, int indent)
{
    if (words->count == 0)
        return;
    (void)fprintf(to, "%*s%s: [", indent, "", f->key);
    for (int i = 0; i < words->count; i++) {
        (void)fputs(i == 0 ? "" : ", ", to);
        schema_quote(to, words->words[i]);
    }
    (void)fputs("]\n", to);
}

static void print_raws(FILE *to, const struct field *f, const struct raw_list *raws, int indent)
{
    if (raws->count == 0)
        return;
    (void)fprintf(to, "%*s%s: [", indent, "", f->key);
    for (int i = 0; i < raws->count; i++)
        (void)fprintf(to, "%s0x%llx", i == 0 ? "" : ", ", (unsigned long long)raws->values[i]);
    (void)fputs("]\n", to);
}

/* Items of a list begin with "- " two columns to the left of their keys. */
static void print_list(FILE *to, const struct field *f, const struct list *list, int indent)
{
    if (list->count == 0)
        return;
    (void)fprintf(to, "%*s%s:\n", indent, "", f->key);
    for (int i = 0; i < list->count; i++) {
        const void *item = (const char *)list->items + (size_t)i * f->object->size;
        if (f->type == FIELD_DICT)
            (void)fprintf(to, "%*s%s:\n", indent + 2, "", ((const struct at *)item)->key);
        else
            (void)fprintf(to, "%*s-\n", indent + 2, "");
        schema_print(to, f->object, item, indent + 4);
    }
}

static void print_object(FILE *to, const struct field *f, const void *base, int indent)
{
    if (((const struct at *)base)->node == NULL && (f->flags & HIDDEN) != 0)
        return;
    (void)fprintf(to, "%*s%s:\n", indent, "", f->key);
    schema_print(to, f->object, base, indent + 2);
}

static void print_scalar(FILE *to, const struct field *f, const void *base, int indent)
{
    char value[TEXT_CAP * 2];
    if (!schema_scalar_print(f, base, value, sizeof value))
        return;
    (void)fprintf(to, "%*s%s: ", indent, "", f->key);
    if (is_text(f))
        schema_quote(to, value);
    else
        (void)fputs(value, to);
    (void)fputc('\n', to);
}

void schema_print(FILE *to, const struct object *object, const void *base, int indent)
{
    for (int i = 0; i < object->field_count; i++) {
        const struct field *f = &object->fields[i];
        const void *from = member(f, base);
        switch (f->type) {
        case FIELD_OBJECT:
            print_object(to, f, from, indent);
            break;
        case FIELD_LIST:
        case FIELD_DICT:
            print_list(to, f, from, indent);
            break;
        case FIELD_WORDS:
            print_words(to, f, from, indent);
            break;
        case FIELD_RAW_LIST:
            print_raws(to, f, from, indent);
            break;
        default:
            print_scalar(to, f, from, indent);
            break;
        }
    }
}

static const char *plain_type(const struct field *f)
{
    switch (f->type) {
    case FIELD_NAME:
        return "name (lower case letters, digits, - and _)";
    case FIELD_LABEL:
        return "name (letters, digits, - and _)";
    case FIELD_TEXT:
        return "text";
    case FIELD_PATH:
        return "path of a file, relative to the folder of this file";
    case FIELD_DEFERRED:
        return "number with the unit of what it is compared with";
    case FIELD_BOOL:
        return "true or false";
    case FIELD_INT:
        return "whole number";
    case FIELD_NUMBER:
        return "number without unit";
    case FIELD_PERCENT:
        return "share in percent, such as 60 or 60 %";
    case FIELD_DURATION:
        return "time, such as 300 ms";
    case FIELD_SIZE:
        return "amount of data, such as 2 GB";
    case FIELD_INSTANT:
        return "moment in UTC, such as 2026-01-05T06:00:00Z";
    case FIELD_DATE:
        return "date, such as 2027-05-31";
    case FIELD_WORDS:
        return "list of words, such as [A, B]";
    case FIELD_RAW_LIST:
        return "list of raw values, such as [0x7fff]";
    case FIELD_OBJECT:
        return "map";
    case FIELD_LIST:
        return "list of maps";
    case FIELD_DICT:
        return "map of named maps";
    default:
        return "value";
    }
}

void schema_type_print(const struct field *f, char *to, size_t cap)
{
    static const char *const names[DIM_COUNT_] = {
        [DIM_NUMBER] = "number",
        [DIM_CURRENT] = "current",
        [DIM_VOLTAGE] = "voltage",
        [DIM_RESISTANCE] = "resistance",
        [DIM_POWER] = "power",
        [DIM_ENERGY] = "energy",
        [DIM_TIME] = "time",
        [DIM_TEMPERATURE] = "temperature",
        [DIM_TEMP_DIFF] = "temperature difference",
        [DIM_TEMP_RATE] = "temperature rate",
        [DIM_PERCENT] = "percentage",
        [DIM_LENGTH] = "length",
        [DIM_AREA] = "area",
        [DIM_FREQUENCY] = "frequency",
        [DIM_SPEED] = "speed",
        [DIM_ALTITUDE] = "altitude",
    };
    if (f->type == FIELD_QUANTITY) {
        (void)text_format(to, cap, "%s in %s", names[f->dim], dimension_unit(f->dim));
    } else if (f->type == FIELD_CHOICE) {
        (void)text_copy(to, cap, "one of ");
        for (int i = 0; i < f->choices->count; i++)
            (void)text_append(to, cap, "%s%s", i == 0 ? "" : ", ", f->choices->name(i));
    } else if (f->type == FIELD_LETTER) {
        (void)text_format(to, cap, "one letter of %s", f->letters);
    } else {
        (void)text_copy(to, cap, plain_type(f));
    }
}
