#include <check.h>
#include <pthread.h>
#include <sqlite3.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>

#include "journal_fixture.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

struct told {
    int count;
    char first[512];
};

static void note_problem(void *ctx, const char *sentence)
{
    struct told *t = ctx;
    if (t->count++ == 0)
        (void)text_copy(t->first, sizeof t->first, sentence);
}

static int verify(const char *path, const struct digest *expected, struct told *told, struct journal_check_result *res)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    *told = (struct told){0};
    int rc = journal_verify(r, expected, note_problem, told, res, &err);
    journal_reader_close(r);
    return rc;
}

static void make_record(const struct fixture *f, struct digest *middle, struct digest *head)
{
    struct error err = {""};
    struct journal *j = fixture_open(f, FIXTURE_UTC_NS);
    struct input start = fixture_start(1, 1, 0);
    OK(journal_begin(j, &err));
    OK(journal_put_run(j, &start, start.seen_ns, &err));
    struct unit_plate plate = {.serial = "HQ-0147", .maker = "Quayline", .rating_count = 0};
    OK(journal_put_unit(j, &plate, 1000, NULL, &err));
    OK(journal_commit(j, &err));
    for (uint64_t n = 1; n <= 60; n++) {
        OK(fixture_batch(j, n, &err));
        if (n == 30)
            journal_get_head(j, middle);
    }
    struct verdict v = fixture_verdict(1, 1);
    OK(journal_begin(j, &err));
    OK(journal_put_verdict(j, &v, 60, INT64_C(6) * 1000000000, &err));
    OK(journal_end_run(j, 1, 60, INT64_C(6) * 1000000000, &err));
    OK(journal_end_session(j, INT64_C(7) * 1000000000, &err));
    OK(journal_commit(j, &err));
    journal_get_head(j, head);
    journal_close(j);
}

START_TEST(test_whole_record)
{
    struct fixture f;
    fixture_make(&f);
    struct digest middle, head;
    struct told told;
    struct journal_check_result res;
    make_record(&f, &middle, &head);
    ck_assert_int_eq(verify(f.path, &head, &told, &res), 0);
    ck_assert_msg(told.count == 0, "%s", told.first);
    ck_assert(res.head_seen);
    ck_assert_mem_eq(&res.head, &head, sizeof head);
    ck_assert_int_eq(res.batches, 63);
    /* An earlier head, as printed on a record, is still a head of the longer record. */
    ck_assert_int_eq(verify(f.path, &middle, &told, &res), 0);
    ck_assert(res.head_seen && res.problems == 0);
    middle.bytes[0] ^= 1;
    ck_assert_int_eq(verify(f.path, &middle, &told, &res), 0);
    ck_assert_int_eq(res.problems, 1);
    fixture_remove(&f);
}
END_TEST

/* Each change by another hand is found, and the sentence names the place. */
static const struct {
    const char *sql, *says;
} changes[] = {
    {"UPDATE event_rows SET value0 = value0 + 1e-12 WHERE row = 3", "batch 32, run 1"},
    {"UPDATE event_rows SET text = 'better' WHERE row = 1", "batch 12, run 1"},
    {"UPDATE event_rows SET store_ms = store_ms + 1 WHERE row = 1", "batch 12, run 1"},
    {"UPDATE reading_rows SET i2 = 161.0 WHERE row = 21", "batch 13, run 1"},
    {"UPDATE reading_rows SET i2 = NULL WHERE row = 22", "batch 13, run 0"},
    {"UPDATE reading_rows SET run_no = 2 WHERE row = 21", "batch 13"},
    {"DELETE FROM reading_rows WHERE row = 21", "batch 13"},
    {"DELETE FROM event_rows WHERE row = 2", "batch 22, run 1: 1 events were sealed, 0 are there"},
    {"DELETE FROM event_rows WHERE row = 6", "batch 62"},
    {"INSERT INTO event_rows SELECT 7, epoch, 999, seq, kind, channel, idx, run_no, seen_ns, at_ns, half_width_ns,"
     " code, code2, value_count, value0, value1, value2, value3, value4, value5, value6, value7, text, utc_us,"
     " seen_utc_us, store_ms FROM event_rows WHERE row = 6",
     "1 event rows behind row 6"},
    {"UPDATE verdict_rows SET kind = 1", "batch 63, run 1"},
    {"UPDATE verdict_rows SET at_rated_s = NULL", "batch 63, run 1"},
    {"UPDATE run_rows SET serial = 'HQ-0148'", "batch 2, run 1"},
    {"UPDATE run_rows SET end_ns = end_ns + 1", "batch 63, run 1"},
    {"UPDATE sessions SET anchor_utc_ns = anchor_utc_ns + 1", "batch 1, run 0"},
    {"UPDATE sessions SET ended_clean = 0", "batch 63, run 0"},
    {"UPDATE channels SET name = 'C' WHERE name = 'A'", "batch 1, run 0"},
    {"UPDATE plate_rows SET utc_s = 5", "batch 2, run 0"},
    {"UPDATE input_blocks SET bytes = zeroblob(length(bytes)) WHERE first_seq = 7", "session 1"},
    {"DELETE FROM input_blocks WHERE first_seq = 7", "batch 9: its inputs"},
    {"UPDATE blobs SET bytes = 'bench: south-bay' WHERE size = 17", "a kept file"},
    {"UPDATE session_blobs SET name = 'other.yaml'", "batch 1, run 0"},
    {"UPDATE seals SET digest = zeroblob(32) WHERE batch = 20 AND run_no = 1", "batch 20, run 1"},
    {"DELETE FROM seals WHERE batch = 20 AND run_no = 1", "batch 20: rows of run 1 were put in without a seal"},
    {"UPDATE batches SET head = zeroblob(32) WHERE batch = 20", "batch 20"},
    {"DELETE FROM batches WHERE batch = 20", "batch 19 is followed by batch 21"},
    {"UPDATE batches SET last_reading = last_reading - 1 WHERE batch = 20", "batch 20"},
};

