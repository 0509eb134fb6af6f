/* The reference in Markdown, from the tables. */
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "schema.h"

static void print_cell(FILE *to, const char *text)
{
    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '|')
            (void)fputc('\\', to);
        (void)fputc(*c, to);
    }
}

static void print_range(FILE *to, const struct field *f)
{
    char range[160];
    if (!f->ranged)
        return;
    schema_range_print(f, range, sizeof range);
    (void)fprintf(to, "; %s", range);
}

static void print_default(FILE *to, const struct field *f, const void *prototype)
{
    char value[TEXT_CAP * 2];
    if ((f->flags & NEEDED) != 0) {
        (void)fputs("needed", to);
        return;
    }
    switch (f->type) {
    case FIELD_OBJECT:
    case FIELD_LIST:
    case FIELD_DICT:
    case FIELD_WORDS:
    case FIELD_RAW_LIST:
        return;
    default:
        break;
    }
    if (schema_scalar_print(f, (const char *)prototype + f->offset, value, sizeof value)) {
        (void)fputc('`', to);
        print_cell(to, value);
        (void)fputc('`', to);
    }
}

static void print_row(FILE *to, const struct field *f, const void *prototype)
{
    char type[TEXT_CAP];
    schema_type_print(f, type, sizeof type);
    (void)fprintf(to, "| `%s` | ", f->key);
    print_cell(to, type);
    print_range(to, f);
    if (f->object != NULL)
        (void)fprintf(to, ", see *%s*", f->object->title);
    if (f->max_items > 0)
        (void)fprintf(to, "; at most %d", f->max_items);
    (void)fputs(" | ", to);
    print_default(to, f, prototype);
    (void)fputs(" | ", to);
    print_cell(to, f->help);
    (void)fputs(" |\n", to);
}

static void print_table(FILE *to, const struct object *object)
{
    void *prototype = malloc(object->size);
    if (prototype == NULL)
        return;
    schema_defaults(object, prototype);
    (void)fprintf(to, "\n### %s\n\n%s\n\n", object->title, object->intro);
    (void)fputs("| key | value | without it | meaning |\n| --- | --- | --- | --- |\n", to);
    for (int i = 0; i < object->field_count; i++)
        print_row(to, &object->fields[i], prototype);
    free(prototype);
}

enum { OBJECTS_MAX = 64 };

struct walk {
    const struct object *seen[OBJECTS_MAX];
    int count;
};

/* Breadth first, each object once, so that the reference reads from the outside in. */
static void collect(struct walk *w, const struct object *object)
{
    for (int i = 0; i < w->count; i++)
        if (w->seen[i] == object)
            return;
    if (w->count < OBJECTS_MAX)
        w->seen[w->count++] = object;
}

void schema_reference(FILE *to, const struct object *object)
{
    struct walk w = {0};
    collect(&w, object);
    for (int i = 0; i < w.count; i++) {
        print_table(to, w.seen[i]);
        for (int k = 0; k < w.seen[i]->field_count; k++)
            if (w.seen[i]->fields[k].object != NULL)
                collect(&w, w.seen[i]->fields[k].object);
    }
}
