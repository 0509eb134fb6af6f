#include <string.h>

#include "error.h"
#include "yaml_tree.h"

enum { PATH_PARTS = 24 };

const struct node *node_child(const struct node *node, const char *key)
{
    if (node == NULL || node->kind != NODE_MAP)
        return NULL;
    for (const struct node *n = node->first; n != NULL; n = n->next)
        if (strcmp(n->key, key) == 0)
            return n;
    return NULL;
}

static void append_part(const struct node *n, char *to, size_t cap)
{
    if (n->key != NULL) {
        (void)text_append(to, cap, "%s%s", to[0] == '\0' ? "" : ".", n->key);
        return;
    }
    const struct node *name = node_child(n, "name");
    if (name != NULL && name->kind == NODE_SCALAR && name->text[0] != '\0')
        (void)text_append(to, cap, "[%s]", name->text);
    else
        (void)text_append(to, cap, "[%d]", n->index + 1);
}

void node_path(const struct node *node, char *to, size_t cap)
{
    const struct node *parts[PATH_PARTS];
    int count = 0;
    for (const struct node *n = node; n != NULL && n->parent != NULL && count < PATH_PARTS; n = n->parent)
        parts[count++] = n;
    to[0] = '\0';
    while (count > 0)
        append_part(parts[--count], to, cap);
}

static void add(struct problems *problems, const struct node *node, int line, int column, enum problem_level level,
                const char *text, const char *remedy)
{
    struct problem p = {.level = level, .line = line, .column = column};
    (void)text_copy(p.file, sizeof p.file, node->file);
    node_path(node, p.path, sizeof p.path);
    (void)text_copy(p.text, sizeof p.text, text);
    (void)text_copy(p.remedy, sizeof p.remedy, remedy);
    problems_add(problems, &p);
}

void node_problem(struct problems *problems, const struct node *node, enum problem_level level, const char *text,
                  const char *remedy)
{
    add(problems, node, node->line, node->column, level, text, remedy);
}

void node_key_problem(struct problems *problems, const struct node *node, enum problem_level level, const char *text,
                      const char *remedy)
{
    if (node->key == NULL)
        node_problem(problems, node, level, text, remedy);
    else
        add(problems, node, node->key_line, node->key_column, level, text, remedy);
}

const char *node_kind_name(const struct node *node)
{
    switch (node->kind) {
    case NODE_MAP:
        return "a map";
    case NODE_LIST:
        return "a list";
    case NODE_SCALAR:
        break;
    }
    return "a single value";
}
