#include "options.h"

#include <assert.h>
#include <math.h>
#include <stddef.h>
#include <string.h>

#include "utc.h"

static const struct option_row common[] = {
    {"--socket", OPTION_FILE, "PATH", "control socket of the daemon", DIM_NUMBER, NULL, 0, 0},
    {"--config", OPTION_FILE, "FILE", "configuration of the bench: tells socket and journal", DIM_NUMBER, NULL, 0, 0},
    {"--journal", OPTION_FILE, "FILE", "read this journal, without a daemon", DIM_NUMBER, NULL, 0, 0},
    {"--json", OPTION_FLAG, NULL, "print JSON, for programs", DIM_NUMBER, NULL, 0, 0},
    {"--help", OPTION_FLAG, NULL, "say how the command is used", DIM_NUMBER, NULL, 0, 0},
    {"--version", OPTION_FLAG, NULL, "print the version", DIM_NUMBER, NULL, 0, 0},
};

const struct option_row *common_options(int *count)
{
    *count = (int)(sizeof common / sizeof common[0]);
    return common;
}

static void set_common(struct arguments *args, const char *name, const char *value)
{
    if (strcmp(name, "--socket") == 0)
        args->socket = value;
    else if (strcmp(name, "--config") == 0)
        args->config = value;
    else if (strcmp(name, "--journal") == 0)
        args->journal = value;
    else if (strcmp(name, "--json") == 0)
        args->json = true;
    else if (strcmp(name, "--help") == 0)
        args->help = true;
    else
        args->version = true;
}

static const struct option_row *find_row(const struct option_row *rows, int count, const char *name, size_t size)
{
    for (int i = 0; i < count; i++) {
        if (strlen(rows[i].name) == size && strncmp(rows[i].name, name, size) == 0)
            return &rows[i];
    }
    return NULL;
}

static int read_word(const struct option_row *row, const char *text, struct option_value *value, struct error *err)
{
    char list[256] = "";
    for (int i = 0; row->words[i]; i++) {
        if (strcmp(row->words[i], text) == 0) {
            value->word = i;
            return 0;
        }
        (void)text_append(list, sizeof list, "%s%s", i ? ", " : "", row->words[i]);
    }
    return error_set(err, "%s: \"%s\" is none of %s", row->name, text, list);
}

static int read_value(const struct option_row *row, const char *text, struct option_value *value, struct error *err)
{
    int64_t utc_s = 0;
    value->given = true;
    value->text = text;
    switch (row->kind) {
    case OPTION_WORD:
        return read_word(row, text, value, err);
    case OPTION_INTEGER:
        if (number_parse(text, &value->number) != 0 || floor(value->number) != value->number ||
            value->number < (double)row->low || value->number > (double)row->high)
            return error_set(err, "%s: \"%s\" is no whole number from %lld to %lld", row->name, text,
                             (long long)row->low, (long long)row->high);
        return 0;
    case OPTION_NUMBER:
        if (number_parse(text, &value->number) != 0)
            return error_set(err, "%s: \"%s\" is no number", row->name, text);
        return 0;
    case OPTION_QUANTITY:
        if (quantity_parse(text, row->dim, &value->number, err) != 0)
            return error_prefix(err, "%s", row->name);
        return 0;
    case OPTION_PERCENT:
        if (number_parse(text, &value->number) != 0 && quantity_parse(text, DIM_PERCENT, &value->number, err) != 0)
            return error_prefix(err, "%s", row->name);
        return 0;
    case OPTION_DATE:
        if (utc_parse(text, &utc_s) != 0)
            return error_set(err, "%s: \"%s\" is no date; write 2026-03-01 or 2026-03-01T22:15Z (UTC)", row->name,
                             text);
        value->number = (double)utc_s;
        return 0;
    default:
        if (!text[0])
            return error_set(err, "%s needs a value that is not empty", row->name);
        return 0;
    }
}

/* Words of a command line that are still to be read. */
struct cursor {
    int argc;
    char *const *argv;
    int at;
};

/* One option at the cursor. */
static int read_option(struct cursor *c, struct arguments *args, struct error *err)
{
    const char *word = c->argv[c->at++];
    const char *equals = strchr(word, '=');
    size_t size = equals ? (size_t)(equals - word) : strlen(word);
    int common_count;
    const struct option_row *commons = common_options(&common_count);
    const struct option_row *row = find_row(commons, common_count, word, size);
    bool is_common = row != NULL;
    if (!row && args->command)
        row = find_row(args->command->options, args->command->option_count, word, size);
    if (!row)
        return args->command ? error_set(err, "%s%s%s has no option %.*s; --help lists them", args->command->group,
                                         args->command->name ? " " : "", args->command->name ? args->command->name : "",
                                         (int)size, word)
                             : error_set(err, "option %.*s is not known; name the command first", (int)size, word);
    const char *value = equals ? equals + 1 : NULL;
    if (row->kind == OPTION_FLAG && value)
        return error_set(err, "%s takes no value", row->name);
    if (row->kind != OPTION_FLAG && !value) {
        if (c->at == c->argc)
            return error_set(err, "%s needs a value: %s", row->name, row->argument);
        value = c->argv[c->at++];
    }
    if (is_common) {
        set_common(args, row->name, value);
        return 0;
    }
    if (row->kind == OPTION_LIST) {
        if (args->repeat_count == REPEATS_MAX)
            return error_set(err, "%s is given more than %d times", row->name, (int)REPEATS_MAX);
        args->repeats[args->repeat_count].row = row;
        args->repeats[args->repeat_count++].text = value;
        return read_value(row, value, &args->values[row - args->command->options], err);
    }
    struct option_value *slot = &args->values[row - args->command->options];
    if (slot->given)
        return error_set(err, "%s is given twice", row->name);
    if (row->kind == OPTION_FLAG) {
        slot->given = true;
        return 0;
    }
    return read_value(row, value, slot, err);
}

