/* A YAML file as a tree that keeps the place of every key and value. Built from libyaml's events, not from its document
 * loader, which forgets anchors and explicit tags and so could not refuse them. Of YAML only this is taken: one
 * document of maps, lists and scalars; no anchors, aliases, tags, merge keys, further documents or repeated keys. */
#ifndef YAML_TREE_H
#define YAML_TREE_H

#include <stdbool.h>
#include <stddef.h>

#include "problems.h"

enum node_kind { NODE_SCALAR, NODE_MAP, NODE_LIST };

struct node {
    enum node_kind kind;
    const char *file; /* path of the file, as given to tree_parse; owned by the tree */
    struct node *parent;
    struct node *next;  /* sibling */
    struct node *first; /* first child of a map or list */
    int count;          /* of children */
    int index;          /* among the siblings, from 0 */
    int line, column;   /* from 1 */
    char *key;          /* of a map's child, else NULL */
    int key_line, key_column;
    char *text; /* of a scalar, else NULL */
    bool quoted;
};

struct tree;

/* Parses the text. Returns a tree, or NULL with at least one error added to problems. */
struct tree *tree_parse(const char *file, const char *text, size_t size, struct problems *problems);
const struct node *tree_root(const struct tree *tree);
void tree_free(struct tree *tree);

/* Child of a map by key, NULL when there is none or node is not a map. */
const struct node *node_child(const struct node *node, const char *key);

/* Where the node is: "channels[A].load.steps[2].power". A list's item goes by its name, or by its number from 1. */
void node_path(const struct node *node, char *to, size_t cap);

/* Adds a problem at the node's value. remedy may be empty. */
void node_problem(struct problems *problems, const struct node *node, enum problem_level level, const char *text,
                  const char *remedy);

/* The same at the node's key. */
void node_key_problem(struct problems *problems, const struct node *node, enum problem_level level, const char *text,
                      const char *remedy);

/* "a map", "a list" or "a value". */
const char *node_kind_name(const struct node *node);

#endif
