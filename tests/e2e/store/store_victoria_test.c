#include <check.h>
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

static int64_t now_ns(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static struct uplink *make_uplink(const struct fixture *f, const struct real_store *s)
{
    struct error err = {""};
    struct uplink_setup setup = {.name = "shop",
                                 .kind = UPLINK_VICTORIAMETRICS,
                                 .bench = "north-bay",
                                 .batch_lines = 500,
                                 .batch_age_ns = 1,
                                 .settle_ns = 8000 * milli,
                                 .backoff_min_ms = 20,
                                 .backoff_max_ms = 200};
    (void)text_copy(setup.url, sizeof setup.url, s->url);
    (void)text_copy(setup.journal_path, sizeof setup.journal_path, f->path);
    struct uplink *u = uplink_new(&setup, &err);
    ck_assert_msg(u != NULL, "%s", err.text);
    return u;
}

/* Runs the worker until the rows are sent, or, with settled set, settled and the marker was seen. */
static struct uplink_status run_until(struct uplink *u, bool settled)
{
    int64_t deadline = now_ns() + INT64_C(60) * 1000000000;
    struct uplink_status st;
    for (;;) {
        int64_t wait = uplink_run_once(u, now_ns());
        uplink_get_status(u, &st);
        const int64_t *rows = settled ? st.settled : st.sent;
        if (st.newest[0] > 0 && memcmp(rows, st.newest, sizeof st.newest) == 0 &&
            (!settled || st.self_test != SELF_TEST_OPEN))
            return st;
        ck_assert_msg(now_ns() < deadline, "not drained: %s", st.trouble);
        wait = wait > 20 * milli ? 20 * milli : wait;
        (void)nanosleep(&(struct timespec){0, wait}, NULL);
    }
}

struct compare {
    json_t *values, *stamps;
    size_t at;
};

/* Twelve digits is what this store keeps. */
static int compare_reading(void *ctx, const struct journal_reading *m)
{
    struct compare *c = ctx;
    double stamp = json_number_value(json_array_get(c->stamps, c->at));
    double have = json_number_value(json_array_get(c->values, c->at));
    c->at++;
    ck_assert_msg(stamp == (double)m->store_ms, "point %zu: %.17g, not %lld", c->at, stamp, (long long)m->store_ms);
    ck_assert_msg(fabs(have - m->values[SIG_I2]) <= 1e-11 * fabs(m->values[SIG_I2]), "%.17g became %.17g",
                  m->values[SIG_I2], have);
    return 0;
}

static void assert_equal(const struct fixture *f, const struct real_store *s)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(f->path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    for (int32_t channel = 0; channel < 2; channel++) {
        char *text = real_store_query(s, channel == 0 ? "reading_i2{channel=\"A\"}" : "reading_i2{channel=\"B\"}");
        json_t *root = json_loads(text, JSON_DISABLE_EOF_CHECK, NULL);
        ck_assert_msg(root != NULL, "%.200s", text);
        struct compare c = {.values = json_object_get(root, "values"), .stamps = json_object_get(root, "timestamps")};
        struct row_filter filter = row_filter_any();
        filter.channel = channel;
        OK(journal_reader_readings(r, &filter, compare_reading, &c, &err));
        ck_assert_uint_eq(json_array_size(c.values), c.at);
        json_decref(root);
        free(text);
    }
    journal_reader_close(r);
}

static struct journal *make_rows(const struct fixture *f)
{
    struct error err = {""};
    struct journal *j = fixture_open(f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= 1500; n++)
        OK(fixture_batch(j, n, &err));
    return j;
}

START_TEST(test_value_for_value)
{
    struct fixture f;
    struct real_store s;
    fixture_make(&f);
    struct journal *j = make_rows(&f);
    real_store_make(&s, REAL_VICTORIAMETRICS);
    struct uplink *u = make_uplink(&f, &s);
    struct uplink_status st = run_until(u, true);
    ck_assert_int_eq((int)st.self_test, SELF_TEST_PASSED);
    assert_equal(&f, &s);
    uplink_resend(u, (int64_t[FEED_COUNT_]){0, 0, 0});
    (void)run_until(u, false);
    assert_equal(&f, &s);
    uplink_free(u);
    journal_close(j);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

/* Killed right after it acknowledged everything, and started again before the worker notices: it has forgotten points
 * that it had acknowledged, and gets them again. */
START_TEST(test_forgets_when_killed)
{
    struct fixture f;
    struct real_store s;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = make_rows(&f);
    real_store_make(&s, REAL_VICTORIAMETRICS);
    struct uplink *u = make_uplink(&f, &s);
    (void)run_until(u, false);
    real_store_kill(&s);
    real_store_start(&s);
    for (uint64_t n = 1501; n <= 1600; n++)
        OK(fixture_batch(j, n, &err));
    struct uplink_status st = run_until(u, true);
    ck_assert_uint_ge(st.rewinds, 1);
    assert_equal(&f, &s);
    uplink_free(u);
    journal_close(j);
    real_store_remove(&s);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    if (!real_store_installed(REAL_VICTORIAMETRICS)) {
        (void)puts("no victoria-metrics installed: skipped");
        return 0;
    }
    Suite *s = suite_create("store");
    TCase *t = tcase_create("victoriametrics");
    tcase_set_timeout(t, 100);
    tcase_add_test(t, test_value_for_value);
    tcase_add_test(t, test_forgets_when_killed);
    suite_add_tcase(s, t);
    return suite_run(s);
}
