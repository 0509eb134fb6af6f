/* A night without a store, on the virtual clock: the bench soaks and records, the store hangs up on every attempt. In
 * the morning it answers: every line of the record reaches it, each once. The lines wanted are rendered from the
 * journal. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "line_protocol.h"
#include "stand_in_store.h"
#include "suite_run.h"
#include "uplink.h"

enum { LINES_CAP = 2 * 1024 * 1024 };

/* Lines as 64-bit sums (FNV-1a): enough to tell which came how often. */
struct lines {
    uint64_t *sums;
    int count;
};

static uint64_t sum_of(const char *text, size_t size)
{
    uint64_t sum = UINT64_C(14695981039346656037);
    for (size_t i = 0; i < size; i++)
        sum = (sum ^ (uint8_t)text[i]) * UINT64_C(1099511628211);
    return sum;
}

static void add_lines(struct lines *l, const char *text, size_t size)
{
    while (size > 0) {
        const char *end = memchr(text, '\n', size);
        size_t n = end ? (size_t)(end - text) : size;
        ck_assert_int_lt(l->count, LINES_CAP);
        l->sums[l->count++] = sum_of(text, n);
        text += n + (end != NULL);
        size -= n + (end != NULL);
    }
}

static int by_sum(const void *a, const void *b)
{
    uint64_t x = *(const uint64_t *)a, y = *(const uint64_t *)b;
    return x < y ? -1 : x > y;
}

struct night {
    bool up;
    int attempts;
    struct lines taken, wanted;
    struct line_text text;
    struct journal_reader *reader;
    struct journal_cursor cursor;
    int set_aside;
};

static struct stand_in_answer answer(void *ctx, const struct stand_in_request *q)
{
    struct night *n = ctx;
    n->attempts++;
    if (!n->up)
        return (struct stand_in_answer){.status = 204, .body = "", .shape = ANSWER_NONE};
    if (strstr(q->body, "marker,") == NULL)
        add_lines(&n->taken, q->body, q->size);
    return (struct stand_in_answer){.status = 204, .body = ""};
}

static void want(struct night *n, int made)
{
    ck_assert_int_ge(made, 0);
    if (made > 0)
        add_lines(&n->wanted, n->text.text, n->text.used);
    line_text_clear(&n->text);
}

static int want_event(void *ctx, const struct journal_event *e)
{
    struct night *n = ctx;
    want(n, line_put_event(&n->text, "two-units", e, true));
    return 0;
}

static int want_verdict(void *ctx, const struct journal_verdict *v)
{
    struct night *n = ctx;
    want(n, line_put_verdict(&n->text, "two-units", v, true));
    return 0;
}

static int want_reading(void *ctx, const struct journal_reading *m)
{
    struct night *n = ctx;
    char channel[NAME_CAP];
    ck_assert_int_eq(journal_reader_channel_name(n->reader, m->epoch, m->channel, channel, NULL), 1);
    want(n, line_put_reading(&n->text, "two-units", channel, m));
    return 0;
}

static int keep_cursor(void *ctx, const struct journal_cursor *c)
{
    ((struct night *)ctx)->cursor = *c;
    return 0;
}

static int keep_aside(void *ctx, const struct journal_set_aside *a)
{
    (void)a;
    ((struct night *)ctx)->set_aside++;
    return 0;
}

static struct uplink *follow(struct night *n, const struct harness *h, const struct stand_in *server)
{
    struct error err = {""};
    struct uplink_setup setup = {.name = "shop",
                                 .kind = UPLINK_INFLUXDB_V2,
                                 .bucket = "soak",
                                 .organisation = "harrow quay",
                                 .bench = "two-units",
                                 .settle_ns = 30 * H_SECOND,
                                 .gzip = true,
                                 .seed = 11,
                                 .sink = {keep_cursor, keep_aside, n}};
    (void)text_format(setup.url, sizeof setup.url, "http://127.0.0.1:%d/", stand_in_port(server));
    (void)text_copy(setup.journal_path, sizeof setup.journal_path, h->journal_path);
    struct uplink *u = uplink_new(&setup, &err);
    ck_assert_msg(u != NULL, "%s", err.text);
    return u;
}

