/* The table of commands, and text laid out for a screen. */
#include <check.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "csv.h"
#include "options.h"
#include "screen.h"
#include "suite_run.h"

struct parse_case {
    const char *words[10];
    const char *error; /* part of it; NULL: good */
};

static const struct parse_case parse_cases[] = {
    {{"status"}, NULL},
    {{"status", "--json"}, NULL},
    {{"--json", "status"}, NULL},
    {{"--socket", "/run/x.sock", "status"}, NULL},
    {{"--socket=/run/x.sock", "status"}, NULL},
    {{"run", "start", "A", "--unit", "HQ-1", "--procedure=proof", "--soak", "8 h"}, NULL},
    {{"unit", "show", "--", "--odd-serial"}, NULL},
    {{"calc", "lead", "--percent-on", "60 %", "--current", "200 A"}, NULL},
    {{"run", "--help"}, NULL},
    {{"stats"}, "no command"},
    {{"run"}, "plan, start"},
    {{"run", "stop"}, "plan, start"},
    {{"status", "--loud"}, "no option --loud"},
    {{"--loud"}, "--loud"},
    {{"status", "A"}, "one word too many"},
    {{"unit", "show"}, "needs SERIAL"},
    {{"status", "--json=yes"}, "takes no value"},
    {{"run", "start", "A", "--unit"}, "needs a value"},
    {{"run", "start", "A", "--unit", "x", "--unit", "y"}, "twice"},
    {{"run", "start", "A", "--procedure", "roast"}, "screen, proof"},
    {{"run", "start", "A", "--cycles", "0"}, "from 1 to"},
    {{"run", "start", "A", "--cycles", "1.5"}, "whole number"},
    {{"run", "start", "A", "--soak", "8"}, "--soak"},
    {{"run", "start", "A", "--soak", "8 A"}, "--soak"},
    {{"run", "start", "A", "--unit", ""}, "not empty"},
    {{"run", "list", "--since", "yesterday"}, "no date"},
};

START_TEST(test_parse)
{
    const struct parse_case *c = &parse_cases[_i];
    char *argv[12] = {(char *)"soakbench"};
    int argc = 1;
    for (; c->words[argc - 1]; argc++)
        argv[argc] = (char *)c->words[argc - 1];
    struct arguments args;
    struct error err = {{0}};
    int result = arguments_parse(argc, argv, &args, &err);
    ck_assert_msg((result == 0) == (c->error == NULL), "\"%s\"", err.text);
    if (c->error)
        ck_assert_msg(strstr(err.text, c->error) != NULL, "\"%s\" is not in \"%s\"", c->error, err.text);
}
END_TEST

START_TEST(test_values)
{
    char *argv[] = {(char *)"soakbench", (char *)"run",         (char *)"start",      (char *)"A",
                    (char *)"--soak",    (char *)"8 h",         (char *)"--cycles=3", (char *)"--unattended",
                    (char *)"--json",    (char *)"--procedure", (char *)"soak"};
    struct arguments args;
    struct error err;
    ck_assert_int_eq(arguments_parse((int)(sizeof argv / sizeof argv[0]), argv, &args, &err), 0);
    ck_assert(args.json);
    ck_assert_int_eq(args.operand_count, 1);
    ck_assert_double_eq(argument_number(&args, "--soak", 0), 28800.0);
    ck_assert_double_eq(argument_number(&args, "--cycles", 0), 3.0);
    ck_assert(argument_flag(&args, "--unattended"));
    ck_assert(!argument_flag(&args, "--setting"));
    ck_assert_int_eq(argument(&args, "--procedure")->word, 2);
    ck_assert_str_eq(argument_text(&args, "--unit", "none"), "none");
}
END_TEST

