/* Curves thinned to columns: extremes stay and gaps stay gaps, in a run of 12 h at 10 Hz as well. How long that takes
 * is printed by tests/speed/curves. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "journal_fixture.h"
#include "suite_run.h"
#include "web_curves.h"

enum { FIRST = 10 }; /* inputs before the run's first reading */

/* A run of rows readings at 10 Hz; edit changes each. */
static void write_run(const struct fixture *f, uint64_t rows, void (*edit)(uint64_t n, struct journal_reading *m))
{
    struct error err = {""};
    struct journal *j = fixture_open(f, FIXTURE_UTC_NS);
    struct input start = fixture_start(1, 1, 0);
    ck_assert(journal_begin(j, &err) == 0 && journal_put_run(j, &start, 0, &err) == 0);
    for (uint64_t n = 0; n < rows; n++) {
        struct journal_reading m = fixture_reading(n, 0, 1);
        m.seq = n + FIRST;
        m.stamp_ns = (int64_t)n * 100000000;
        edit(n, &m);
        ck_assert_msg(journal_put_reading(j, &m, &err) == 0, "%s", err.text);
    }
    ck_assert(journal_end_run(j, 1, rows + FIRST, (int64_t)rows * 100000000, &err) == 0);
    ck_assert_msg(journal_commit(j, &err) == 0, "%s", err.text);
    journal_close(j);
}

static json_t *curves(const struct fixture *f, int64_t run, double from_s, double to_s, int columns, bool *found)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(f->path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    json_t *o = web_curves(r, run, from_s, to_s, columns, found, &err);
    journal_reader_close(r);
    return o;
}

static double at(const json_t *curve, const char *key, size_t column)
{
    return json_number_value(json_array_get(json_object_get(curve, key), column));
}

/* One peak and one hole of a single reading each, and a minute without I2. */
static void with_peak(uint64_t n, struct journal_reading *m)
{
    m->values[SIG_I2] = n == 4321 ? 911.0 : n == 8765 ? -3.0 : 160.0;
    if (n >= 12000 && n < 12600) {
        m->values[SIG_I2] = NAN;
        m->lost = 1u << SIG_I2;
    }
    /* U2 is read once in 5 s: rare, but never lost. */
    m->values[SIG_U2] = n % 50 == 0 ? 16.4 : NAN;
}

START_TEST(extremes_and_gaps_stay)
{
    struct fixture f;
    bool found;
    fixture_make(&f);
    write_run(&f, 18000, with_peak);
    json_t *o = curves(&f, 1, 0, 0, 30, &found); /* columns of one minute */
    ck_assert_ptr_nonnull(o);
    const json_t *i2 = json_object_get(json_object_get(o, "signals"), "i2");
    const json_t *u2 = json_object_get(json_object_get(o, "signals"), "u2");
    ck_assert_double_eq_tol(json_number_value(json_object_get(o, "to_s")), 1800, 1);
    ck_assert_double_eq(at(i2, "high", 4321 / 600), 911.0);
    ck_assert_double_eq(at(i2, "low", 4321 / 600), 160.0);
    ck_assert_double_eq(at(i2, "low", 8765 / 600), -3.0);
    ck_assert(json_is_null(json_array_get(json_object_get(i2, "low"), 20)));
    ck_assert_int_ge((int)json_array_size(json_object_get(i2, "gaps")), 1);
    ck_assert_int_eq((int)json_integer_value(json_array_get(json_object_get(i2, "gaps"), 0)), 20);
    ck_assert_int_eq((int)json_array_size(json_object_get(u2, "gaps")), 0);
    json_decref(o);
    o = curves(&f, 1, 430, 435, 50, &found); /* closer: each reading in a column of its own */
    i2 = json_object_get(json_object_get(o, "signals"), "i2");
    ck_assert_double_eq(at(i2, "high", 21), 911.0);
    json_decref(o);
    fixture_remove(&f);
}
END_TEST

START_TEST(odd_questions_are_answered)
{
    struct fixture f;
    bool found;
    fixture_make(&f);
    write_run(&f, 0, with_peak); /* a run without a single reading */
    json_t *o = curves(&f, 1, 0, 0, 100, &found);
    ck_assert_ptr_nonnull(o);
    ck_assert_int_eq((int)json_object_size(json_object_get(o, "signals")), 0);
    json_decref(o);
    ck_assert_ptr_null(curves(&f, 2, 0, 0, 100, &found));
    ck_assert(!found);
    ck_assert_ptr_null(curves(&f, 1, 0, 0, 0, &found));
    ck_assert_ptr_null(curves(&f, 1, 0, 0, CURVE_COLUMNS_MAX + 1, &found));
    fixture_remove(&f);
}
END_TEST

/* Every reading counts: one peak among two hours of them. */
static void with_one_peak(uint64_t n, struct journal_reading *m)
{
    m->values[SIG_I2] = n == 50001 ? 911.0 : 160.0;
}

START_TEST(many_readings_a_column)
{
    enum { COLUMNS = 700 };
    const uint64_t rows = 2 * 36000;
    struct fixture f;
    bool found;
    fixture_make(&f);
    write_run(&f, rows, with_one_peak);
    json_t *o = curves(&f, 1, 0, 0, COLUMNS, &found);
    ck_assert_ptr_nonnull(o);
    const json_t *i2 = json_object_get(json_object_get(o, "signals"), "i2");
    ck_assert_double_eq_tol(json_number_value(json_object_get(o, "to_s")), 7200, 1);
    ck_assert_int_eq((int)json_array_size(json_object_get(i2, "high")), COLUMNS);
    ck_assert_int_eq((int)json_array_size(json_object_get(i2, "gaps")), 0);
    for (size_t k = 0; k < COLUMNS; k++) {
        ck_assert_double_eq(at(i2, "low", k), 160.0);
        ck_assert_double_eq(at(i2, "high", k), k == 50001 * COLUMNS / rows ? 911.0 : 160.0);
    }
    json_decref(o);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("web curves");
    TCase *tc = tcase_create("columns");
    tcase_set_timeout(tc, 110);
    tcase_add_test(tc, extremes_and_gaps_stay);
    tcase_add_test(tc, odd_questions_are_answered);
    tcase_add_test(tc, many_readings_a_column);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
