#include <check.h>
#include <curl/curl.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "real_store.h"
#include "suite_run.h"
#include "uplink.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

static const int64_t milli = 1000000;

struct keeper {
    struct journal *journal;
    int set_aside;
};

static int keep_cursor(void *ctx, const struct journal_cursor *c)
{
    struct keeper *k = ctx;
    struct error err = {""};
    OK(journal_begin(k->journal, &err));
    OK(journal_put_cursor(k->journal, c, &err));
    OK(journal_commit(k->journal, &err));
    return 0;
}

static int keep_line(void *ctx, const struct journal_set_aside *a)
{
    struct keeper *k = ctx;
    struct error err = {""};
    OK(journal_begin(k->journal, &err));
    OK(journal_put_set_aside(k->journal, a, &err));
    OK(journal_commit(k->journal, &err));
    k->set_aside++;
    return 0;
}

/* ca: name of the authority's file in the store's directory; NULL: none. */
static struct uplink *make_uplink_by(const struct fixture *f, const struct real_store *s, struct keeper *k,
                                     const char *ca)
{
    struct error err = {""};
    struct uplink_setup setup = {.name = "shop",
                                 .kind = UPLINK_INFLUXDB_V1,
                                 .database = "soak",
                                 .bench = "north-bay",
                                 .batch_lines = 500,
                                 .batch_age_ns = 1,
                                 .settle_ns = 300 * milli,
                                 .backoff_min_ms = 20,
                                 .backoff_max_ms = 200,
                                 .gzip = true,
                                 .sink = {keep_cursor, keep_line, k}};
    (void)text_copy(setup.url, sizeof setup.url, s->url);
    (void)text_copy(setup.journal_path, sizeof setup.journal_path, f->path);
    if (ca != NULL)
        (void)text_format(setup.ca_file, sizeof setup.ca_file, "%s/%s", s->dir, ca);
    struct uplink *u = uplink_new(&setup, &err);
    ck_assert_msg(u != NULL, "%s", err.text);
    return u;
}

static struct uplink *make_uplink(const struct fixture *f, const struct real_store *s, struct keeper *k)
{
    return make_uplink_by(f, s, k, NULL);
}

