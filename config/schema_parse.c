/* Maps, lists and scalars of a tree into structures, by their tables. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "schema.h"

static void *member(const struct field *f, void *base)
{
    return (char *)base + f->offset;
}

static void set_unset(const struct field *f, void *to)
{
    double none = NAN;
    switch (f->type) {
    case FIELD_NUMBER:
    case FIELD_QUANTITY:
    case FIELD_PERCENT:
        memcpy(to, &none, sizeof none);
        break;
    case FIELD_INT:
    case FIELD_DURATION:
    case FIELD_SIZE:
    case FIELD_CHOICE:
    case FIELD_INSTANT:
    case FIELD_DATE:
        memset(to, 0xff, f->size); /* -1 in every width */
        break;
    default:
        break;
    }
}

void schema_defaults(const struct object *object, void *base)
{
    char what[TEXT_CAP];
    char remedy[TEXT_CAP];
    memset(base, 0, object->size);
    if (object->defaults != NULL)
        object->defaults(base);
    for (int i = 0; i < object->field_count; i++) {
        const struct field *f = &object->fields[i];
        if (f->type == FIELD_OBJECT)
            schema_defaults(f->object, member(f, base));
        else if (f->fallback != NULL)
            (void)schema_scalar(f, f->fallback, member(f, base), what, remedy);
        else if ((f->flags & OPTIONAL) != 0)
            set_unset(f, member(f, base));
    }
}

static bool is_null(const struct node *n)
{
    return n->kind == NODE_SCALAR && !n->quoted &&
           (n->text[0] == '\0' || strcmp(n->text, "~") == 0 || strcmp(n->text, "null") == 0);
}

/* True when the node is of the kind that is wanted; else says so. */
static bool kind_fits(const struct node *n, enum node_kind wanted, const struct field *f, struct problems *problems)
{
    char text[TEXT_CAP];
    char type[TEXT_CAP];
    char remedy[TEXT_CAP];
    if (n->kind == wanted && !is_null(n))
        return true;
    schema_type_print(f, type, sizeof type);
    if (is_null(n))
        (void)text_format(text, sizeof text, "\"%s\" has no value", f->key);
    else
        (void)text_format(text, sizeof text, "\"%s\" must not be %s", f->key, node_kind_name(n));
    (void)text_format(remedy, sizeof remedy, "%s: %.180s.",
                      is_null(n) ? "Remove the key, or give it a value" : "What belongs here", type);
    node_problem(problems, n, PROBLEM_ERROR, text, remedy);
    return false;
}

static void parse_scalar(const struct field *f, const struct node *n, void *to, struct problems *problems)
{
    char what[TEXT_CAP];
    char remedy[TEXT_CAP];
    if (!kind_fits(n, NODE_SCALAR, f, problems))
        return;
    if (schema_scalar(f, n->text, to, what, remedy) != 0)
        node_problem(problems, n, PROBLEM_ERROR, what, remedy);
    else if (n->text[0] == '\0')
        node_problem(problems, n, PROBLEM_ERROR, "the text is empty", "Remove the key, or give it a text.");
}

static void too_many(const struct field *f, const struct node *n, int max, struct problems *problems)
{
    char text[TEXT_CAP];
    (void)text_format(text, sizeof text, "\"%s\" has %d items; at most %d are taken", f->key, n->count, max);
    node_problem(problems, n, PROBLEM_ERROR, text, "Remove what is not needed, or use a second bench.");
}

static bool parse_item_key(const struct node *n, struct at *at, struct problems *problems)
{
    const struct field name = {.key = "name", .type = FIELD_NAME, .size = NAME_CAP};
    char what[TEXT_CAP];
    char remedy[TEXT_CAP];
    if (schema_scalar(&name, n->key, at->key, what, remedy) == 0)
        return true;
    node_key_problem(problems, n, PROBLEM_ERROR, what, remedy);
    return false;
}

