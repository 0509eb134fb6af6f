/* The paper record: what is printed is what the journal holds, and what the trade asks of a record stands on it; a long
 * soak goes on further pages; a print without colours keeps every curve apart. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "run_record.h"
#include "soak_journal.h"
#include "suite_run.h"
#include "unit_tag.h"

static char *read_command(const char *command)
{
    FILE *f = popen(command, "r");
    ck_assert_ptr_nonnull(f);
    char *text = calloc(1, 1 << 20);
    ck_assert_ptr_nonnull(text);
    size_t used = fread(text, 1, (1 << 20) - 1, f);
    text[used] = '\0';
    (void)pclose(f);
    return text;
}

/* The paper is too long for a message of a test. */
static void expect(const char *text, const char *words)
{
    if (strstr(text, words) == NULL)
        fprintf(stderr, "%s\n", text);
    ck_assert_msg(strstr(text, words) != NULL, "\"%s\" is not on the paper", words);
}

static int have(const char *tool)
{
    char command[100];
    (void)text_format(command, sizeof command, "command -v %s >/dev/null", tool);
    return system(command) == 0;
}

/* Writes the record of run_no and gives its text, white space as single spaces; NULL when pdftotext is missing. */
static char *paper_of(struct soak_journal *s, int64_t run_no, struct record_options options, int64_t pair_no)
{
    struct error err = {{0}};
    struct journal_reader *reader = journal_reader_open(s->path, &err);
    ck_assert_msg(reader != NULL, "%s", err.text);
    struct run_data *data = run_data_load(reader, run_no, &err);
    ck_assert_msg(data != NULL, "%s", err.text);
    struct run_data *pair = pair_no ? run_data_load(reader, pair_no, &err) : NULL;
    char path[128], command[300];
    (void)text_format(path, sizeof path, "%s/record.pdf", s->folder);
    options.pair = pair;
    ck_assert_msg(run_record_write(data, &options, path, &err) == 0, "%s", err.text);
    run_data_free(data);
    run_data_free(pair);
    journal_reader_close(reader);
    if (!have("pdftotext"))
        return NULL;
    (void)text_format(command, sizeof command, "pdftotext -layout %s - | tr -s ' \\n\\f' '   '", path);
    return read_command(command);
}

static const struct record_options plain = {.customer = "Farrow Steel Erectors",
                                            .job = "J-88",
                                            .site = "Harrow Quay Hire",
                                            .issued_utc_s = 1767700000,
                                            .received_utc_s = 1767590000,
                                            .version = "0"};

START_TEST(everything_a_record_needs_is_printed)
{
    /* The list follows ISO/IEC 17025:2017, 7.8.2 and 7.8.6 (from memory: M), and common practice. Figures: the run is
     * 244 s at 160 A; U of I2 is the meter's 1 % (k = 2); U of the time is the verdict's own. */
    static const char *const wanted[] = {"record north-bay-1-1",
                                         "page 1 of",
                                         "Harrow Quay Hire",
                                         "Farrow Steel Erectors",
                                         "J-88",
                                         "HQ-0147",
                                         "A-2051",
                                         "Quillhaven",
                                         "T160 Lift",
                                         "2019",
                                         "2026-01-05 08:00:00 UTC",
                                         "Ines",
                                         "not done",
                                         "not yet",
                                         "tig dc 160 A at 40 %",
                                         "16.4 V",
                                         "160.0 A, U = 1.6 A (k = 2)",
                                         "16.40 V, U = 0.16 V (k = 2)",
                                         "230.0 V, U not stated",
                                         "20.0 degC, U = 1.0 K (k = 2)",
                                         "244.0 s, U = 1.2 s (k = 2)",
                                         "40.67 %",
                                         "HQ-C-118",
                                         "kind: cold start",
                                         "kind: cool intake",
                                         "harsh: altitude",
                                         "1250 m",
                                         "a fail for this unit",
                                         "judged exhaust air",
                                         "loop and extension 0.25 ohm",
                                         "guard band of U",
                                         "1 of 40",
                                         "Estimated, not measured",
                                         "relates only to the item tested",
                                         "Load conditions taken from",
                                         "accreditation",
                                         "mains and welding outputs can kill",
                                         "SHA-256",
                                         "said by the test"};
    struct soak_journal s;
    soak_journal_begin(&s);
    struct soak_run run = soak_run_plain(1, 0);
    soak_journal_run(&s, &run);
    char *text = paper_of(&s, 1, plain, 0);
    for (size_t i = 0; text != NULL && i < sizeof wanted / sizeof wanted[0]; i++)
        expect(text, wanted[i]);
    if (text != NULL) {
        ck_assert_ptr_null(strstr(text, "tested to IEC"));
        ck_assert_ptr_null(strstr(text, "As found and as left"));
        ck_assert_ptr_null(strstr(text, "supersedes"));
    }
    free(text);
    soak_journal_end(&s);
}
END_TEST

