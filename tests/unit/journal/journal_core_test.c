#include <check.h>
#include <linux/magic.h>
#include <math.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

#include "journal_fixture.h"
#include "journal_place.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

static int count_event(void *ctx, const struct journal_event *e)
{
    (void)e;
    ++*(int *)ctx;
    return 0;
}

struct got_event {
    int count;
    struct journal_event last;
};

static int keep_event(void *ctx, const struct journal_event *e)
{
    struct got_event *g = ctx;
    g->count++;
    g->last = *e;
    return 0;
}

static void assert_same_bits(double a, double b)
{
    ck_assert(memcmp(&a, &b, sizeof a) == 0 || (isnan(a) && isnan(b)));
}

/* What goes in comes out to the bit, signs of zero and extremes included. */
START_TEST(test_event_round_trip)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    struct event e = fixture_event(7, 1, 0);
    e.value_count = 8;
    const double values[8] = {-0.0, 0.0, 5e-324, 1.7976931348623157e308, (double)INFINITY, (double)NAN, 3.0, 0.1};
    memcpy(e.values, values, sizeof values);
    (void)text_copy(e.text, sizeof e.text, "two\nlines, \"quotes\" and \xc3\xa9");
    OK(journal_begin(j, &err));
    OK(journal_put_event(j, &e, &err));
    OK(journal_commit(j, &err));
    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    struct got_event got = {0};
    OK(journal_reader_events(r, NULL, keep_event, &got, &err));
    ck_assert_int_eq(got.count, 1);
    uint8_t a[1024], b[1024];
    struct writer wa = writer_over(a, sizeof a), wb = writer_over(b, sizeof b);
    put_event(&wa, &e);
    put_event(&wb, &got.last.event);
    ck_assert_uint_eq(wa.used, wb.used);
    ck_assert_mem_eq(a, b, wa.used);
    for (int i = 0; i < 8; i++)
        assert_same_bits(values[i], got.last.event.values[i]);
    ck_assert_str_eq(got.last.channel, "B");
    ck_assert_int_eq(got.last.utc_us, FIXTURE_UTC_NS / 1000 + 700000);
    ck_assert_int_eq(got.last.store_ms, FIXTURE_UTC_NS / 1000000 + 700);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

struct got_readings {
    int count;
    int64_t last_ms[2];
    struct journal_reading last;
};

static int keep_reading(void *ctx, const struct journal_reading *m)
{
    struct got_readings *g = ctx;
    ck_assert_int_ge(m->channel, 0);
    ck_assert_int_le(m->channel, 1);
    ck_assert_int_gt(m->store_ms, g->last_ms[m->channel]);
    g->last_ms[m->channel] = m->store_ms;
    struct journal_reading want = fixture_reading(m->seq, m->channel, m->run_no);
    for (int k = 0; k < SIG_OTHER; k++)
        assert_same_bits(want.values[k], m->values[k]);
    ck_assert_int_eq(m->stamp_ns, want.stamp_ns / 1000 * 1000);
    g->count++;
    g->last = *m;
    return 0;
}

START_TEST(test_readings_round_trip)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 2500; n++)
        OK(fixture_batch(j, n, &err));
    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    struct got_readings got = {0};
    OK(journal_reader_readings(r, NULL, keep_reading, &got, &err));
    ck_assert_int_eq(got.count, 5000);
    struct row_filter filter = row_filter_any();
    filter.run_no = 1;
    got = (struct got_readings){0};
    OK(journal_reader_readings(r, &filter, keep_reading, &got, &err));
    ck_assert_int_eq(got.count, 2500);
    filter.limit = 2100;
    filter.after_row = 3;
    got = (struct got_readings){0};
    OK(journal_reader_readings(r, &filter, keep_reading, &got, &err));
    ck_assert_int_eq(got.count, 2100);
    int events = 0;
    OK(journal_reader_events(r, &(struct row_filter){.run_no = 1, .channel = 0}, count_event, &events, &err));
    ck_assert_int_eq(events, 250);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* Losses and returns of a signal are told in the row where they happen. */
