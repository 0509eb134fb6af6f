/* One table of commands and their options drives parsing, help and shell completion. A command is one or two words
 * ("status", "run start"); options are long only, "--name value" or "--name=value"; "--" ends them. */
#ifndef OPTIONS_H
#define OPTIONS_H

#include <stdbool.h>
#include <stdint.h>

#include "error.h"
#include "quantity.h"

enum { OPTIONS_MAX = 48, REPEATS_MAX = 24, OPERANDS_MAX = 16 };

enum option_kind {
    OPTION_FLAG, /* no value */
    OPTION_TEXT, /* any text */
    OPTION_FILE, /* a path: completed as one */
    OPTION_FOLDER,
    OPTION_WORD,     /* one of words */
    OPTION_INTEGER,  /* low to high */
    OPTION_NUMBER,   /* a plain number */
    OPTION_QUANTITY, /* a number with a unit of dim */
    OPTION_PERCENT,  /* a number of percent, with or without its sign */
    OPTION_DATE,     /* a date or date and time, UTC */
    OPTION_LIST,     /* any text, and the option may be given again */
};

struct option_row {
    const char *name; /* with its dashes */
    enum option_kind kind;
    const char *argument; /* name of the value in help; NULL for a flag */
    const char *help;
    enum dimension dim;
    const char *const *words; /* ends with NULL */
    int64_t low, high;
};

/* What an operand is, for completion. */
enum operand_kind {
    OPERAND_NONE,
    OPERAND_FILE,
    OPERAND_CHANNEL,
    OPERAND_UNIT,
    OPERAND_RUN,
    OPERAND_DEVICE,
    OPERAND_WORD
};

struct client;
struct arguments;

struct command_row {
    const char *group;    /* first word */
    const char *name;     /* second word; NULL: the command is one word */
    const char *operands; /* as help prints them: "RUN", "[CHANNEL]"; NULL: none */
    enum operand_kind operand_kind;
    int operands_min, operands_max;
    const char *summary; /* one line */
    const char *text;    /* more, for the command's own help; may be NULL */
    const struct option_row *options;
    int option_count;
    int (*run)(struct client *client, const struct arguments *args); /* exit status */
};

struct option_value {
    bool given;
    const char *text; /* as written; belongs to argv */
    double number;    /* INTEGER, NUMBER, QUANTITY in base unit, DATE in UTC seconds */
    int word;         /* WORD: index */
};

struct arguments {
    const struct command_row *command; /* NULL: none was named */
    bool help, version, json;
    const char *socket, *config, *journal;   /* NULL: not given */
    struct option_value values[OPTIONS_MAX]; /* by row of command->options */
    int repeat_count;
    struct {
        const struct option_row *row;
        const char *text;
    } repeats[REPEATS_MAX]; /* OPTION_LIST, in their order */
    const char *operands[OPERANDS_MAX];
    int operand_count;
};

/* All commands, in the order of help. */
const struct command_row *command_table(int *count);

/* Options that every command has. */
const struct option_row *common_options(int *count);

/* Reads the words of a command line (argv[0] is the program and is skipped). Returns 0; -1 with err, which says what
 * was wrong and what would be right. Nothing is printed. */
int arguments_parse(int argc, char *const *argv, struct arguments *args, struct error *err);

/* A value by the option's name, which must be in the command's table; given is false where it was not written. */
const struct option_value *argument(const struct arguments *args, const char *name);
bool argument_flag(const struct arguments *args, const char *name);
/* Text, or otherwise when it was not given. */
const char *argument_text(const struct arguments *args, const char *name, const char *otherwise);
/* Value number n (from 0) of an OPTION_LIST; NULL when there are no more. */
const char *argument_again(const struct arguments *args, const char *name, int n);
double argument_number(const struct arguments *args, const char *name, double otherwise);

#endif