START_TEST(test_change)
{
    struct fixture f;
    fixture_make(&f);
    struct digest middle, head;
    struct told told;
    struct journal_check_result res;
    make_record(&f, &middle, &head);
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(f.path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(db, changes[_i].sql, NULL, NULL, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    ck_assert_int_ge(sqlite3_changes(db), 1);
    sqlite3_close(db);
    ck_assert_int_eq(verify(f.path, NULL, &told, &res), 0);
    ck_assert_msg(told.count > 0, "unseen: %s", changes[_i].sql);
    ck_assert_msg(strstr(told.first, changes[_i].says) != NULL, "%s told: %s", changes[_i].sql, told.first);
    fixture_remove(&f);
}
END_TEST

/* Two readings change places. */
START_TEST(test_reorder)
{
    struct fixture f;
    fixture_make(&f);
    struct digest middle, head;
    struct told told;
    struct journal_check_result res;
    make_record(&f, &middle, &head);
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(f.path, &db), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db,
                                  "UPDATE reading_rows SET row = -1 WHERE row = 21;"
                                  "UPDATE reading_rows SET row = 21 WHERE row = 23;"
                                  "UPDATE reading_rows SET row = 23 WHERE row = -1",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    sqlite3_close(db);
    ck_assert_int_eq(verify(f.path, NULL, &told, &res), 0);
    ck_assert_int_gt(told.count, 0);
    fixture_remove(&f);
}
END_TEST

/* The newest batches are taken off and the record is sound in itself: only the head that was printed tells. */
START_TEST(test_cut_off)
{
    struct fixture f;
    fixture_make(&f);
    struct digest middle, head;
    struct told told;
    struct journal_check_result res;
    make_record(&f, &middle, &head);
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(f.path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(db,
                               "DELETE FROM verdict_rows; DELETE FROM batches WHERE batch = 63; DELETE FROM seals WHERE"
                               " batch = 63; UPDATE run_rows SET end_batch = 0; UPDATE sessions SET end_batch = 0, "
                               "end_utc_us = 0, ended_clean = 0",
                               NULL, NULL, NULL) == SQLITE_OK,
                  "%s", sqlite3_errmsg(db));
    sqlite3_close(db);
    ck_assert_int_eq(verify(f.path, NULL, &told, &res), 0);
    ck_assert_msg(told.count == 0, "%s", told.first);
    ck_assert_int_eq(verify(f.path, &head, &told, &res), 0);
    ck_assert_int_eq(told.count, 1);
    ck_assert_ptr_nonnull(strstr(told.first, "cut off"));
    ck_assert_int_eq(verify(f.path, &middle, &told, &res), 0);
    ck_assert_int_eq(told.count, 0);
    fixture_remove(&f);
}
END_TEST

struct batch_writer {
    struct journal *j;
    atomic_bool over;
    int failed;
};

static void *write_batches(void *ctx)
{
    struct batch_writer *w = ctx;
    struct error err = {""};
    for (uint64_t n = 1; n <= 400 && !w->failed; n++)
        w->failed = fixture_batch(w->j, n, &err);
    atomic_store(&w->over, true);
    return NULL;
}

/* The daemon commits while somebody checks its file: nothing is wrong with it. */
START_TEST(test_while_it_is_written)
{
    struct fixture f;
    struct error err = {""};
    struct told told;
    struct journal_check_result res;
    fixture_make(&f);
    struct batch_writer w = {.j = fixture_open(&f, FIXTURE_UTC_NS)};
    struct input start = fixture_start(1, 1, 0);
    OK(journal_begin(w.j, &err));
    OK(journal_put_run(w.j, &start, start.seen_ns, &err));
    OK(journal_commit(w.j, &err));
    pthread_t thread;
    ck_assert_int_eq(pthread_create(&thread, NULL, write_batches, &w), 0);
    do {
        ck_assert_int_eq(verify(f.path, NULL, &told, &res), 0);
        ck_assert_msg(res.problems == 0, "%s", told.first);
    } while (!atomic_load(&w.over));
    ck_assert_int_eq(pthread_join(thread, NULL), 0);
    ck_assert_int_eq(w.failed, 0);
    journal_close(w.j);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal verify");
    TCase *t = tcase_create("verify");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, test_whole_record);
    tcase_add_loop_test(t, test_change, 0, (int)(sizeof changes / sizeof changes[0]));
    tcase_add_test(t, test_reorder);
    tcase_add_test(t, test_cut_off);
    tcase_add_test(t, test_while_it_is_written);
    suite_add_tcase(s, t);
    return suite_run(s);
}