START_TEST(test_loss_and_return)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    static const bool good[] = {true, true, false, false, true, true};
    static const uint32_t want_lost[] = {0, 0, 1, 1, 0, 0}, want_back[] = {1, 0, 0, 0, 1, 0};
    OK(journal_begin(j, &err));
    for (uint64_t n = 0; n < 6; n++) {
        struct journal_reading m = fixture_reading(n + 1, 0, 0);
        m.values[SIG_FEEDBACK] = m.values[SIG_U2] = (double)NAN;
        if (!good[n]) {
            m.values[SIG_I2] = (double)NAN;
            m.lost = 1u << SIG_I2;
        }
        OK(journal_put_reading(j, &m, &err));
    }
    OK(journal_commit(j, &err));
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open_v2(f.path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    sqlite3_stmt *st;
    ck_assert_int_eq(sqlite3_prepare_v2(db, "SELECT lost, back, i2 FROM readings ORDER BY row", -1, &st, NULL),
                     SQLITE_OK);
    for (int n = 0; n < 6; n++) {
        ck_assert_int_eq(sqlite3_step(st), SQLITE_ROW);
        ck_assert_uint_eq((uint32_t)sqlite3_column_int64(st, 0), want_lost[n] << SIG_I2);
        ck_assert_uint_eq((uint32_t)sqlite3_column_int64(st, 1), want_back[n] << SIG_I2);
        ck_assert_int_eq(sqlite3_column_type(st, 2), good[n] ? SQLITE_FLOAT : SQLITE_NULL);
    }
    sqlite3_finalize(st);
    sqlite3_close(db);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

struct got_inputs {
    uint64_t count, last;
};

static int keep_input(void *ctx, const struct input *in)
{
    struct got_inputs *g = ctx;
    ck_assert_uint_eq(in->seq, g->last + 1);
    ck_assert_int_eq(in->seen_ns, (int64_t)in->seq * 100000000);
    g->last = in->seq;
    g->count++;
    return 0;
}

START_TEST(test_inputs_and_sessions)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    ck_assert(journal_last_ended_clean(j));
    for (uint64_t n = 1; n <= 300; n++)
        OK(fixture_batch(j, n, &err));
    journal_close(j); /* without an end: an interruption */
    j = journal_open(f.path, 0, &err);
    ck_assert_msg(j != NULL, "%s", err.text);
    ck_assert(!journal_last_ended_clean(j));
    ck_assert_uint_eq(journal_next_epoch(j), 2);
    journal_close(j);
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(3600) * 1000000000);
    for (uint64_t n = 1; n <= 40; n++)
        OK(fixture_batch(j, n, &err));
    OK(journal_begin(j, &err));
    OK(journal_end_session(j, INT64_C(50) * 1000000000, &err));
    OK(journal_commit(j, &err));
    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    struct got_inputs got = {0};
    OK(journal_reader_inputs(r, 1, 0, keep_input, &got, &err));
    ck_assert_uint_eq(got.count, 300);
    got = (struct got_inputs){0};
    OK(journal_reader_inputs(r, 1, 123, keep_input, &got, &err));
    ck_assert_uint_eq(got.count, 123);
    got = (struct got_inputs){0};
    OK(journal_reader_inputs(r, 2, 0, keep_input, &got, &err));
    ck_assert_uint_eq(got.count, 40);
    struct bench *want = fixture_bench(), *have = calloc(1, sizeof *have);
    ck_assert_int_eq(journal_reader_bench(r, 2, have, &err), 1);
    size_t size = bench_encode(want, NULL, 0);
    uint8_t *a = malloc(size), *b = malloc(size);
    ck_assert_uint_eq(bench_encode(want, a, size), size);
    ck_assert_uint_eq(bench_encode(have, b, size), size);
    ck_assert_mem_eq(a, b, size);
    struct journal_session s;
    ck_assert_int_eq(journal_reader_session(r, 2, &s, &err), 1);
    ck_assert(s.ended_clean);
    ck_assert_int_eq(journal_reader_session(r, 1, &s, &err), 1);
    ck_assert(!s.ended_clean);
    free(a);
    free(b);
    free(want);
    free(have);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* Between two sessions the clock was set back by an hour: the new rows keep their true time, no stamp is given twice
 * within a series. */
