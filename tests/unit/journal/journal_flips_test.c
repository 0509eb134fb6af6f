/* One bit of one field that the digests cover is turned over, in rows as they are committed and in sealed blocks:
 * verify finds every one. SOAKBENCH_LONG: 1,000 bits, else 60. (journal_fault_test turns over bits anywhere in the
 * file.) */
#include <check.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "journal_fixture.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

/* The tables that hold what is covered, and where the whole row is not, which of its columns are. */
static const struct {
    const char *table, *columns; /* NULL: all */
} covered[] = {
    {"sessions", NULL},
    {"session_blobs", NULL},
    {"session_channels", NULL},
    {"session_signals", "name, kind, unit, certificate"},
    {"event_rows", NULL},
    {"reading_rows", NULL},
    {"verdict_rows", NULL},
    {"run_rows", NULL},
    {"plate_rows", "utc_s, bytes"},
    {"inspections", "serial, kind, who, reference, done_utc_s, due_utc_s, passed, note"},
    {"addenda", "run_no, utc_s, kind, who, name, note, size, digest"},
    {"blobs", "bytes"},
    {"input_blocks", "bytes"},
    {"reading_blocks", NULL},
    {"sealed_inputs", NULL},
    {"seals", NULL},
    {"batches", NULL},
};

static uint32_t next_random(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return *state >> 8;
}

/* Both sessions hold the same; the first one is sealed. */
static void make_record(const struct fixture *f, struct digest *head)
{
    struct error err = {""};
    const struct journal_upkeep seal = {.seal_before_utc_us = FIXTURE_UTC_NS / 1000 + INT64_C(1800000000)};
    struct journal *j = NULL;
    for (int i = 0; i < 2; i++) {
        j = fixture_open(f, FIXTURE_UTC_NS + i * INT64_C(3600000000000));
        struct input start = fixture_start(1, i + 1, 0);
        OK(journal_begin(j, &err));
        OK(journal_put_run(j, &start, start.seen_ns, &err));
        struct unit_plate plate = {.serial = "HQ-0147", .maker = "Quayline", .rating_count = i};
        OK(journal_put_unit(j, &plate, 1000, NULL, &err));
        struct journal_inspection t = {.serial = "HQ-0147", .kind = "yearly", .who = "R. Field", .done_utc_s = 5};
        OK(journal_put_inspection(j, &t, &err));
        OK(journal_commit(j, &err));
        for (uint64_t n = 1; n <= 40; n++)
            OK(fixture_batch(j, n, &err));
        struct verdict v = fixture_verdict(i + 1, 1);
        OK(journal_begin(j, &err));
        OK(journal_put_verdict(j, &v, 40, INT64_C(4) * 1000000000, &err));
        OK(journal_end_run(j, i + 1, 40, INT64_C(4) * 1000000000, &err));
        OK(journal_commit(j, &err));
        struct journal_addendum a = {
            .run_no = i + 1, .utc_s = 7, .kind = ADDENDUM_FILE, .who = "R. Field", .name = "a"};
        OK(journal_begin(j, &err));
        OK(journal_put_addendum(j, &a, i == 0 ? "photo" : "sheet", 5, &err));
        OK(journal_end_session(j, INT64_C(5) * 1000000000, &err));
        OK(journal_commit(j, &err));
        journal_close(j);
    }
    j = fixture_open(f, FIXTURE_UTC_NS + 2 * INT64_C(3600000000000));
    while (journal_maintain(j, &seal, &err) == 1)
        ;
    journal_get_head(j, head);
    OK(journal_checkpoint(j, true, &err));
    journal_close(j);
    ck_assert_int_gt(fixture_ask(f->path, "SELECT count(*) FROM sealed_inputs"), 0);
    ck_assert_int_gt(fixture_ask(f->path, "SELECT count(*) FROM input_blocks"), 0);
    ck_assert_int_gt(fixture_ask(f->path, "SELECT count(*) FROM reading_blocks"), 0);
    ck_assert_int_gt(fixture_ask(f->path, "SELECT count(*) FROM reading_rows"), 0);
}

static int problems_of(const char *path, const struct digest *head)
{
    struct error err = {""};
    struct journal_check_result res = {0};
    struct journal_reader *r = journal_reader_open(path, &err);
    if (r == NULL)
        return 1000;
    int rc = journal_verify(r, head, NULL, NULL, &res, &err);
    journal_reader_close(r);
    return rc != 0 ? 1000 : (int)res.problems;
}

