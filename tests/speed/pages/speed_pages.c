/* What a page and a paper of a run of twelve hours cost beside reading the same rows bare from SQLite, and beside one
 * pass over the same values in memory. */
#include <check.h>
#include <jansson.h>
#include <math.h>
#include <sqlite3.h>
#include <string.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "run_data.h"
#include "run_record.h"
#include "soak_journal.h"
#include "speed.h"
#include "web_curves.h"

enum { ROUNDS = 5, COLUMNS = 700, HOURS = 12, RATE_HZ = 10 };

/* All values of a run's rows, read by nothing but SQLite; the sum keeps the compiler honest. */
static double bare_s(const char *path, double *sum, int64_t *values)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, "SELECT * FROM reading_rows WHERE run_no = 1 ORDER BY row", -1, &st, NULL) != SQLITE_OK)
        speed_fail("sqlite", sqlite3_errmsg(db));
    int columns = sqlite3_column_count(st);
    *values = 0;
    double begin = speed_now_s();
    while (sqlite3_step(st) == SQLITE_ROW) {
        for (int k = 0; k < columns; k++)
            *sum += sqlite3_column_double(st, k);
        *values += columns;
    }
    double took = speed_now_s() - begin;
    (void)sqlite3_finalize(st);
    (void)sqlite3_close(db);
    return took;
}

/* As many doubles, lowest and highest of each stretch, straight from memory. */
static double memory_s(const double *in, int64_t count, double *sum)
{
    double begin = speed_now_s();
    int64_t stretch = count / COLUMNS;
    for (int64_t at = 0; at + stretch <= count; at += stretch) {
        double low = in[at], high = in[at];
        for (int64_t i = at; i < at + stretch; i++) {
            low = in[i] < low ? in[i] : low;
            high = in[i] > high ? in[i] : high;
        }
        *sum += high - low;
    }
    return speed_now_s() - begin;
}

static double curves_s(const char *path)
{
    struct error err = {""};
    bool found = false;
    double begin = speed_now_s();
    struct journal_reader *r = journal_reader_open(path, &err);
    json_t *o = r != NULL ? web_curves(r, 1, 0, 0, COLUMNS, &found, &err) : NULL;
    char *text = o != NULL ? json_dumps(o, JSON_COMPACT) : NULL;
    if (text == NULL)
        speed_fail("curves", err.text);
    free(text);
    json_decref(o);
    journal_reader_close(r);
    return speed_now_s() - begin;
}

static double paper_s(const char *path, const char *pdf)
{
    static const struct record_options options = {.version = "0", .issued_utc_s = 1767700000};
    struct error err = {""};
    double begin = speed_now_s();
    struct journal_reader *r = journal_reader_open(path, &err);
    struct run_data *data = r != NULL ? run_data_load(r, 1, &err) : NULL;
    if (data == NULL || run_record_write(data, &options, pdf, &err) != 0)
        speed_fail("record", err.text);
    run_data_free(data);
    journal_reader_close(r);
    return speed_now_s() - begin;
}

static void print_beside(const char *what, const char *path, double (*run)(const char *path, const char *pdf),
                         const char *pdf)
{
    double ours[ROUNDS], bare[ROUNDS], memory[ROUNDS], sum = 0;
    int64_t values = 0;
    (void)bare_s(path, &sum, &values); /* the file is in the system's cache from here on */
    double *in = malloc((size_t)values * sizeof *in);
    if (in == NULL)
        speed_fail(what, "out of memory");
    for (int64_t i = 0; i < values; i++)
        in[i] = sin((double)i);
    for (int i = 0; i < ROUNDS; i++) {
        ours[i] = run(path, pdf);
        bare[i] = bare_s(path, &sum, &values);
        memory[i] = memory_s(in, values, &sum);
    }
    free(in);
    double a = speed_median(ours, ROUNDS), b = speed_median(bare, ROUNDS), c = speed_median(memory, ROUNDS);
    (void)printf("%s: %.0f ms; the same rows bare from SQLite %.0f ms, ratio %.2f; as many values in memory %.1f ms,"
                 " ratio %.0f%s\n",
                 what, a * 1e3, b * 1e3, a / b, c * 1e3, a / c, isnan(sum) ? " " : "");
}

static double run_curves(const char *path, const char *pdf)
{
    (void)pdf;
    return curves_s(path);
}

static void page(void)
{
    struct fixture f;
    struct error err = {""};
    const uint64_t rows = HOURS * 3600 * RATE_HZ;
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    struct input start = fixture_start(1, 1, 0);
    if (journal_begin(j, &err) != 0 || journal_put_run(j, &start, 0, &err) != 0)
        speed_fail("journal", err.text);
    for (uint64_t n = 0; n < rows; n++) {
        struct journal_reading m = fixture_reading(n, 0, 1);
        m.seq = n + 2;
        m.stamp_ns = (int64_t)n * (1000000000 / RATE_HZ);
        if (journal_put_reading(j, &m, &err) != 0)
            speed_fail("journal", err.text);
    }
    if (journal_end_run(j, 1, rows + 2, (int64_t)rows * (1000000000 / RATE_HZ), &err) != 0 ||
        journal_commit(j, &err) != 0)
        speed_fail("journal", err.text);
    journal_close(j);
    print_beside("curves of 12 h at 10 Hz", f.path, run_curves, NULL);
    fixture_remove(&f);
}

static void paper(void)
{
    struct soak_journal s;
    char pdf[128];
    soak_journal_begin(&s);
    struct soak_run run = soak_run_plain(1, 0);
    run.procedure = PROCEDURE_SOAK;
    run.length_s = HOURS * 3600;
    run.reading_s = 0.5;
    soak_journal_run(&s, &run);
    (void)snprintf(pdf, sizeof pdf, "%s/record.pdf", s.folder);
    print_beside("record of 12 h with 86400 rows", s.path, paper_s, pdf);
    (void)unlink(pdf);
    soak_journal_end(&s);
}

START_TEST(figures)
{
    page();
    paper();
}
END_TEST

/* The fixtures that make the journals are those of the tests and want to be inside one. */
int main(void)
{
    Suite *suite = suite_create("speed of pages");
    TCase *t = tcase_create("figures");
    tcase_add_test(t, figures);
    suite_add_tcase(suite, t);
    SRunner *runner = srunner_create(suite);
    srunner_set_fork_status(runner, CK_NOFORK);
    srunner_run_all(runner, CK_SILENT);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
