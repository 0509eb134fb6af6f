#include "survey_papers.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "run_data.h"
#include "run_export.h"
#include "run_record.h"

void survey_leaves_the_journal(const char *journal, const char *below, int64_t run, int count)
{
    struct error err = {{0}};
    char folder[PATH_CAP], path[PATH_CAP], line[512];
    struct journal_reader *r = journal_reader_open(journal, &err);
    ck_assert_ptr_nonnull(r);
    (void)text_format(folder, sizeof folder, "%.200s/export", below);
    ck_assert_msg(run_export_csv(r, run, folder, "0", NULL, NULL, &err) == 0, "%s", err.text);
    (void)text_format(path, sizeof path, "%.200s/survey.csv", folder);
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    int rows = 0;
    while (fgets(line, sizeof line, f)) {
        ck_assert_int_eq(strncmp(line,
                                 rows == 0   ? "number,outcome,current_a,percent_on,low_pct"
                                 : rows == 1 ? "1,"
                                             : "2,",
                                 2),
                         0);
        rows++;
    }
    (void)fclose(f);
    ck_assert_int_eq(rows, count + 1);
    struct run_data *data = run_data_load(r, run, &err);
    ck_assert_msg(data != NULL, "%s", err.text);
    struct record_options options = {.paper = PAPER_A4};
    const char *keep = getenv("SOAKBENCH_KEEP_RECORD");
    (void)text_format(path, sizeof path, keep ? "%.200s" : "%.200s/record.pdf", keep ? keep : folder);
    ck_assert_msg(run_record_write(data, &options, path, &err) == 0, "%s", err.text);
    if (!keep)
        ck_assert_int_eq(remove(path), 0);
    static const char *const files[] = {"survey.csv", "readings.csv", "events.csv", "verdicts.csv", "datapackage.json"};
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        (void)text_format(path, sizeof path, "%.200s/%s", folder, files[i]);
        ck_assert_int_eq(remove(path), 0);
    }
    ck_assert_int_eq(remove(folder), 0);
    run_data_free(data);
    journal_reader_close(r);
}