START_TEST(test_clock_set_back)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 200; n++)
        OK(fixture_batch(j, n, &err));
    journal_close(j);
    j = fixture_open(&f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 400; n++)
        OK(fixture_batch(j, n, &err));
    sqlite3 *db;
    sqlite3_stmt *st;
    ck_assert_int_eq(sqlite3_open_v2(f.path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_prepare_v2(db,
                                        "SELECT count(*), count(DISTINCT channel || '/' || store_ms),"
                                        " max(abs(store_ms - stamp_us / 1000)) FROM readings",
                                        -1, &st, NULL),
                     SQLITE_OK);
    ck_assert_int_eq(sqlite3_step(st), SQLITE_ROW);
    ck_assert_int_eq(sqlite3_column_int(st, 0), 1200);
    ck_assert_int_eq(sqlite3_column_int(st, 1), 1200);
    ck_assert_int_le(sqlite3_column_int(st, 2), 1);
    sqlite3_finalize(st);
    sqlite3_close(db);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

START_TEST(test_runs_and_verdicts)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    ck_assert_int_eq(journal_peek_run_no(j), 1);
    ck_assert_int_eq(journal_next_run_no(j), 1);
    ck_assert_int_eq(journal_next_run_no(j), 2);
    for (int64_t run = 1; run <= 2; run++) {
        struct input start = fixture_start((uint64_t)run, run, (int32_t)run - 1);
        OK(journal_begin(j, &err));
        OK(journal_put_run(j, &start, start.seen_ns, &err));
        OK(journal_commit(j, &err));
    }
    OK(journal_begin(j, &err));
    struct verdict v = fixture_verdict(1, 1);
    OK(journal_put_verdict(j, &v, 9, INT64_C(600) * 1000000000, &err));
    v = fixture_verdict(1, 2);
    v.kind = VERDICT_UNDECIDED;
    OK(journal_put_verdict(j, &v, 10, INT64_C(601) * 1000000000, &err));
    OK(journal_end_run(j, 1, 10, INT64_C(601) * 1000000000, &err));
    OK(journal_commit(j, &err));
    /* A verdict is revised, never overwritten. */
    OK(journal_begin(j, &err));
    ck_assert_int_eq(journal_put_verdict(j, &v, 11, 0, &err), -1);
    journal_rollback(j);
    OK(journal_begin(j, &err));
    ck_assert_int_eq(journal_end_run(j, 1, 10, INT64_C(602) * 1000000000, &err), -1);
    journal_rollback(j);
    journal_close(j); /* run 2 is cut off here */
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(86400) * 1000000000);
    ck_assert_int_eq(journal_next_run_no(j), 3);

    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    struct journal_run run;
    ck_assert_int_eq(journal_reader_run(r, 1, &run, &err), 1);
    ck_assert(run.judged && !run.interrupted);
    ck_assert_int_eq(run.verdict.revision, 2);
    ck_assert_int_eq((int)run.verdict.kind, VERDICT_UNDECIDED);
    ck_assert_str_eq(run.request.serial, "HQ-0147");
    ck_assert_int_eq(journal_reader_run(r, 2, &run, &err), 1);
    ck_assert(run.interrupted && !run.judged);
    ck_assert_int_ne(run.end_utc_us, 0);
    ck_assert_int_eq(journal_reader_run(r, 3, &run, &err), 0);
    struct run_filter filter = {.certificate = "HQ-C-119", .newest_first = true};
    run.run_no = 0;
    OK(journal_reader_runs(r, &filter, fixture_keep_run, &run, &err));
    ck_assert_int_eq(run.run_no, 2); /* channel B's meter only */
    filter = (struct run_filter){.verdict = VERDICT_HELD};
    run.run_no = 0;
    OK(journal_reader_runs(r, &filter, fixture_keep_run, &run, &err));
    ck_assert_int_eq(run.run_no, 0); /* superseded */
    filter = (struct run_filter){.serial = "HQ-0147", .limit = 1};
    OK(journal_reader_runs(r, &filter, fixture_keep_run, &run, &err));
    ck_assert_int_eq(run.run_no, 1);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* Every documented view answers, with the names of the codes as text. */