static int64_t now_ns(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

/* Runs the worker until every row is settled. */
static void drain(struct uplink *u)
{
    int64_t deadline = now_ns() + INT64_C(60) * 1000000000;
    struct uplink_status st;
    for (;;) {
        int64_t wait = uplink_run_once(u, now_ns());
        uplink_get_status(u, &st);
        if (st.self_test == SELF_TEST_PASSED && memcmp(st.settled, st.newest, sizeof st.settled) == 0)
            return;
        ck_assert_msg(now_ns() < deadline, "not drained: %s", st.trouble);
        if (wait > 5 * milli)
            wait = 5 * milli;
        (void)nanosleep(&(struct timespec){0, wait}, NULL);
    }
}

struct compare {
    json_t *rows; /* of one channel, by time */
    size_t at;
    const char *channel;
};

static json_t *points_of(const struct real_store *s, const char *query, char **text)
{
    *text = real_store_query(s, query);
    json_t *root = json_loads(*text, JSON_DECODE_INT_AS_REAL, NULL);
    ck_assert_ptr_nonnull(root);
    return root;
}

/* One row of the journal against the store's next point: time, run_no, i2, u2, feedback. */
static int compare_reading(void *ctx, const struct journal_reading *m)
{
    struct compare *c = ctx;
    json_t *row = json_array_get(c->rows, c->at++);
    ck_assert_msg(row != NULL, "the store has only %zu points", c->at - 1);
    const double want[] = {(double)m->store_ms, (double)m->run_no, m->values[SIG_I2], m->values[SIG_U2],
                           m->values[SIG_FEEDBACK]};
    for (size_t i = 0; i < 5; i++) {
        double have = json_real_value(json_array_get(row, i));
        ck_assert_msg(have == want[i], "row %lld, column %zu: %.17g in the journal, %.17g in the store",
                      (long long)m->row, i, want[i], have);
    }
    return 0;
}

static json_t *values_of(const json_t *root)
{
    return json_object_get(
        json_array_get(json_object_get(json_array_get(json_object_get(root, "results"), 0), "series"), 0), "values");
}

/* The store and the journal agree, value for value, and the store has nothing more. */
static void assert_equal(const struct fixture *f, const struct real_store *s)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(f->path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    for (int32_t channel = 0; channel < 2; channel++) {
        char query[256], *text;
        (void)snprintf(query, sizeof query,
                       "SELECT run_no, i2, u2, feedback FROM reading WHERE channel = '%s' ORDER BY time",
                       channel == 0 ? "A" : "B");
        json_t *root = points_of(s, query, &text);
        struct compare c = {.rows = values_of(root)};
        struct row_filter filter = row_filter_any();
        filter.channel = channel;
        OK(journal_reader_readings(r, &filter, compare_reading, &c, &err));
        ck_assert_uint_eq(json_array_size(c.rows), c.at);
        json_decref(root);
        free(text);
    }
    int64_t rows[FEED_COUNT_];
    OK(journal_reader_last_rows(r, rows, &err));
    char *text;
    json_t *root = points_of(s, "SELECT count(run_no) FROM event", &text);
    ck_assert_int_eq((int64_t)json_real_value(json_array_get(json_array_get(values_of(root), 0), 1)),
                     rows[FEED_EVENTS]);
    json_decref(root);
    free(text);
    journal_reader_close(r);
}

static struct journal *make_rows(const struct fixture *f, uint64_t batches)
{
    struct error err = {""};
    struct journal *j = fixture_open(f, FIXTURE_UTC_NS);
    struct input start = fixture_start(1, 1, 0);
    OK(journal_begin(j, &err));
    OK(journal_put_run(j, &start, start.seen_ns, &err));
    OK(journal_commit(j, &err));
    for (uint64_t n = 1; n <= batches; n++)
        OK(fixture_batch(j, n, &err));
    struct verdict v = fixture_verdict(1, 1);
    OK(journal_begin(j, &err));
    OK(journal_put_verdict(j, &v, batches, (int64_t)batches * 100 * milli, &err));
    OK(journal_commit(j, &err));
    return j;
}

START_TEST(test_value_for_value)
{
    struct fixture f;
    struct real_store s;
    fixture_make(&f);
    struct keeper k = {.journal = make_rows(&f, 1500)};
    real_store_make(&s, REAL_INFLUXDB);
    struct uplink *u = make_uplink(&f, &s, &k);
    drain(u);
    assert_equal(&f, &s);
    struct uplink_status st;
    uplink_get_status(u, &st);
    ck_assert_uint_eq(st.lines_sent, 3000 + 150 + 1);
    ck_assert_uint_eq(st.rewinds, 0);
    /* Everything once more: the same points, no more of them. */
    uplink_resend(u, (int64_t[FEED_COUNT_]){0, 0, 0});
    drain(u);
    assert_equal(&f, &s);
    uplink_get_status(u, &st);
    ck_assert_uint_eq(st.lines_sent, 2 * (3000 + 150 + 1));
    uplink_free(u);
    /* A new worker goes on where the cursor stands: nothing to send. */
    u = make_uplink(&f, &s, &k);
    drain(u);
    uplink_get_status(u, &st);
    ck_assert_uint_eq(st.lines_sent, 0);
    uplink_free(u);
    journal_close(k.journal);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

/* The store is killed in the middle of a drain, again and again (10 times in the long form). */
START_TEST(test_killed_in_the_middle)
{
    struct fixture f;
    struct real_store s;
    fixture_make(&f);
    struct keeper k = {.journal = make_rows(&f, 2000)};
    real_store_make(&s, REAL_INFLUXDB);
    struct uplink *u = make_uplink(&f, &s, &k);
    struct uplink_status st = {0};
    int kills = getenv("SOAKBENCH_LONG") != NULL ? 10 : 2;
    for (int i = 0; i < kills; i++) {
        uint64_t requests = st.requests + 3;
        int64_t deadline = now_ns() + INT64_C(30) * 1000000000;
        while (st.requests < requests && now_ns() < deadline) {
            (void)uplink_run_once(u, now_ns());
            uplink_get_status(u, &st);
        }
        real_store_kill(&s);
        deadline = now_ns() + INT64_C(30) * 1000000000;
        do {
            (void)uplink_run_once(u, now_ns());
            uplink_get_status(u, &st);
        } while (st.state != UPLINK_WAITING && now_ns() < deadline);
        ck_assert_int_eq((int)st.state, UPLINK_WAITING);
        ck_assert_str_ne(st.trouble, "");
        real_store_start(&s);
    }
    drain(u);
    assert_equal(&f, &s);
    uplink_free(u);
    journal_close(k.journal);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

/* A store that comes back empty: the count falls short and all that had not settled is sent again. */
START_TEST(test_points_lost)
{
    struct fixture f;
    struct real_store s;
    fixture_make(&f);
    struct keeper k = {.journal = make_rows(&f, 200)};
    real_store_make(&s, REAL_INFLUXDB);
    struct uplink *u = make_uplink(&f, &s, &k);
    struct uplink_status st = {0};
    while (memcmp(st.sent, st.newest, sizeof st.sent) != 0 || st.newest[FEED_EVENTS] == 0) {
        (void)uplink_run_once(u, now_ns());
        uplink_get_status(u, &st);
    }
    free(real_store_query(&s, "DROP MEASUREMENT reading"));
    drain(u);
    uplink_get_status(u, &st);
    ck_assert_uint_ge(st.rewinds, 1);
    assert_equal(&f, &s);
    uplink_free(u);
    journal_close(k.journal);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

/* The store refuses one event (its field value0 is of another type there): only that line is set aside, with the
 * store's words; everything else arrives. */
START_TEST(test_poison_line)
{
    struct fixture f;
    struct real_store s;
    fixture_make(&f);
    struct keeper k = {.journal = make_rows(&f, 300)};
    real_store_make(&s, REAL_INFLUXDB);
    char *text = real_store_query(&s, "SHOW DATABASES");
    free(text);
    /* A text under the name of a number, within the same week (the types of a shard are fixed by its first point). */
    CURL *c = curl_easy_init();
    char url[128];
    (void)snprintf(url, sizeof url, "%s/write?db=soak&precision=ms", s.url);
    (void)curl_easy_setopt(c, CURLOPT_URL, url);
    (void)curl_easy_setopt(c, CURLOPT_NOPROXY, "*");
    (void)curl_easy_setopt(c, CURLOPT_POSTFIELDS, "verdict,bench=other code=\"text\" 1767323045000");
    ck_assert_int_eq((int)curl_easy_perform(c), (int)CURLE_OK);
    curl_easy_cleanup(c);
    struct uplink *u = make_uplink(&f, &s, &k);
    drain(u);
    struct uplink_status st;
    uplink_get_status(u, &st);
    ck_assert_uint_eq(st.lines_set_aside, 1);
    ck_assert_int_eq(k.set_aside, 1);
    assert_equal(&f, &s);
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(f.path, &err);
    struct journal_cursor cursor;
    ck_assert_int_eq(journal_reader_cursor(r, "shop", &cursor, &err), 1);
    ck_assert_int_eq(cursor.settled[FEED_VERDICTS], 1);
    journal_reader_close(r);
    uplink_free(u);
    journal_close(k.journal);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

/* No such database: nothing is dropped, somebody is told, and all arrives once it is there. */
START_TEST(test_no_database)
{
    struct fixture f;
    struct real_store s;
    fixture_make(&f);
    struct keeper k = {.journal = make_rows(&f, 50)};
    real_store_make(&s, REAL_INFLUXDB);
    free(real_store_query(&s, "DROP DATABASE soak"));
    struct uplink *u = make_uplink(&f, &s, &k);
    struct uplink_status st = {0};
    for (int i = 0; i < 20; i++)
        (void)uplink_run_once(u, now_ns());
    uplink_get_status(u, &st);
    ck_assert_int_eq((int)st.state, UPLINK_REFUSED);
    ck_assert_ptr_nonnull(strstr(st.trouble, "database not found"));
    ck_assert_int_eq(k.set_aside, 0);
    free(real_store_query(&s, "CREATE DATABASE soak"));
    drain(u);
    assert_equal(&f, &s);
    uplink_free(u);
    journal_close(k.journal);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

/* The real store behind TLS of its own: believed by the authority of its certificate, and by no other; then all
 * arrives, value for value. The certificates are openssl's, the TLS on the far side the store's. */
START_TEST(test_tls)
{
    static const char *const wrong[] = {"other.pem", NULL};
    struct fixture f;
    struct real_store s;
    struct uplink_status st;
    fixture_make(&f);
    struct keeper k = {.journal = make_rows(&f, 300)};
    real_store_make_tls(&s);
    for (size_t i = 0; i < 2; i++) {
        struct uplink *u = make_uplink_by(&f, &s, &k, wrong[i]);
        int64_t deadline = now_ns() + INT64_C(30) * 1000000000;
        do {
            (void)uplink_run_once(u, now_ns());
            uplink_get_status(u, &st);
        } while (st.trouble[0] == '\0' && now_ns() < deadline);
        ck_assert_int_eq((int)st.state, UPLINK_WAITING);
        ck_assert_msg(strstr(st.trouble, "certificate") != NULL, "%s", st.trouble);
        ck_assert_uint_eq(st.lines_sent, 0);
        uplink_free(u);
    }
    struct uplink *u = make_uplink_by(&f, &s, &k, "ca.pem");
    drain(u);
    assert_equal(&f, &s);
    uplink_free(u);
    journal_close(k.journal);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    if (!real_store_installed(REAL_INFLUXDB)) {
        (void)puts("no influxd installed: skipped");
        return 0;
    }
    Suite *s = suite_create("store");
    TCase *t = tcase_create("influxdb");
    tcase_set_timeout(t, 100);
    tcase_add_test(t, test_value_for_value);
    tcase_add_test(t, test_killed_in_the_middle);
    tcase_add_test(t, test_points_lost);
    tcase_add_test(t, test_poison_line);
    tcase_add_test(t, test_no_database);
    tcase_add_test(t, test_tls);
    suite_add_tcase(s, t);
    return suite_run(s);
}
