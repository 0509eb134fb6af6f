#include "yaml_tree.h"

#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#include "error.h"

enum { DEPTH_MAX = 16, NODES_MAX = 65536, CHILDREN_MAX = 2048, SCALAR_MAX = 4096 };

struct tree {
    char *file;
    struct node **nodes; /* every node, for freeing */
    size_t count, cap;
    struct node *root;
};

/* The state of one parse. */
struct build {
    struct tree *tree;
    struct problems *problems;
    struct node *stack[DEPTH_MAX]; /* open maps and lists */
    struct node *last[DEPTH_MAX];  /* their latest child */
    int depth;
    char *key; /* a map's key that waits for its value */
    int key_line, key_column;
    int documents;
    bool failed;  /* an error was added */
    bool stopped; /* no point in going on */
};

static void complain(struct build *b, const yaml_mark_t *mark, const char *text, const char *remedy)
{
    struct problem p = {.level = PROBLEM_ERROR};
    (void)text_copy(p.file, sizeof p.file, b->tree->file);
    if (mark != NULL) {
        p.line = (int)mark->line + 1;
        p.column = (int)mark->column + 1;
    }
    (void)text_copy(p.text, sizeof p.text, text);
    (void)text_copy(p.remedy, sizeof p.remedy, remedy);
    problems_add(b->problems, &p);
    b->failed = true;
}

static void stop(struct build *b, const yaml_mark_t *mark, const char *text, const char *remedy)
{
    complain(b, mark, text, remedy);
    b->stopped = true;
}

static struct node *node_new(struct build *b, enum node_kind kind, const yaml_mark_t *mark)
{
    struct tree *t = b->tree;
    if (t->count >= NODES_MAX || (b->depth > 0 && b->stack[b->depth - 1]->count >= CHILDREN_MAX)) {
        stop(b, mark, "the file holds too many values", "Split it, or look for lines that were pasted many times.");
        return NULL;
    }
    if (t->count == t->cap) {
        size_t cap = t->cap == 0 ? 256 : t->cap * 2;
        struct node **nodes = realloc(t->nodes, cap * sizeof(struct node *));
        if (nodes == NULL) {
            stop(b, mark, "out of memory", "");
            return NULL;
        }
        t->nodes = nodes;
        t->cap = cap;
    }
    struct node *n = calloc(1, sizeof *n);
    if (n == NULL) {
        stop(b, mark, "out of memory", "");
        return NULL;
    }
    t->nodes[t->count++] = n;
    n->kind = kind;
    n->file = t->file;
    n->line = (int)mark->line + 1;
    n->column = (int)mark->column + 1;
    return n;
}

/* Hangs a node into the open map or list, or makes it the root. */
static void attach(struct build *b, struct node *n)
{
    if (b->depth == 0) {
        b->tree->root = n;
        return;
    }
    struct node *parent = b->stack[b->depth - 1];
    struct node *last = b->last[b->depth - 1];
    n->parent = parent;
    n->index = parent->count++;
    if (last == NULL)
        parent->first = n;
    else
        last->next = n;
    b->last[b->depth - 1] = n;
    if (parent->kind == NODE_MAP) {
        n->key = b->key;
        n->key_line = b->key_line;
        n->key_column = b->key_column;
        b->key = NULL;
    }
}

static bool key_is_due(const struct build *b)
{
    return b->depth > 0 && b->stack[b->depth - 1]->kind == NODE_MAP && b->key == NULL;
}

static char *scalar_copy(struct build *b, const yaml_event_t *e)
{
    const char *value = (const char *)e->data.scalar.value;
    size_t size = e->data.scalar.length;
    if (size > SCALAR_MAX || memchr(value, '\0', size) != NULL) {
        stop(b, &e->start_mark, size > SCALAR_MAX ? "this text is too long" : "this text holds a zero byte",
             "Shorten it.");
        return NULL;
    }
    char *copy = malloc(size + 1);
    if (copy == NULL) {
        stop(b, &e->start_mark, "out of memory", "");
        return NULL;
    }
    memcpy(copy, value, size);
    copy[size] = '\0';
    return copy;
}

static void refuse_decoration(struct build *b, const yaml_event_t *e, const unsigned char *anchor,
                              const unsigned char *tag)
{
    if (anchor != NULL)
        complain(b, &e->start_mark, "anchors (&name) are not taken", "Write the value out where it is needed.");
    if (tag != NULL)
        complain(b, &e->start_mark, "tags (!name) are not taken", "Remove the tag: each key knows its own type.");
}

static void take_key(struct build *b, const yaml_event_t *e)
{
    char *key = scalar_copy(b, e);
    if (key == NULL)
        return;
    const struct node *map = b->stack[b->depth - 1];
    const struct node *twin = node_child(map, key);
    if (twin != NULL) {
        char text[TEXT_CAP];
        (void)text_format(text, sizeof text, "the key \"%.80s\" stands here a second time; first in line %d", key,
                          twin->key_line);
        complain(b, &e->start_mark, text, "Keep one of the two.");
    }
    b->key = key;
    b->key_line = (int)e->start_mark.line + 1;
    b->key_column = (int)e->start_mark.column + 1;
}

static void take_scalar(struct build *b, const yaml_event_t *e)
{
    refuse_decoration(b, e, e->data.scalar.anchor, e->data.scalar.tag);
    if (key_is_due(b)) {
        take_key(b, e);
        return;
    }
    struct node *n = node_new(b, NODE_SCALAR, &e->start_mark);
    if (n == NULL)
        return;
    n->text = scalar_copy(b, e);
    if (n->text == NULL)
        return;
    n->quoted = e->data.scalar.style != YAML_PLAIN_SCALAR_STYLE;
    attach(b, n);
}