/* The value of a column with one bit turned over, bound to the statement; false: there is nothing to turn. */
static bool bind_flipped(sqlite3_stmt *to, sqlite3_stmt *from, int at, uint32_t random)
{
    int type = sqlite3_column_type(from, at), size = sqlite3_column_bytes(from, at);
    if (type == SQLITE_INTEGER) {
        (void)sqlite3_bind_int64(to, 1, sqlite3_column_int64(from, at) ^ (sqlite3_int64)(UINT64_C(1) << random % 40));
        return true;
    }
    if (type == SQLITE_FLOAT) {
        double v = sqlite3_column_double(from, at);
        uint64_t u;
        memcpy(&u, &v, sizeof u);
        u ^= UINT64_C(1) << random % 64;
        memcpy(&v, &u, sizeof v);
        (void)sqlite3_bind_double(to, 1, v);
        return true;
    }
    if ((type != SQLITE_TEXT && type != SQLITE_BLOB) || size == 0)
        return false;
    const void *bytes = sqlite3_column_blob(from, at);
    uint8_t *copy = malloc((size_t)size);
    ck_assert_ptr_nonnull(copy);
    memcpy(copy, bytes, (size_t)size);
    copy[random % (uint32_t)size] ^= (uint8_t)(1u << random / 64 % (type == SQLITE_TEXT ? 7 : 8));
    if (type == SQLITE_TEXT)
        (void)sqlite3_bind_text(to, 1, (char *)copy, size, SQLITE_TRANSIENT);
    else
        (void)sqlite3_bind_blob(to, 1, copy, size, SQLITE_TRANSIENT);
    free(copy);
    return true;
}

static sqlite3_stmt *prepare(sqlite3 *db, const char *text)
{
    sqlite3_stmt *st;
    ck_assert_msg(sqlite3_prepare_v2(db, text, -1, &st, NULL) == SQLITE_OK, "%s: %s", text, sqlite3_errmsg(db));
    return st;
}

static bool is_covered(const char *columns, const char *name)
{
    char among[256], one[64];
    (void)text_format(among, sizeof among, ", %s,", columns != NULL ? columns : "");
    (void)text_format(one, sizeof one, ", %s,", name);
    return columns == NULL || strstr(among, one) != NULL;
}

/* Turns one bit over in the file. Returns false when what was drawn holds nothing, or is not changed by it. what
 * receives the place. */
static bool flip(const char *path, uint32_t *state, char what[160])
{
    sqlite3 *db;
    char text[2048];
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    size_t which = next_random(state) % (sizeof covered / sizeof covered[0]);
    const char *table = covered[which].table;
    (void)text_format(text, sizeof text, "SELECT count(*) FROM %s", table);
    sqlite3_stmt *rows = prepare(db, text);
    ck_assert_int_eq(sqlite3_step(rows), SQLITE_ROW);
    uint32_t count = (uint32_t)sqlite3_column_int(rows, 0);
    ck_assert_uint_gt(count, 0);
    sqlite3_finalize(rows);
    (void)text_format(text, sizeof text, "SELECT * FROM %s LIMIT 1 OFFSET %u", table, next_random(state) % count);
    rows = prepare(db, text);
    ck_assert_int_eq(sqlite3_step(rows), SQLITE_ROW);
    int columns = sqlite3_column_count(rows), at = (int)(next_random(state) % (uint32_t)columns);
    bool done = is_covered(covered[which].columns, sqlite3_column_name(rows, at));
    (void)text_format(what, 160, "%s.%s", table, sqlite3_column_name(rows, at));
    (void)text_format(text, sizeof text, "UPDATE OR IGNORE %s SET %s = ?1 WHERE %s IS NOT ?1", table,
                      sqlite3_column_name(rows, at), sqlite3_column_name(rows, at));
    for (int c = 0; c < columns; c++)
        (void)text_append(text, sizeof text, " AND %s IS ?%d", sqlite3_column_name(rows, c), c + 2);
    sqlite3_stmt *change = prepare(db, text);
    for (int c = 0; c < columns; c++)
        (void)sqlite3_bind_value(change, c + 2, sqlite3_column_value(rows, c));
    done = done && bind_flipped(change, rows, at, next_random(state));
    sqlite3_finalize(rows);
    if (done)
        ck_assert_int_eq(sqlite3_step(change), SQLITE_DONE);
    done = done && sqlite3_changes(db) == 1;
    sqlite3_finalize(change);
    sqlite3_close(db);
    return done;
}

START_TEST(test_every_flip_is_found)
{
    struct fixture f;
    struct digest head;
    char copy[128], command[320], what[160];
    int flips = getenv("SOAKBENCH_LONG") != NULL ? 1000 : 60;
    uint32_t state = 20260301;
    fixture_make(&f);
    make_record(&f, &head);
    ck_assert_int_eq(problems_of(f.path, &head), 0);
    (void)text_format(copy, sizeof copy, "%s/copy.db", f.dir);
    (void)text_format(command, sizeof command, "rm -f %s %s-wal %s-shm && cp %s %s", copy, copy, copy, f.path, copy);
    for (int n = 0; n < flips;) {
        ck_assert_int_eq(system(command), 0);
        if (!flip(copy, &state, what))
            continue;
        ck_assert_msg(problems_of(copy, &head) > 0, "a bit of %s went unseen", what);
        n++;
    }
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal flips");
    TCase *t = tcase_create("flips");
    tcase_set_timeout(t, getenv("SOAKBENCH_LONG") != NULL ? 600 : 60);
    tcase_add_test(t, test_every_flip_is_found);
    suite_add_tcase(s, t);
    return suite_run(s);
}
