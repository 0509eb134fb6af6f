#include <string.h>

#include "cautions.h"
#include "commands.h"

static void print_options(const struct screen *s, const struct option_row *rows, int count)
{
    const struct column columns[] = {{"", false, false, false}, {"", false, true, false}};
    struct table *t = table_new(columns, 2);
    for (int i = 0; i < count; i++) {
        table_cell(t, "  %s%s%s", rows[i].name, rows[i].argument ? " " : "", rows[i].argument ? rows[i].argument : "");
        if (rows[i].kind == OPTION_WORD) {
            char words[256] = "";
            for (int w = 0; rows[i].words[w]; w++)
                (void)text_append(words, sizeof words, "%s%s", w ? ", " : "", rows[i].words[w]);
            table_cell(t, "%s: %s", rows[i].help, words);
        } else {
            table_cell(t, "%s", rows[i].help);
        }
    }
    table_print(t, s);
    table_free(t);
}

static void print_all(const struct screen *s)
{
    int count;
    const struct command_row *rows = command_table(&count);
    const struct column columns[] = {{"", false, false, false}, {"", false, true, false}};
    struct table *t = table_new(columns, 2);
    fprintf(s->out, "usage: soakbench [--socket PATH | --config FILE] COMMAND ...\n\n"
                    "Works with a bench that proves the duty cycle of welding power sources.\n\nCommands:\n");
    for (int i = 0; i < count; i++) {
        const struct command_row *row = &rows[i];
        table_cell(t, "  %s%s%s%s%s", row->group, row->name ? " " : "", row->name ? row->name : "",
                   row->operands ? " " : "", row->operands ? row->operands : "");
        table_cell(t, "%s", row->summary);
    }
    table_print(t, s);
    table_free(t);
    fputs("\nEvery command:\n", s->out);
    int common_count;
    const struct option_row *common = common_options(&common_count);
    print_options(s, common, common_count);
    fputs("\nExit status: 0 done, met or held; 1 refused or failed; 2 wrong use; 3 not-met; 4 undecided.\n"
          "soakbench COMMAND --help says more about one command.\n",
          s->out);
}

void print_help(const struct screen *s, const struct command_row *command)
{
    if (!command) {
        print_all(s);
        return;
    }
    fprintf(s->out, "usage: soakbench %s%s%s%s%s%s\n\n", command->group, command->name ? " " : "",
            command->name ? command->name : "", command->operands ? " " : "",
            command->operands ? command->operands : "", command->option_count ? " [OPTION ...]" : "");
    print_wrapped(s, 0, command->summary);
    if (command->text) {
        fputc('\n', s->out);
        print_wrapped(s, 0, command->text);
    }
    if (command->option_count) {
        fputs("\nOptions:\n", s->out);
        print_options(s, command->options, command->option_count);
    }
    fputs("\nEvery command:\n", s->out);
    int common_count;
    const struct option_row *common = common_options(&common_count);
    print_options(s, common, common_count);
}

void print_cautions(const struct screen *s)
{
    fprintf(s->out, "%sCautions%s\n", tone_begin(s, TONE_BAD), tone_end(s, TONE_BAD));
    for (int i = 0; i < caution_count(); i++) {
        fputs("  ! ", s->out);
        struct screen narrower = *s;
        if (narrower.width > 44)
            narrower.width -= 4;
        print_wrapped(&narrower, 4, caution_text(i));
    }
}