/* Rounds until the time is up, or, when drained, everything has settled. */
static int64_t rounds(struct uplink *u, int64_t now_ns, int64_t until_ns, bool drained)
{
    struct uplink_status st;
    while (now_ns < until_ns) {
        int64_t wait = uplink_run_once(u, now_ns);
        now_ns += wait > 0 ? wait : H_SECOND / 1000;
        uplink_get_status(u, &st);
        if (drained && st.newest[0] > 0 && memcmp(st.settled, st.newest, sizeof st.settled) == 0)
            return now_ns;
    }
    ck_assert_msg(!drained, "not drained: %s", st.trouble);
    return now_ns;
}

START_TEST(a_night_without_a_store_then_all_of_it_once)
{
    bool whole = getenv("SOAKBENCH_LONG") != NULL;
    struct harness_setup setup = {.bench = "config/examples/two-units", .real_share = 60};
    struct night n = {.taken.sums = malloc(LINES_CAP * sizeof *n.taken.sums),
                      .wanted.sums = malloc(LINES_CAP * sizeof *n.wanted.sums)};
    struct error err = {""};
    ck_assert(n.taken.sums != NULL && n.wanted.sums != NULL);
    struct harness *h = harness_new(&setup);
    struct stand_in *server = stand_in_new(answer, &n);
    struct uplink *u = follow(&n, h, server);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    struct input_operator order = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_SOAK);
    order.run.soak_ns = whole ? 8 * H_HOUR : H_HOUR;
    (void)harness_start(h, &order);
    int64_t now_ns = 1000 * H_SECOND;
    /* The bench and the store's worker, an hour or so of the same night after the other. */
    for (int hour = 0; !harness_in_state(h, "A", STATE_DONE) && hour < 40; hour++) {
        harness_run_for(h, 15 * H_MINUTE);
        now_ns = rounds(u, now_ns, now_ns + 15 * H_MINUTE, false);
    }
    ck_assert(harness_in_state(h, "A", STATE_DONE));
    harness_finish(h);
    struct uplink_status st;
    uplink_get_status(u, &st);
    ck_assert_int_gt(n.attempts, 20);
    ck_assert_int_eq(st.sent[FEED_READINGS], 0);
    ck_assert_int_eq(st.settled[FEED_EVENTS], 0);

    n.up = true;
    (void)rounds(u, now_ns, now_ns + 8 * H_HOUR, true);
    ck_assert_int_eq(n.set_aside, 0);
    uplink_get_status(u, &st);

    n.reader = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(n.reader != NULL, "%s", err.text);
    ck_assert_int_eq(journal_reader_events(n.reader, NULL, want_event, &n, &err), 0);
    ck_assert_int_eq(journal_reader_verdicts(n.reader, NULL, want_verdict, &n, &err), 0);
    ck_assert_int_eq(journal_reader_readings(n.reader, NULL, want_reading, &n, &err), 0);
    journal_reader_close(n.reader);
    ck_assert_int_gt(n.wanted.count, whole ? 200000 : 20000);
    /* What went ahead of the backlog came a second time, with the same bytes; nothing else did. */
    ck_assert_int_eq(n.taken.count, n.wanted.count + (int)st.lines_ahead);
    qsort(n.taken.sums, (size_t)n.taken.count, sizeof *n.taken.sums, by_sum);
    qsort(n.wanted.sums, (size_t)n.wanted.count, sizeof *n.wanted.sums, by_sum);
    int unlike = 0, at = 0;
    for (int i = 0; i < n.taken.count; i++) {
        if (i > 0 && n.taken.sums[i] == n.taken.sums[i - 1])
            continue;
        unlike += at >= n.wanted.count || n.taken.sums[i] != n.wanted.sums[at];
        at++;
    }
    ck_assert_int_eq(unlike, 0);
    ck_assert_int_eq(at, n.wanted.count);
    uplink_free(u);
    stand_in_free(server);
    harness_free(h);
    line_text_free(&n.text);
    free(n.taken.sums);
    free(n.wanted.sums);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("a night without a store");
    TCase *t = tcase_create("night");
    tcase_set_timeout(t, 300);
    tcase_add_test(t, a_night_without_a_store_then_all_of_it_once);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
