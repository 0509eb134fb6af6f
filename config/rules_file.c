#include "rules_file.h"

#include <stdlib.h>
#include <string.h>

#include "assemble.h"
#include "text_file.h"

static const struct field rules_file_fields[] = {
    {"rules", FIELD_LIST, AT(struct raw_bench, rules), .flags = NEEDED, .object = &rule_object, .max_items = RULES_MAX,
     .help = "Limits of the shop's own."},
};

static const struct object rules_file_object = {
    .title = "a file of rules",
    .intro = "Rules to be tried on what is on record.",
    .size = sizeof(struct raw_bench),
    FIELDS(rules_file_fields),
};

/* `rules:` alone. The bench lends the assembly its channels and signals, and gets them back with the new rules. */
static void read_alone(const char *path, const struct node *root, struct bench *bench, struct problems *problems)
{
    struct config *config = calloc(1, sizeof *config);
    struct raw_bench *raw = calloc(1, sizeof *raw);
    if (config && raw) {
        struct assembly a = {.config = config, .raw = raw, .problems = problems, .name = path};
        int before = problems->errors;
        config->bench = *bench;
        config->bench.rule_count = 0;
        schema_defaults(&rules_file_object, raw);
        schema_parse(&rules_file_object, root, raw, problems);
        if (problems->errors == before)
            assemble_rules(&a);
        *bench = config->bench;
        schema_free(&rules_file_object, raw);
    } else {
        struct error err;
        error_set(&err, "out of memory");
        text_file_problem(path, &err, problems);
    }
    free(config);
    free(raw);
}

/* Out of a whole configuration. */
static void read_from_bench(const char *path, const struct node *root, struct bench *bench, struct problems *problems)
{
    struct config *config = NULL;
    if (config_load(path, &config, problems) != 0)
        return;
    bench->rule_count = 0;
    for (int i = 0; i < config->bench.rule_count; i++) {
        struct bench_rule rule = config->bench.rules[i];
        if (rule.channel >= 0)
            rule.channel = bench_channel_find(bench, config->bench.channels[rule.channel].name);
        if (rule.channel < 0 && config->bench.rules[i].channel >= 0) {
            char text[TEXT_CAP];
            (void)text_format(text, sizeof text, "rule %.47s is for a channel that the bench on record did not have",
                              rule.name);
            node_problem(problems, node_child(root, "rules"), PROBLEM_ERROR, text,
                         "Try the rule in a file that holds rules alone, for a channel that was there.");
        } else {
            bench->rules[bench->rule_count++] = rule;
        }
    }
    config_free(config);
}

int rules_file_load(const char *path, struct bench *bench, struct problems *problems)
{
    char *text;
    size_t size;
    struct error err;
    int before = problems->errors;
    if (config_file_read(path, &text, &size, &err) != 0) {
        text_file_problem(path, &err, problems);
        return -1;
    }
    struct tree *tree = tree_parse(path, text, size, problems);
    if (tree && node_child(tree_root(tree), "bench"))
        read_from_bench(path, tree_root(tree), bench, problems);
    else if (tree)
        read_alone(path, tree_root(tree), bench, problems);
    tree_free(tree);
    free(text);
    problems_sort(problems);
    return problems->errors == before ? 0 : -1;
}