static bool is_group(const char *word)
{
    int count;
    const struct command_row *rows = command_table(&count);
    for (int i = 0; i < count; i++) {
        if (rows[i].name && strcmp(rows[i].group, word) == 0)
            return true;
    }
    return false;
}

static int find_command(struct arguments *args, const char *group, const char *name, struct error *err)
{
    int count;
    const struct command_row *rows = command_table(&count);
    char names[256] = "";
    for (int i = 0; i < count; i++) {
        if (strcmp(rows[i].group, group) != 0)
            continue;
        if (!rows[i].name || (name && strcmp(rows[i].name, name) == 0)) {
            args->command = &rows[i];
            assert(rows[i].option_count <= OPTIONS_MAX);
            return 0;
        }
        (void)text_append(names, sizeof names, "%s%s", names[0] ? ", " : "", rows[i].name);
    }
    if (!names[0])
        return error_set(err, "\"%s\" is no command; soakbench --help lists them", group);
    if (!name)
        return error_set(err, "%s what? One of %s", group, names);
    return error_set(err, "there is no %s %s; %s takes %s", group, name, group, names);
}

static int check_operands(const struct arguments *args, struct error *err)
{
    const struct command_row *row = args->command;
    if (args->help || args->version || !row)
        return 0;
    const char *name = row->name ? row->name : "";
    const char *space = row->name ? " " : "";
    if (args->operand_count < row->operands_min)
        return error_set(err, "%s%s%s needs %s; see soakbench %s%s%s --help", row->group, space, name, row->operands,
                         row->group, space, name);
    if (args->operand_count > row->operands_max)
        return error_set(err, "%s%s%s: \"%s\" is one word too many; put values with spaces into quotes", row->group,
                         space, name, args->operands[row->operands_max]);
    return 0;
}

/* A word that is no option: part of the command's name, or an operand. */
static int read_plain(struct arguments *args, const char **group, const char *word, struct error *err)
{
    if (args->command) {
        if (args->operand_count == OPERANDS_MAX)
            return error_set(err, "more than %d operands", (int)OPERANDS_MAX);
        args->operands[args->operand_count++] = word;
        return 0;
    }
    if (*group)
        return find_command(args, *group, word, err);
    *group = word;
    return is_group(word) ? 0 : find_command(args, word, NULL, err);
}

int arguments_parse(int argc, char *const *argv, struct arguments *args, struct error *err)
{
    *args = (struct arguments){0};
    struct cursor c = {argc, argv, 1};
    const char *group = NULL;
    bool ended = false;
    while (c.at < argc) {
        const char *word = argv[c.at];
        int result;
        if (!ended && strcmp(word, "--") == 0) {
            ended = true;
            c.at++;
            continue;
        }
        if (!ended && word[0] == '-' && word[1] != 0) {
            result = read_option(&c, args, err);
        } else {
            c.at++;
            result = read_plain(args, &group, word, err);
        }
        if (result != 0)
            return -1;
    }
    if (group && !args->command && !args->help)
        return find_command(args, group, NULL, err);
    return check_operands(args, err);
}

const struct option_value *argument(const struct arguments *args, const char *name)
{
    const struct option_row *rows = args->command->options;
    for (int i = 0; i < args->command->option_count; i++) {
        if (strcmp(rows[i].name, name) == 0)
            return &args->values[i];
    }
    assert(!"option is not in the command's table");
    static const struct option_value none = {0};
    return &none;
}

bool argument_flag(const struct arguments *args, const char *name)
{
    return argument(args, name)->given;
}

const char *argument_text(const struct arguments *args, const char *name, const char *otherwise)
{
    const struct option_value *v = argument(args, name);
    return v->given ? v->text : otherwise;
}

const char *argument_again(const struct arguments *args, const char *name, int n)
{
    for (int i = 0; i < args->repeat_count; i++)
        if (strcmp(args->repeats[i].row->name, name) == 0 && n-- == 0)
            return args->repeats[i].text;
    return NULL;
}

double argument_number(const struct arguments *args, const char *name, double otherwise)
{
    const struct option_value *v = argument(args, name);
    return v->given ? v->number : otherwise;
}
