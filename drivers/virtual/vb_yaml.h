/* Reads a scenario's YAML into libyaml's tree and takes typed values out of it. Every value that is taken is marked,
 * so that a key nobody asked for (a slip of the pen) is an error with its line. The first error is kept. */
#ifndef VB_YAML_H
#define VB_YAML_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <yaml.h>

struct vb_yaml {
    yaml_document_t doc;
    bool loaded;
    unsigned char *used; /* by node index */
    size_t used_count;
    bool failed;
    char error[512];
};

/* Parses text. Returns 0 or -1 with the error set. vb_yaml_free() in either case. */
int vb_yaml_parse(struct vb_yaml *y, const char *text, size_t size);
void vb_yaml_free(struct vb_yaml *y);

yaml_node_t *vb_yaml_root(struct vb_yaml *y);

/* Keeps the first error, with the line of node (which may be NULL). Returns -1. */
int vb_yaml_fail(struct vb_yaml *y, const yaml_node_t *node, const char *what, const char *key);

/* The value of a key of a mapping, or NULL. A value asked for counts as used. */
yaml_node_t *vb_yaml_get(struct vb_yaml *y, yaml_node_t *map, const char *key);

/* Items of a list; a missing list has none. */
int vb_yaml_count(struct vb_yaml *y, yaml_node_t *list);
yaml_node_t *vb_yaml_item(struct vb_yaml *y, yaml_node_t *list, int i);

/* Values by key with what holds when the key is missing. */
double vb_yaml_number(struct vb_yaml *y, yaml_node_t *map, const char *key, double missing);
int64_t vb_yaml_integer(struct vb_yaml *y, yaml_node_t *map, const char *key, int64_t missing, int64_t low,
                        int64_t high);
bool vb_yaml_bool(struct vb_yaml *y, yaml_node_t *map, const char *key, bool missing);
/* Seconds as a number, to ns. */
int64_t vb_yaml_seconds(struct vb_yaml *y, yaml_node_t *map, const char *key, double missing_s);
/* Text into a buffer; too long is an error. Returns true when the key is there. */
bool vb_yaml_text(struct vb_yaml *y, yaml_node_t *map, const char *key, char *to, size_t cap, const char *missing);
/* Text of a scalar node. */
const char *vb_yaml_scalar(struct vb_yaml *y, yaml_node_t *node);
/* One of a list of words (NULL at its end); the index. */
int vb_yaml_word(struct vb_yaml *y, yaml_node_t *map, const char *key, const char *const *words, int missing);

/* After all was taken: a key that nobody took is an error. Returns 0 or -1. */
int vb_yaml_all_used(struct vb_yaml *y);

#endif