/* What the table must hold for help, completion and parsing to agree. */
START_TEST(test_table_is_sound)
{
    int count, common_count;
    const struct command_row *rows = command_table(&count);
    const struct option_row *common = common_options(&common_count);
    for (int i = 0; i < count; i++) {
        const struct command_row *r = &rows[i];
        ck_assert_int_le(r->option_count, OPTIONS_MAX);
        ck_assert(r->run && r->summary && r->summary[0]);
        ck_assert_msg((r->operands != NULL) == (r->operands_max > 0), "%s %s", r->group, r->name);
        for (int k = 0; k < i; k++)
            ck_assert_msg(strcmp(r->group, rows[k].group) != 0 ||
                              (r->name && rows[k].name && strcmp(r->name, rows[k].name)),
                          "%s is there twice", r->group);
        for (int o = 0; o < r->option_count; o++) {
            const struct option_row *option = &r->options[o];
            ck_assert_msg(strncmp(option->name, "--", 2) == 0, "%s", option->name);
            ck_assert_msg((option->kind == OPTION_FLAG) == (option->argument == NULL), "%s", option->name);
            ck_assert((option->kind == OPTION_WORD) == (option->words != NULL));
            for (int k = 0; k < o; k++)
                ck_assert_str_ne(option->name, r->options[k].name);
            for (int k = 0; k < common_count; k++)
                ck_assert_str_ne(option->name, common[k].name);
        }
    }
}
END_TEST

/* The text that a function prints, through a temporary file. */
struct capture {
    FILE *f;
    char text[65536];
};

static void capture_begin(struct capture *c, struct screen *s, int width)
{
    c->f = tmpfile();
    ck_assert_ptr_nonnull(c->f);
    *s = (struct screen){.out = c->f, .width = width};
}

static void capture_end(struct capture *c)
{
    rewind(c->f);
    size_t n = fread(c->text, 1, sizeof c->text - 1, c->f);
    c->text[n] = 0;
    fclose(c->f);
}

static int longest_line(const char *text)
{
    int longest = 0;
    char copy[65536];
    (void)text_copy(copy, sizeof copy, text);
    char *state = NULL;
    for (char *line = strtok_r(copy, "\n", &state); line; line = strtok_r(NULL, "\n", &state)) {
        int w = text_width(line);
        longest = w > longest ? w : longest;
        ck_assert_msg(line[strlen(line) - 1] != ' ', "a line ends with a space");
    }
    return longest;
}

static struct table *sample_table(void)
{
    const struct column columns[] = {{"run", true, false, false},
                                     {"unit", false, false, false},
                                     {"verdict", false, false, true},
                                     {"why", false, true, false}};
    struct table *t = table_new(columns, 4);
    table_cell(t, "%d", 12);
    table_cell(t, "HQ-0147");
    table_cell(t, "undecided");
    table_cell(t, "the supply was lost after 2.1 min at 14\xc2\xa0\xc2\xb0 before the rated time: this circuit cannot "
                  "carry this rating");
    table_cell(t, "%d", 3);
    table_cell(t, "HQ-0152");
    table_cell(t, "met");
    table_cell(t, "held\ttwice");
    return t;
}

/* At every width of a terminal no line is longer than it, and no word of a loose column gets lost. */
START_TEST(test_table_fits)
{
    static struct capture c;
    for (int width = 40; width <= 130; width++) {
        struct screen s;
        struct table *t = sample_table();
        capture_begin(&c, &s, width);
        table_print(t, &s);
        capture_end(&c);
        table_free(t);
        ck_assert_int_le(longest_line(c.text), width);
        static const char *const words[] = {"supply", "2.1",     "\xc2\xb0",  "circuit",
                                            "rating", "HQ-0147", "undecided", "held twice"};
        for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
            ck_assert_msg(strstr(c.text, words[i]) != NULL, "%s is lost at width %d:\n%s", words[i], width, c.text);
    }
}
END_TEST

/* A sentence gets a line of its own rather than a column of a few letters; words stay whole. */
START_TEST(test_a_sentence_goes_below_its_row)
{
    static struct capture c;
    struct screen s;
    struct table *t = sample_table();
    capture_begin(&c, &s, 50);
    table_print(t, &s);
    capture_end(&c);
    table_free(t);
    ck_assert_msg(strstr(c.text, "undecided\n     the supply was lost after 2.1 min") != NULL, "%s", c.text);
    ck_assert_msg(strstr(c.text, "met\n     held twice\n") != NULL, "%s", c.text);
    t = sample_table();
    capture_begin(&c, &s, 90);
    table_print(t, &s);
    capture_end(&c);
    table_free(t);
    ck_assert_msg(strstr(c.text, "undecided  the supply was lost") != NULL, "%s", c.text);
}
END_TEST