static void parse_list(const struct field *f, const struct node *n, struct list *to, struct problems *problems)
{
    enum node_kind wanted = f->type == FIELD_DICT ? NODE_MAP : NODE_LIST;
    if (!kind_fits(n, wanted, f, problems))
        return;
    int count = n->count;
    if (count > f->max_items) {
        too_many(f, n, f->max_items, problems);
        count = f->max_items;
    }
    if (count == 0)
        return;
    to->items = calloc((size_t)count, f->object->size);
    if (to->items == NULL) {
        node_problem(problems, n, PROBLEM_ERROR, "out of memory", "");
        return;
    }
    const struct node *child = n->first;
    for (int i = 0; i < count; i++, child = child->next) {
        if (child->kind != NODE_MAP) {
            node_problem(problems, child, PROBLEM_ERROR, "this item must be a map of keys and values",
                         "Write it like this: {name: value, ...}");
            continue;
        }
        void *item = (char *)to->items + (size_t)to->count * f->object->size;
        schema_defaults(f->object, item);
        to->count++;
        if (f->type == FIELD_DICT)
            (void)parse_item_key(child, item, problems);
        schema_parse(f->object, child, item, problems);
    }
}

static void parse_words(const struct field *f, const struct node *n, struct word_list *to, struct problems *problems)
{
    const struct field word = {.key = f->key, .type = FIELD_TEXT, .size = NAME_CAP};
    if (!kind_fits(n, NODE_LIST, f, problems))
        return;
    if (n->count > f->max_items)
        too_many(f, n, f->max_items, problems);
    for (const struct node *c = n->first; c != NULL && to->count < f->max_items; c = c->next) {
        parse_scalar(&word, c, to->words[to->count], problems);
        to->nodes[to->count++] = c;
    }
}

static void parse_raws(const struct field *f, const struct node *n, struct raw_list *to, struct problems *problems)
{
    if (!kind_fits(n, NODE_LIST, f, problems))
        return;
    if (n->count > f->max_items)
        too_many(f, n, f->max_items, problems);
    for (const struct node *c = n->first; c != NULL && to->count < f->max_items; c = c->next) {
        if (c->kind != NODE_SCALAR || schema_raw(c->text, &to->values[to->count]) != 0)
            node_problem(problems, c, PROBLEM_ERROR, "this is not a raw value",
                         "Write a whole number as it is on the wire, decimal or hexadecimal, such as 0x7fff.");
        else
            to->count++;
    }
}

static void parse_field(const struct field *f, const struct node *n, void *base, struct problems *problems)
{
    void *to = member(f, base);
    switch (f->type) {
    case FIELD_OBJECT:
        if (kind_fits(n, NODE_MAP, f, problems))
            schema_parse(f->object, n, to, problems);
        break;
    case FIELD_LIST:
    case FIELD_DICT:
        parse_list(f, n, to, problems);
        break;
    case FIELD_WORDS:
        parse_words(f, n, to, problems);
        break;
    case FIELD_RAW_LIST:
        parse_raws(f, n, to, problems);
        break;
    default:
        parse_scalar(f, n, to, problems);
        break;
    }
}

static const struct field *field_of(const struct object *object, const char *key)
{
    for (int i = 0; i < object->field_count; i++)
        if (strcmp(object->fields[i].key, key) == 0)
            return &object->fields[i];
    return NULL;
}

/* A secret written out in the file, which must not be. */
static bool is_secret(const struct object *object, const char *key)
{
    static const char *const words[] = {"password", "token", "secret", "passwd", "api_key"};
    bool has_files = field_of(object, "token_file") != NULL || field_of(object, "password_file") != NULL;
    for (size_t i = 0; has_files && i < sizeof words / sizeof words[0]; i++)
        if (strcmp(words[i], key) == 0)
            return true;
    return false;
}

static void keys_print(const struct object *object, char *to, size_t cap)
{
    to[0] = '\0';
    for (int i = 0; i < object->field_count; i++)
        if (text_append(to, cap, "%s%s", i == 0 ? "" : ", ", object->fields[i].key) != 0)
            return;
}

