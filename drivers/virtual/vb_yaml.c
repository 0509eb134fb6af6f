#include "vb_yaml.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int vb_yaml_fail(struct vb_yaml *y, const yaml_node_t *node, const char *what, const char *key)
{
    if (y->failed)
        return -1;
    y->failed = true;
    if (node)
        snprintf(y->error, sizeof y->error, "line %zu: %s%s%s", node->start_mark.line + 1, key ? key : "",
                 key ? ": " : "", what);
    else
        snprintf(y->error, sizeof y->error, "%s%s%s", key ? key : "", key ? ": " : "", what);
    return -1;
}

int vb_yaml_parse(struct vb_yaml *y, const char *text, size_t size)
{
    memset(y, 0, sizeof *y);
    yaml_parser_t parser;
    if (!yaml_parser_initialize(&parser))
        return vb_yaml_fail(y, NULL, "out of memory", NULL);
    yaml_parser_set_input_string(&parser, (const unsigned char *)text, size);
    if (!yaml_parser_load(&parser, &y->doc)) {
        y->failed = true;
        snprintf(y->error, sizeof y->error, "line %zu: %s", parser.problem_mark.line + 1,
                 parser.problem ? parser.problem : "not YAML");
        yaml_parser_delete(&parser);
        return -1;
    }
    yaml_parser_delete(&parser);
    y->loaded = true;
    y->used_count = (size_t)(y->doc.nodes.top - y->doc.nodes.start);
    y->used = calloc(y->used_count + 1, 1);
    if (!y->used)
        return vb_yaml_fail(y, NULL, "out of memory", NULL);
    yaml_node_t *root = vb_yaml_root(y);
    if (!root || root->type != YAML_MAPPING_NODE)
        return vb_yaml_fail(y, root, "the scenario must be a mapping", NULL);
    return 0;
}

void vb_yaml_free(struct vb_yaml *y)
{
    if (y->loaded)
        yaml_document_delete(&y->doc);
    y->loaded = false;
    free(y->used);
    y->used = NULL;
}

yaml_node_t *vb_yaml_root(struct vb_yaml *y)
{
    return yaml_document_get_root_node(&y->doc);
}

static void mark(struct vb_yaml *y, const yaml_node_t *node)
{
    size_t index = (size_t)(node - y->doc.nodes.start);
    if (index < y->used_count)
        y->used[index] = 1;
}

yaml_node_t *vb_yaml_get(struct vb_yaml *y, yaml_node_t *map, const char *key)
{
    if (!map)
        return NULL;
    if (map->type != YAML_MAPPING_NODE) {
        vb_yaml_fail(y, map, "a mapping is expected here", NULL);
        return NULL;
    }
    for (yaml_node_pair_t *p = map->data.mapping.pairs.start; p < map->data.mapping.pairs.top; p++) {
        yaml_node_t *k = yaml_document_get_node(&y->doc, p->key);
        if (k->type != YAML_SCALAR_NODE || strcmp((const char *)k->data.scalar.value, key) != 0)
            continue;
        yaml_node_t *v = yaml_document_get_node(&y->doc, p->value);
        mark(y, k);
        return v;
    }
    return NULL;
}

int vb_yaml_count(struct vb_yaml *y, yaml_node_t *list)
{
    if (!list)
        return 0;
    if (list->type != YAML_SEQUENCE_NODE) {
        vb_yaml_fail(y, list, "a list is expected here", NULL);
        return 0;
    }
    return (int)(list->data.sequence.items.top - list->data.sequence.items.start);
}

yaml_node_t *vb_yaml_item(struct vb_yaml *y, yaml_node_t *list, int i)
{
    return yaml_document_get_node(&y->doc, list->data.sequence.items.start[i]);
}

const char *vb_yaml_scalar(struct vb_yaml *y, yaml_node_t *node)
{
    if (node->type != YAML_SCALAR_NODE) {
        vb_yaml_fail(y, node, "a single value is expected here", NULL);
        return "";
    }
    return (const char *)node->data.scalar.value;
}