START_TEST(test_views)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    struct input start = fixture_start(1, 1, 0);
    OK(journal_begin(j, &err));
    OK(journal_put_run(j, &start, start.seen_ns, &err));
    struct verdict v = fixture_verdict(1, 1);
    OK(journal_put_verdict(j, &v, 1, 0, &err));
    OK(journal_commit(j, &err));
    for (uint64_t n = 1; n <= 20; n++)
        OK(fixture_batch(j, n, &err));
    static const struct {
        const char *text, *want;
    } cases[] = {
        {"SELECT unit || ' ' || kind || ' ' || channel FROM events LIMIT 1", "HQ-0147 cycle A"},
        {"SELECT unit || ' ' || procedure || ' ' || verdict || ' ' || basis FROM runs",
         "HQ-0147 proof held cold-cycle"},
        {"SELECT verdict || ' ' || cause || ' ' || conducting_s FROM verdicts", "held none 240.9"},
        {"SELECT count(*) FROM readings WHERE channel = 'A' AND run_no = 1", "20"},
        {"SELECT rows FROM readings_1s WHERE channel = 'B' ORDER BY second LIMIT 1", "9"},
        {"SELECT count(*) FROM units", "0"},
    };
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open_v2(f.path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        sqlite3_stmt *st;
        ck_assert_msg(sqlite3_prepare_v2(db, cases[i].text, -1, &st, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
        ck_assert_int_eq(sqlite3_step(st), SQLITE_ROW);
        ck_assert_str_eq((const char *)sqlite3_column_text(st, 0), cases[i].want);
        sqlite3_finalize(st);
    }
    sqlite3_close(db);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* FIPS 180-4 example: the digest of "abc". */
START_TEST(test_digest)
{
    struct digest d, back;
    char text[DIGEST_HEX_CAP];
    ck_assert_int_eq(digest_of("abc", 3, &d), 0);
    digest_print(&d, text);
    ck_assert_str_eq(text, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    ck_assert_int_eq(digest_parse(text, &back), 0);
    ck_assert_mem_eq(&d, &back, sizeof d);
    ck_assert_int_eq(digest_parse("ba78", &back), -1);
    text[5] = 'g';
    ck_assert_int_eq(digest_parse(text, &back), -1);
}
END_TEST

/* Numbers of the kernel's own list (linux/magic.h). */
START_TEST(no_journal_on_a_network_share)
{
    static const unsigned long far[] = {NFS_SUPER_MAGIC, SMB_SUPER_MAGIC,  CIFS_SUPER_MAGIC, SMB2_SUPER_MAGIC,
                                        AFS_FS_MAGIC,    CEPH_SUPER_MAGIC, CODA_SUPER_MAGIC, AFS_SUPER_MAGIC};
    static const unsigned long near[] = {EXT4_SUPER_MAGIC, XFS_SUPER_MAGIC, BTRFS_SUPER_MAGIC, TMPFS_MAGIC,
                                         OVERLAYFS_SUPER_MAGIC};
    struct error err = {""};
    for (size_t i = 0; i < sizeof far / sizeof far[0]; i++)
        ck_assert_ptr_nonnull(journal_place_remote(far[i]));
    for (size_t i = 0; i < sizeof near / sizeof near[0]; i++)
        ck_assert_ptr_null(journal_place_remote(near[i]));
    ck_assert_str_eq(journal_place_remote(0xFFFFFFFFFF534D42), "CIFS"); /* as a signed 32-bit number arrives */
    ck_assert_int_eq(journal_place_check("/dev/shm/journal.db", &err), 0);
    ck_assert_int_eq(journal_place_check("journal.db", &err), 0);
    ck_assert_int_eq(journal_place_check("/no/such/folder/journal.db", &err), 0); /* opening it says so */
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal");
    TCase *t = tcase_create("core");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, test_digest);
    tcase_add_test(t, test_event_round_trip);
    tcase_add_test(t, test_readings_round_trip);
    tcase_add_test(t, test_loss_and_return);
    tcase_add_test(t, test_inputs_and_sessions);
    tcase_add_test(t, test_clock_set_back);
    tcase_add_test(t, test_runs_and_verdicts);
    tcase_add_test(t, test_views);
    tcase_add_test(t, no_journal_on_a_network_share);
    suite_add_tcase(s, t);
    return suite_run(s);
}