static void take_open(struct build *b, const yaml_event_t *e, enum node_kind kind)
{
    if (kind == NODE_MAP)
        refuse_decoration(b, e, e->data.mapping_start.anchor, e->data.mapping_start.tag);
    else
        refuse_decoration(b, e, e->data.sequence_start.anchor, e->data.sequence_start.tag);
    if (key_is_due(b)) {
        stop(b, &e->start_mark, "a key must be a plain word", "Write \"key: value\".");
        return;
    }
    if (b->depth == DEPTH_MAX) {
        stop(b, &e->start_mark, "maps and lists are nested too deeply", "Nothing in these files goes so deep.");
        return;
    }
    struct node *n = node_new(b, kind, &e->start_mark);
    if (n == NULL)
        return;
    attach(b, n);
    b->stack[b->depth] = n;
    b->last[b->depth] = NULL;
    b->depth++;
}

static void take_alias(struct build *b, const yaml_event_t *e)
{
    complain(b, &e->start_mark, "aliases (*name) are not taken", "Write the value out where it is needed.");
    if (key_is_due(b)) {
        b->stopped = true;
        return;
    }
    struct node *n = node_new(b, NODE_SCALAR, &e->start_mark);
    if (n == NULL)
        return;
    n->text = calloc(1, 1);
    if (n->text == NULL) {
        stop(b, &e->start_mark, "out of memory", "");
        return;
    }
    attach(b, n);
}

static void take_event(struct build *b, const yaml_event_t *e)
{
    switch (e->type) {
    case YAML_DOCUMENT_START_EVENT:
        b->documents++;
        if (b->documents > 1)
            stop(b, &e->start_mark, "a second document begins here", "One file is one document: remove the \"---\".");
        break;
    case YAML_SCALAR_EVENT:
        take_scalar(b, e);
        break;
    case YAML_MAPPING_START_EVENT:
        take_open(b, e, NODE_MAP);
        break;
    case YAML_SEQUENCE_START_EVENT:
        take_open(b, e, NODE_LIST);
        break;
    case YAML_MAPPING_END_EVENT:
    case YAML_SEQUENCE_END_EVENT:
        b->depth--;
        break;
    case YAML_ALIAS_EVENT:
        take_alias(b, e);
        break;
    default:
        break;
    }
}

static void syntax_error(struct build *b, const yaml_parser_t *parser)
{
    char text[TEXT_CAP];
    (void)text_format(text, sizeof text, "not YAML: %s", parser->problem != NULL ? parser->problem : "unreadable");
    if (parser->context != NULL)
        (void)text_append(text, sizeof text, ", %s", parser->context);
    const char *remedy = "Check indentation (spaces, no tabs), the space behind each colon, brackets and quotes.";
    if (parser->error == YAML_READER_ERROR)
        complain(b, NULL, text, "Save the file as UTF-8 without control characters.");
    else
        complain(b, &parser->problem_mark, text, remedy);
}

static void run(struct build *b, yaml_parser_t *parser)
{
    bool more = true;
    while (more && !b->stopped) {
        yaml_event_t e;
        if (yaml_parser_parse(parser, &e) == 0) {
            syntax_error(b, parser);
            return;
        }
        take_event(b, &e);
        more = e.type != YAML_STREAM_END_EVENT;
        yaml_event_delete(&e);
    }
}

static bool is_blank(const struct node *root)
{
    return root == NULL || (root->kind == NODE_SCALAR && root->text[0] == '\0' && !root->quoted);
}

static int build(struct tree *t, const char *text, size_t size, struct problems *problems)
{
    struct build b = {.tree = t, .problems = problems};
    yaml_parser_t parser;
    if (yaml_parser_initialize(&parser) == 0) {
        complain(&b, NULL, "out of memory", "");
        return -1;
    }
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&parser, (const unsigned char *)text, size);
    run(&b, &parser);
    yaml_parser_delete(&parser);
    free(b.key);
    if (!b.failed && is_blank(t->root))
        complain(&b, NULL, "the file is empty", "Begin with one of the files in config/examples.");
    else if (!b.failed && t->root->kind != NODE_MAP)
        complain(&b, NULL, "the file does not begin with \"key: value\"", "Begin with a key of the reference.");
    return b.failed ? -1 : 0;
}

struct tree *tree_parse(const char *file, const char *text, size_t size, struct problems *problems)
{
    struct tree *t = calloc(1, sizeof *t);
    if (t != NULL)
        t->file = strdup(file);
    if (t == NULL || t->file == NULL) {
        struct problem p = {.level = PROBLEM_ERROR, .text = "out of memory"};
        problems_add(problems, &p);
        tree_free(t);
        return NULL;
    }
    if (build(t, text, size, problems) != 0) {
        tree_free(t);
        return NULL;
    }
    return t;
}

const struct node *tree_root(const struct tree *tree)
{
    return tree->root;
}

void tree_free(struct tree *tree)
{
    if (tree == NULL)
        return;
    for (size_t i = 0; i < tree->count; i++) {
        free(tree->nodes[i]->key);
        free(tree->nodes[i]->text);
        free(tree->nodes[i]);
    }
    free(tree->nodes);
    free(tree->file);
    free(tree);
}