START_TEST(test_table_without_limit_keeps_lines_whole)
{
    static struct capture c;
    struct screen s;
    struct table *t = sample_table();
    capture_begin(&c, &s, 0);
    table_print(t, &s);
    capture_end(&c);
    table_free(t);
    int lines = 0;
    for (const char *p = c.text; *p; p++)
        lines += *p == '\n';
    ck_assert_int_eq(lines, 3);
    ck_assert_ptr_null(strchr(c.text, '\033'));
}
END_TEST

START_TEST(test_wrapping)
{
    static struct capture c;
    struct screen s;
    capture_begin(&c, &s, 40);
    print_wrapped(&s, 4, "Load banks, leads and connectors get hot enough to burn skin and start fires.");
    capture_end(&c);
    ck_assert_int_le(longest_line(c.text), 40);
    ck_assert_ptr_nonnull(strstr(c.text, "\n    "));
}
END_TEST

/* no-color convention: colours only on terminals, and not when NO_COLOR is set and not empty. */
START_TEST(test_colours)
{
    struct screen s = screen_of(stdout);
    FILE *f = tmpfile();
    ck_assert_ptr_nonnull(f);
    s = screen_of(f);
    ck_assert(!s.terminal && !s.coloured);
    ck_assert_str_eq(tone_begin(&s, TONE_BAD), "");
    s.coloured = true;
    ck_assert_str_ne(tone_begin(&s, tone_of("not-met")), tone_begin(&s, tone_of("met")));
    ck_assert_str_eq(tone_end(&s, TONE_PLAIN), "");
    fclose(f);
}
END_TEST

static void write_text(const char *path, const char *text)
{
    FILE *f = fopen(path, "wb");
    ck_assert_ptr_nonnull(f);
    fputs(text, f);
    fclose(f);
}

/* RFC 4180: quoted cells may hold separators, doubled quotes and line ends. */
START_TEST(test_csv)
{
    char path[] = "/tmp/csv-XXXXXX";
    ck_assert_int_ge(mkstemp(path), 0);
    write_text(
        path,
        "\xef\xbb\xbf# note\r\nSerial;maker\r\n\r\nHQ-1;\"Harrow; \"\"Quay\"\"\"\r\n# skip\nHQ-2\nHQ-3;\"two\nlines\"");
    struct csv csv;
    struct error err;
    ck_assert_msg(csv_read(path, &csv, &err) == 0, "%s", err.text);
    ck_assert_int_eq(csv.column_count, 2);
    ck_assert_uint_eq(csv.row_count, 3);
    ck_assert_int_eq(csv_column(&csv, "serial"), 0);
    ck_assert_int_eq(csv_column(&csv, "model"), -1);
    ck_assert_str_eq(csv_cell(&csv, 0, 1), "Harrow; \"Quay\"");
    ck_assert_str_eq(csv_cell(&csv, 1, 1), "");
    ck_assert_str_eq(csv_cell(&csv, 2, 1), "two\nlines");
    ck_assert_int_eq(csv.lines[0], 4);
    ck_assert_int_eq(csv.lines[2], 7);
    csv_free(&csv);
    unlink(path);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("client layout");
    TCase *t = tcase_create("layout");
    tcase_set_timeout(t, 30);
    tcase_add_loop_test(t, test_parse, 0, (int)(sizeof parse_cases / sizeof parse_cases[0]));
    tcase_add_test(t, test_values);
    tcase_add_test(t, test_table_is_sound);
    tcase_add_test(t, test_table_fits);
    tcase_add_test(t, test_a_sentence_goes_below_its_row);
    tcase_add_test(t, test_table_without_limit_keeps_lines_whole);
    tcase_add_test(t, test_wrapping);
    tcase_add_test(t, test_colours);
    tcase_add_test(t, test_csv);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