static int whole_number(const char *text, double *value)
{
    char *end = NULL;
    errno = 0;
    *value = strtod(text, &end);
    return end == text || *end != '\0' || errno == ERANGE || !isfinite(*value) ? -1 : 0;
}

double vb_yaml_number(struct vb_yaml *y, yaml_node_t *map, const char *key, double missing)
{
    yaml_node_t *v = vb_yaml_get(y, map, key);
    if (!v)
        return missing;
    double value = 0;
    if (whole_number(vb_yaml_scalar(y, v), &value) != 0)
        vb_yaml_fail(y, v, "a plain number is expected", key);
    return value;
}

int64_t vb_yaml_integer(struct vb_yaml *y, yaml_node_t *map, const char *key, int64_t missing, int64_t low,
                        int64_t high)
{
    yaml_node_t *v = vb_yaml_get(y, map, key);
    if (!v)
        return missing;
    const char *text = vb_yaml_scalar(y, v);
    char *end = NULL;
    errno = 0;
    long long value = strtoll(text, &end, 0);
    if (end == text || *end != '\0' || errno == ERANGE || value < low || value > high) {
        vb_yaml_fail(y, v, "a whole number within its range is expected", key);
        return missing;
    }
    return value;
}

bool vb_yaml_bool(struct vb_yaml *y, yaml_node_t *map, const char *key, bool missing)
{
    static const char *const words[] = {"false", "true", NULL};
    return vb_yaml_word(y, map, key, words, missing ? 1 : 0) == 1;
}

int64_t vb_yaml_seconds(struct vb_yaml *y, yaml_node_t *map, const char *key, double missing_s)
{
    double s = vb_yaml_number(y, map, key, missing_s);
    if (s < 0 || s > 1e8) {
        vb_yaml_fail(y, map, "a time in seconds, not negative, is expected", key);
        return 0;
    }
    return (int64_t)(s * 1e9 + 0.5);
}

bool vb_yaml_text(struct vb_yaml *y, yaml_node_t *map, const char *key, char *to, size_t cap, const char *missing)
{
    yaml_node_t *v = vb_yaml_get(y, map, key);
    const char *text = v ? vb_yaml_scalar(y, v) : missing;
    size_t size = strlen(text);
    if (size >= cap) {
        vb_yaml_fail(y, v, "too long", key);
        size = cap - 1;
    }
    memcpy(to, text, size);
    to[size] = '\0';
    return v != NULL;
}

int vb_yaml_word(struct vb_yaml *y, yaml_node_t *map, const char *key, const char *const *words, int missing)
{
    yaml_node_t *v = vb_yaml_get(y, map, key);
    if (!v)
        return missing;
    const char *text = vb_yaml_scalar(y, v);
    for (int i = 0; words[i]; i++)
        if (strcmp(words[i], text) == 0)
            return i;
    char what[300] = "one of these is expected:";
    for (int i = 0; words[i]; i++) {
        size_t n = strlen(what);
        snprintf(what + n, sizeof what - n, " %s", words[i]);
    }
    vb_yaml_fail(y, v, what, key);
    return missing;
}

int vb_yaml_all_used(struct vb_yaml *y)
{
    for (yaml_node_t *n = y->doc.nodes.start; n < y->doc.nodes.top; n++) {
        if (n->type != YAML_MAPPING_NODE)
            continue;
        for (yaml_node_pair_t *p = n->data.mapping.pairs.start; p < n->data.mapping.pairs.top; p++) {
            yaml_node_t *k = yaml_document_get_node(&y->doc, p->key);
            if (!y->used[k - y->doc.nodes.start])
                return vb_yaml_fail(y, k, "this key is not known here",
                                    k->type == YAML_SCALAR_NODE ? (const char *)k->data.scalar.value : NULL);
        }
    }
    return y->failed ? -1 : 0;
}
