#include "config.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "assemble.h"
#include "text_file.h"

struct config_source {
    struct raw_bench raw;
    struct tree *tree;
};

void config_free(struct config *config)
{
    if (config == NULL)
        return;
    for (int i = 0; i < config->file_count; i++)
        free(config->files[i].text);
    free(config->files);
    free(config->maps);
    if (config->source != NULL) {
        schema_free(&bench_object, &config->source->raw);
        tree_free(config->source->tree);
        free(config->source);
    }
    free(config);
}

static void no_memory(const char *name, struct problems *problems)
{
    struct problem p = {.level = PROBLEM_ERROR, .text = "out of memory"};
    (void)text_copy(p.file, sizeof p.file, name);
    problems_add(problems, &p);
}

static struct config *config_new(const char *name, const char *text, size_t size)
{
    struct config *c = calloc(1, sizeof *c);
    if (c == NULL)
        return NULL;
    c->source = calloc(1, sizeof *c->source);
    c->files = calloc(1, sizeof *c->files);
    char *copy = malloc(size + 1);
    if (c->source == NULL || c->files == NULL || copy == NULL) {
        free(copy);
        config_free(c);
        return NULL;
    }
    memcpy(copy, text, size);
    copy[size] = '\0';
    (void)text_copy(c->files[0].path, PATH_CAP, name);
    c->files[0].text = copy;
    c->files[0].size = size;
    c->file_count = 1;
    schema_defaults(&bench_object, &c->source->raw);
    return c;
}

static void assemble(struct config *c, const char *name, const struct file_reader *files, struct problems *problems)
{
    struct assembly a = {.config = c, .raw = &c->source->raw, .problems = problems, .files = files, .name = name};
    int before = problems->errors;
    schema_parse(&bench_object, tree_root(c->source->tree), &c->source->raw, problems);
    assemble_buses(&a);
    assemble_circuits(&a);
    assemble_devices(&a);
    assemble_channels(&a);
    assemble_rules(&a);
    assemble_rest(&a);
    if (problems->errors == before)
        assemble_checks(&a);
}

int config_load_text(const char *name, const char *text, size_t size, const struct file_reader *files,
                     struct config **out, struct problems *problems)
{
    int before = problems->errors;
    struct config *c = config_new(name, text, size);
    if (c == NULL) {
        no_memory(name, problems);
        return -1;
    }
    c->source->tree = tree_parse(name, text, size, problems);
    if (c->source->tree != NULL)
        assemble(c, name, files, problems);
    problems_sort(problems);
    if (problems->errors != before) {
        config_free(c);
        return -1;
    }
    *out = c;
    return 0;
}

int config_load(const char *path, struct config **out, struct problems *problems)
{
    char *text;
    size_t size;
    struct error err;
    if (config_file_read(path, &text, &size, &err) != 0) {
        text_file_problem(path, &err, problems);
        return -1;
    }
    int rc = config_load_text(path, text, size, NULL, out, problems);
    free(text);
    return rc;
}

char *config_print(const struct config *config)
{
    char *text = NULL;
    size_t size = 0;
    FILE *to = open_memstream(&text, &size);
    if (to == NULL)
        return NULL;
    schema_print(to, &bench_object, &config->source->raw, 0);
    if (fclose(to) != 0) {
        free(text);
        return NULL;
    }
    return text;
}