static void unknown_key(const struct object *object, const struct node *n, struct problems *problems)
{
    char text[TEXT_CAP];
    char remedy[TEXT_CAP];
    char keys[TEXT_CAP - 32];
    const struct field *near = schema_nearest(object, n->key);
    (void)text_format(text, sizeof text, "the key \"%.80s\" is not known here", n->key);
    keys_print(object, keys, sizeof keys);
    if (is_secret(object, n->key))
        (void)text_copy(remedy, sizeof remedy,
                        "A secret never stands in this file: put it into a file of its own that only the service may "
                        "read, and name that with password_file or token_file.");
    else if (near != NULL)
        (void)text_format(remedy, sizeof remedy, "Did you mean \"%s\"?", near->key);
    else
        (void)text_format(remedy, sizeof remedy, "Keys here: %s.", keys);
    node_key_problem(problems, n, PROBLEM_ERROR, text, remedy);
}

static void report_missing(const struct object *object, const struct node *node, struct problems *problems)
{
    char text[TEXT_CAP];
    char type[TEXT_CAP];
    char remedy[TEXT_CAP];
    for (int i = 0; i < object->field_count; i++) {
        const struct field *f = &object->fields[i];
        if ((f->flags & NEEDED) == 0 || node_child(node, f->key) != NULL)
            continue;
        schema_type_print(f, type, sizeof type);
        (void)text_format(text, sizeof text, "the key \"%s\" is missing", f->key);
        (void)text_format(remedy, sizeof remedy, "Add %s: %.200s.", f->key, type);
        node_problem(problems, node, PROBLEM_ERROR, text, remedy);
    }
}

void schema_parse(const struct object *object, const struct node *node, void *base, struct problems *problems)
{
    int before = problems->errors;
    ((struct at *)base)->node = node;
    for (const struct node *n = node->first; n != NULL; n = n->next) {
        const struct field *f = field_of(object, n->key);
        if (f == NULL)
            unknown_key(object, n, problems);
        else
            parse_field(f, n, base, problems);
    }
    report_missing(object, node, problems);
    if (object->check != NULL && problems->errors == before)
        object->check(base, node, problems);
}

void schema_free(const struct object *object, void *base)
{
    for (int i = 0; i < object->field_count; i++) {
        const struct field *f = &object->fields[i];
        if (f->type == FIELD_OBJECT) {
            schema_free(f->object, member(f, base));
        } else if (f->type == FIELD_LIST || f->type == FIELD_DICT) {
            struct list *list = member(f, base);
            for (int k = 0; k < list->count; k++)
                schema_free(f->object, (char *)list->items + (size_t)k * f->object->size);
            free(list->items);
            *list = (struct list){0};
        }
    }
}

int word_distance(const char *a, const char *b)
{
    size_t n = strlen(a);
    size_t m = strlen(b);
    int row[64];
    if (n > 63 || m > 63)
        return 99;
    for (size_t k = 0; k <= m; k++)
        row[k] = (int)k;
    for (size_t i = 1; i <= n; i++) {
        int corner = row[0];
        row[0] = (int)i;
        for (size_t k = 1; k <= m; k++) {
            int best = corner + (a[i - 1] == b[k - 1] ? 0 : 1);
            corner = row[k];
            if (row[k] + 1 < best)
                best = row[k] + 1;
            if (row[k - 1] + 1 < best)
                best = row[k - 1] + 1;
            row[k] = best;
        }
    }
    return row[m];
}

const struct field *schema_nearest(const struct object *object, const char *word)
{
    const struct field *best = NULL;
    int least = (int)(strlen(word) / 3) + 1;
    for (int i = 0; i < object->field_count; i++) {
        int d = word_distance(word, object->fields[i].key);
        if (d <= least && (best == NULL || d < least)) {
            best = &object->fields[i];
            least = d;
        }
    }
    return best;
}

void at_problem(struct problems *problems, const struct at *at, const char *key, enum problem_level level,
                const char *text, const char *remedy)
{
    const struct node *n = node_child(at->node, key);
    if (n != NULL)
        node_problem(problems, n, level, text, remedy);
    else if (at->node != NULL)
        node_problem(problems, at->node, level, text, remedy);
}