START_TEST(a_pair_and_earlier_revisions_are_named)
{
    struct soak_journal s;
    soak_journal_begin(&s);
    struct soak_run found = soak_run_plain(1, 0), left = soak_run_plain(2, 90000);
    found.on_s = 123;
    found.reset_s = 237;
    left.revisions = 2;
    soak_journal_run(&s, &found);
    soak_journal_run(&s, &left);
    struct record_options options = plain;
    options.pair_role = "as left";
    char *text = paper_of(&s, 2, options, 1);
    static const char *const wanted[] = {"As found and as left",
                                         "run 1 run 2",
                                         "123.0 s of 240 s 244.0 s of 240 s",
                                         "not-met (cold-cycle) held (cold-cycle)",
                                         "237 s",
                                         "north-bay-2-2",
                                         "Revision 2. It supersedes",
                                         "revision 1 of 2026-01-06",
                                         "said by the test in revision 1"};
    for (size_t i = 0; text != NULL && i < sizeof wanted / sizeof wanted[0]; i++)
        expect(text, wanted[i]);
    free(text);
    soak_journal_end(&s);
}
END_TEST

START_TEST(twelve_hours_fit_on_further_pages)
{
    struct soak_journal s;
    soak_journal_begin(&s);
    struct soak_run run = soak_run_plain(1, 0);
    run.procedure = PROCEDURE_SOAK;
    run.length_s = 12 * 3600;
    run.reading_s = 0.5;
    soak_journal_run(&s, &run);
    char *text = paper_of(&s, 1, plain, 0);
    if (text != NULL) {
        ck_assert_ptr_nonnull(strstr(text, "The last 18 of 72 cycles"));
        ck_assert_ptr_nonnull(strstr(text, "page 5 of 5"));
    }
    free(text);
    soak_journal_end(&s);
}
END_TEST

START_TEST(a_print_without_colours_is_legible)
{
    struct soak_journal s;
    soak_journal_begin(&s);
    struct soak_run run = soak_run_plain(1, 0);
    soak_journal_run(&s, &run);
    free(paper_of(&s, 1, plain, 0));
    if (have("pdftoppm")) {
        char command[300];
        (void)text_format(command, sizeof command, "pdftoppm -mono -r 100 -f 2 -l 2 %s/record.pdf %s/page", s.folder,
                          s.folder);
        ck_assert_int_eq(system(command), 0);
        /* Pure black and white: the curve page keeps its ink (frames, curves, letters) and stays mostly paper. */
        (void)text_format(command, sizeof command,
                          "python3 -c \"import sys; d=open(sys.argv[1],'rb').read().split(b'\\n',2)[2]; "
                          "n=sum(bin(b).count('1') for b in d); print(1000*n//(8*len(d)))\" %s/page-*.pbm",
                          s.folder);
        char *text = read_command(command);
        int promille = atoi(text);
        ck_assert_msg(promille > 10 && promille < 200, "ink: %s of 1000", text);
        free(text);
    }
    soak_journal_end(&s);
}
END_TEST

START_TEST(a_tag_says_where_the_unit_goes)
{
    struct error err = {{0}};
    char folder[] = "/tmp/unit-tag-XXXXXX", path[64], command[300];
    ck_assert_ptr_nonnull(mkdtemp(folder));
    (void)text_format(path, sizeof path, "%s/tag.pdf", folder);
    struct unit_tag tag = {.to = "quarantine",
                           .serial = "HQ-0147",
                           .asset = "A-2051",
                           .maker = "Quillhaven",
                           .model = "T160 Lift",
                           .who = "M. Sedge",
                           .date = "2026-01-06",
                           .due = "2026-02-06",
                           .basis = "run 6: not-met (warm-cycle)",
                           .note = "vents full of dust"};
    static const char *const wanted[] = {"QUARANTINE: DO NOT USE",
                                         "HQ-0147",
                                         "A-2051",
                                         "Quillhaven T160 Lift",
                                         "M. Sedge",
                                         "2026-01-06",
                                         "2026-02-06",
                                         "run 6: not-met (warm-cycle)",
                                         "vents full of dust"};
    ck_assert_msg(unit_tag_write(&tag, path, &err) == 0, "%s", err.text);
    if (have("pdftotext")) {
        (void)text_format(command, sizeof command, "pdftotext -layout %s - | tr -s ' \\n\\f' '   '", path);
        char *text = read_command(command);
        for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++)
            expect(text, wanted[i]);
        free(text);
    }
    ck_assert_int_eq(unlink(path), 0);
    ck_assert_int_eq(rmdir(folder), 0);
    ck_assert_int_eq(unit_tag_write(&tag, path, &err), -1); /* the folder is gone: said, not crashed */
    ck_assert_ptr_nonnull(strstr(err.text, "writable"));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("record");
    TCase *t = tcase_create("record");
    tcase_set_timeout(t, 100);
    tcase_add_test(t, everything_a_record_needs_is_printed);
    tcase_add_test(t, a_pair_and_earlier_revisions_are_named);
    tcase_add_test(t, twelve_hours_fit_on_further_pages);
    tcase_add_test(t, a_print_without_colours_is_legible);
    tcase_add_test(t, a_tag_says_where_the_unit_goes);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
