#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "journal_fixture.h"
#include "line_protocol.h"
#include "stand_in_store.h"
#include "suite_run.h"
#include "uplink.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

static const int64_t milli = 1000000;
static const int64_t second = 1000000000;

enum { SEEN_CAP = 8 * 1024 * 1024, TURNS_MAX = 64 };

/* What the stand-in answers in turn (the last one for ever), and the bodies that it took. */
struct store {
    struct stand_in_answer turns[TURNS_MAX];
    int turn_count;
    int max_lines;      /* 413 above; 0: any */
    const char *poison; /* 400 for a body that has this in it */
    int requests;
    char path[512];
    char authorization[128];
    char *last_body; /* of the newest request, whatever was answered */
    char *taken;     /* bodies answered with 204, one behind the other */
    size_t taken_size;
};

static const struct stand_in_answer fine = {.status = 204, .body = ""};

static struct stand_in_answer answer(void *ctx, const struct stand_in_request *q)
{
    struct store *s = ctx;
    struct stand_in_answer a = fine;
    if (s->turn_count > 0)
        a = s->turns[s->requests < s->turn_count ? s->requests : s->turn_count - 1];
    s->requests++;
    (void)text_copy(s->path, sizeof s->path, q->path);
    (void)text_copy(s->authorization, sizeof s->authorization, q->authorization);
    (void)text_copy(s->last_body, SEEN_CAP, q->body);
    if (a.status == 204 && s->max_lines > 0 && q->lines > s->max_lines)
        a = (struct stand_in_answer){.status = 413, .body = "{\"error\":\"Request Entity Too Large\"}"};
    if (a.status == 204 && s->poison != NULL && strstr(q->body, s->poison) != NULL)
        a = (struct stand_in_answer){.status = 400, .body = "{\"error\":\"partial write: dropped=0\"}"};
    if (a.status == 204 && a.shape == ANSWER_WHOLE) {
        ck_assert_uint_lt(s->taken_size + q->size, SEEN_CAP);
        memcpy(s->taken + s->taken_size, q->body, q->size + 1);
        s->taken_size += q->size;
    }
    return a;
}

struct bench_side {
    struct fixture f;
    struct store store;
    struct stand_in *server;
    struct journal *journal;
    struct uplink *uplink;
    struct journal_cursor cursor;
    int cursors, set_aside;
    struct journal_set_aside aside;
    int64_t now_ns;
};

static int keep_cursor(void *ctx, const struct journal_cursor *c)
{
    struct bench_side *b = ctx;
    ck_assert(c->settled[0] <= c->sent[0] && c->settled[1] <= c->sent[1] && c->settled[2] <= c->sent[2]);
    b->cursor = *c;
    b->cursors++;
    return 0;
}

static int keep_line(void *ctx, const struct journal_set_aside *a)
{
    struct bench_side *b = ctx;
    b->aside = *a;
    b->set_aside++;
    return 0;
}

static void side_make(struct bench_side *b, uint64_t batches)
{
    struct error err = {""};
    *b = (struct bench_side){.now_ns = 1000 * second};
    fixture_make(&b->f);
    b->store.last_body = calloc(1, SEEN_CAP);
    b->store.taken = calloc(1, SEEN_CAP);
    ck_assert(b->store.last_body != NULL && b->store.taken != NULL);
    b->server = stand_in_new(answer, &b->store);
    b->journal = fixture_open(&b->f, FIXTURE_UTC_NS);
    for (uint64_t n = 1; n <= batches; n++)
        OK(fixture_batch(b->journal, n, &err));
}

static void side_uplink(struct bench_side *b, enum uplink_kind kind, const char *token_file)
{
    struct error err = {""};
    struct uplink_setup setup = {.name = "shop",
                                 .kind = kind,
                                 .database = "soak",
                                 .bucket = "soak",
                                 .organisation = "harrow quay",
                                 .bench = "north-bay",
                                 .batch_lines = 64,
                                 .batch_age_ns = 1,
                                 .settle_ns = 30 * second,
                                 .backoff_min_ms = 1000,
                                 .backoff_max_ms = 16000,
                                 .gzip = true,
                                 .seed = 7,
                                 .sink = {keep_cursor, keep_line, b}};
    (void)text_format(setup.url, sizeof setup.url, "http://127.0.0.1:%d/", stand_in_port(b->server));
    (void)text_copy(setup.journal_path, sizeof setup.journal_path, b->f.path);
    (void)text_copy(setup.token_file, sizeof setup.token_file, token_file);
    b->uplink = uplink_new(&setup, &err);
    ck_assert_msg(b->uplink != NULL, "%s", err.text);
}

static struct uplink_status status_of(const struct bench_side *b)
{
    struct uplink_status st;
    uplink_get_status(b->uplink, &st);
    return st;
}

/* One round; the clock then stands where the worker wants to be called again. */
static struct uplink_status round_of(struct bench_side *b)
{
    int64_t wait = uplink_run_once(b->uplink, b->now_ns);
    b->now_ns += wait > 0 ? wait : 1;
    return status_of(b);
}

static void drain(struct bench_side *b)
{
    struct uplink_status st = {0};
    for (int i = 0; i < 5000; i++) {
        st = round_of(b);
        if (st.newest[0] > 0 && memcmp(st.settled, st.newest, sizeof st.settled) == 0)
            return;
    }
    ck_abort_msg("not drained: %s", st.trouble);
}

static void side_remove(struct bench_side *b)
{
    uplink_free(b->uplink);
    journal_close(b->journal);
    stand_in_free(b->server);
    free(b->store.last_body);
    free(b->store.taken);
    fixture_remove(&b->f);
}

struct want {
    struct line_text text;
    const char *taken;
    int lines, missing;
};

static void look_for(struct want *w)
{
    w->lines++;
    if (strstr(w->taken, w->text.text) == NULL)
        w->missing++;
    line_text_clear(&w->text);
}

static int want_event(void *ctx, const struct journal_event *e)
{
    struct want *w = ctx;
    ck_assert_int_eq(line_put_event(&w->text, "north-bay", e, true), 1);
    look_for(w);
    return 0;
}

static int want_reading(void *ctx, const struct journal_reading *m)
{
    struct want *w = ctx;
    ck_assert_int_eq(line_put_reading(&w->text, "north-bay", m->channel == 0 ? "A" : "B", m), 1);
    look_for(w);
    return 0;
}

/* Lines of the journal that the stand-in did not take. */
static int missing_lines(const struct bench_side *b)
{
    struct error err = {""};
    struct want w = {.taken = b->store.taken};
    struct journal_reader *r = journal_reader_open(b->f.path, &err);
    OK(journal_reader_events(r, NULL, want_event, &w, &err));
    OK(journal_reader_readings(r, NULL, want_reading, &w, &err));
    journal_reader_close(r);
    line_text_free(&w.text);
    ck_assert_int_gt(w.lines, 0);
    return w.missing;
}

/* A body that is too large is halved until it fits. */
START_TEST(test_too_large)
{
    struct bench_side b;
    side_make(&b, 100);
    b.store.max_lines = 11;
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    drain(&b);
    ck_assert_int_eq(missing_lines(&b), 0);
    ck_assert_int_eq(b.set_aside, 0);
    side_remove(&b);
}
END_TEST

/* Version 2: its address, token and parameters, as the published description of the write API has them. */
START_TEST(test_version_2)
{
    struct bench_side b;
    side_make(&b, 10);
    char path[160];
    (void)text_format(path, sizeof path, "%s/token", b.f.dir);
    FILE *file = fopen(path, "w");
    ck_assert(file != NULL && fputs("s3cret-token\n", file) >= 0 && fclose(file) == 0);
    side_uplink(&b, UPLINK_INFLUXDB_V2, path);
    drain(&b);
    ck_assert_str_eq(b.store.path, "api/v2/write?org=harrow quay&bucket=soak&precision=ms");
    ck_assert_str_eq(b.store.authorization, "Token s3cret-token");
    ck_assert_int_eq((int)status_of(&b).self_test, (int)SELF_TEST_NOT_POSSIBLE);
    side_remove(&b);
}
END_TEST

START_TEST(test_victoriametrics)
{
    struct bench_side b;
    side_make(&b, 10);
    side_uplink(&b, UPLINK_VICTORIAMETRICS, "");
    drain(&b);
    ck_assert_ptr_null(strchr(b.store.taken, '"')); /* it keeps no texts */
    side_remove(&b);
}
END_TEST

/* 429: wait as long as it says, then the same bytes; what was acknowledged before stays acknowledged. */
START_TEST(test_slow_down)
{
    struct bench_side b;
    side_make(&b, 100);
    b.store.turns[0] = fine;
    b.store.turns[1] = (struct stand_in_answer){.status = 429, .body = "slow down", .retry_after = "17"};
    b.store.turns[2] = fine;
    b.store.turn_count = 3;
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    struct uplink_status st = round_of(&b);
    int64_t acknowledged = st.sent[FEED_EVENTS] + st.sent[FEED_READINGS];
    ck_assert_int_gt(acknowledged, 0);
    int64_t before = b.now_ns;
    st = round_of(&b);
    ck_assert_int_eq((int)st.state, UPLINK_WAITING);
    ck_assert_int_eq(b.now_ns - before, 17 * second);
    ck_assert_int_eq(st.sent[FEED_EVENTS] + st.sent[FEED_READINGS], acknowledged);
    char *refused = strdup(b.store.last_body);
    (void)round_of(&b);
    ck_assert_str_eq(refused, b.store.last_body);
    free(refused);
    drain(&b);
    ck_assert_int_eq(missing_lines(&b), 0);
    side_remove(&b);
}
END_TEST

/* Each kind of no answer: back to what had settled, wait longer each time, then everything again. */
START_TEST(test_no_answer)
{
    static const struct stand_in_answer kinds[] = {
        {.status = 500, .body = "{\"error\":\"timeout\"}"},
        {.status = 503, .body = "busy"},
        {.status = 204, .body = "", .shape = ANSWER_NONE},
        {.status = 200, .body = "", .shape = ANSWER_HALF},
        {.status = 200, .body = "<html>Welcome to the yard's router</html>"},
        {.status = 302, .body = ""},
    };
    struct bench_side b;
    side_make(&b, 100);
    b.store.turns[0] = fine;
    b.store.turns[1] = fine;
    /* Five for four rounds: libcurl itself asks once more when a kept connection turns out dead. */
    for (int i = 2; i < 7; i++)
        b.store.turns[i] = kinds[_i];
    b.store.turns[7] = fine;
    b.store.turn_count = 8;
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    (void)round_of(&b);
    struct uplink_status st = round_of(&b);
    char *first = strdup(b.store.taken);
    ck_assert_int_gt(st.sent[FEED_READINGS], 0);
    int64_t waits[4];
    for (int i = 0; i < 4; i++) {
        int64_t before = b.now_ns;
        st = round_of(&b);
        waits[i] = b.now_ns - before;
        ck_assert_int_eq((int)st.state, UPLINK_WAITING);
        ck_assert_str_ne(st.trouble, "");
        ck_assert_int_eq(st.sent[FEED_READINGS], 0);
        ck_assert_int_ge(waits[i], (500 << i) * milli);
        ck_assert_int_le(waits[i], (1000 << i) * milli);
    }
    ck_assert_uint_ge(st.rewinds, 1);
    b.store.taken_size = 0;
    drain(&b);
    ck_assert_int_eq(missing_lines(&b), 0);
    /* The same bytes as before the trouble. */
    ck_assert_int_eq(strncmp(first, b.store.taken, strlen(first)), 0);
    free(first);
    side_remove(&b);
}
END_TEST

/* Answers for somebody to look at: nothing is dropped, nothing set aside, and the words are told. */
START_TEST(test_refused)
{
    static const struct stand_in_answer kinds[] = {
        {.status = 401, .body = "{\"error\":\"unauthorized access\"}"},
        {.status = 403, .body = "{\"error\":\"not allowed\"}"},
        {.status = 404, .body = "{\"error\":\"database not found: soak\"}"},
        {.status = 400, .body = "{\"error\":\"partial write: max-values-per-tag limit exceeded (100001/100000)\"}"},
        {.status = 400, .body = "{\"error\":\"partial write: max-series-per-database limit exceeded\"}"},
    };
    struct bench_side b;
    side_make(&b, 20);
    b.store.turns[0] = kinds[_i];
    b.store.turns[1] = kinds[_i];
    b.store.turns[2] = fine;
    b.store.turn_count = 3;
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    struct uplink_status st = round_of(&b);
    while (b.store.requests == 0)
        st = round_of(&b);
    ck_assert_int_eq((int)st.state, UPLINK_REFUSED);
    ck_assert_msg(strstr(st.trouble, "error") != NULL, "%s", st.trouble);
    drain(&b);
    ck_assert_int_eq(b.set_aside, 0);
    ck_assert_int_eq(missing_lines(&b), 0);
    side_remove(&b);
}
END_TEST

/* One line in the middle is refused: only that one is set aside, with the words; its neighbours arrive. */
START_TEST(test_poison)
{
    struct bench_side b;
    side_make(&b, 200);
    b.store.poison = "value0=9,"; /* the event of n = 90 */
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    drain(&b);
    ck_assert_int_eq(b.set_aside, 1);
    ck_assert_int_eq((int)b.aside.feed, FEED_EVENTS);
    ck_assert_int_eq(b.aside.row, 9);
    ck_assert_ptr_nonnull(strstr(b.aside.answer, "partial write"));
    ck_assert_ptr_nonnull(strstr(b.aside.line, "value0=9,"));
    ck_assert_int_eq(missing_lines(&b), 1);
    side_remove(&b);
}
END_TEST

/* Nothing listens: it waits, and says so. */
START_TEST(test_nobody_there)
{
    struct bench_side b;
    side_make(&b, 5);
    side_uplink(&b, UPLINK_INFLUXDB_V1, "");
    stand_in_free(b.server);
    struct uplink_status st = round_of(&b);
    ck_assert_int_eq((int)st.state, UPLINK_WAITING);
    ck_assert_msg(strstr(st.trouble, "connect") != NULL, "%s", st.trouble);
    b.server = stand_in_new(answer, &b.store);
    side_remove(&b);
}
END_TEST

/* Rows settle only after the window, and the cursor that is handed on says so. */
START_TEST(test_settling_window)
{
    struct bench_side b;
    side_make(&b, 5);
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    int64_t begin = b.now_ns;
    struct uplink_status st = round_of(&b);
    while (st.sent[FEED_READINGS] != 10)
        st = round_of(&b);
    ck_assert_int_eq(st.settled[FEED_READINGS], 0);
    ck_assert_int_eq(b.cursor.sent[FEED_READINGS], 10);
    ck_assert_int_eq(b.cursor.settled[FEED_READINGS], 0);
    while (st.settled[FEED_READINGS] != 10)
        st = round_of(&b);
    ck_assert_int_ge(b.now_ns - begin, 30 * second);
    ck_assert_int_eq(b.cursor.settled[FEED_READINGS], 10);
    side_remove(&b);
}
END_TEST

static int count_of(const char *text, const char *what)
{
    int n = 0;
    for (const char *at = text; (at = strstr(at, what)) != NULL; at++)
        n++;
    return n;
}

/* A long backlog: the newest rows go ahead of their turn, and again in their turn; nothing is missing. */
START_TEST(test_live_ahead_of_backlog)
{
    struct bench_side b;
    char newest[64];
    side_make(&b, 400);
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    struct uplink_status st = round_of(&b);
    while (b.store.requests < 2)
        st = round_of(&b);
    ck_assert_int_lt(st.sent[FEED_READINGS], 200);
    ck_assert_uint_gt(st.lines_ahead, 0);
    /* the last reading of the fixture, 40 s after its start, in milliseconds */
    (void)text_format(newest, sizeof newest, " %lld\n", (long long)(FIXTURE_UTC_NS / 1000000 + 40000));
    /* Both channels and the event of that moment; the event came in its turn as well, since events go first. */
    ck_assert_int_eq(count_of(b.store.taken, newest), 4);
    drain(&b);
    ck_assert_int_eq(missing_lines(&b), 0);
    ck_assert_int_eq(count_of(b.store.taken, newest), 6);
    side_remove(&b);
}
END_TEST

/* From a row on, the same bytes go out once more, and what lies before stays. */
START_TEST(test_resend_from_a_row)
{
    struct bench_side b;
    side_make(&b, 60);
    side_uplink(&b, UPLINK_INFLUXDB_V2, "");
    drain(&b);
    uint64_t sent = status_of(&b).lines_sent;
    uplink_resend(b.uplink, (int64_t[FEED_COUNT_]){-1, 4, -1});
    ck_assert_int_eq(status_of(&b).settled[FEED_EVENTS], 3);
    drain(&b);
    ck_assert_uint_eq(status_of(&b).lines_sent - sent, 3); /* events 4 to 6 */
    uplink_resend(b.uplink, (int64_t[FEED_COUNT_]){101, -1, -1});
    drain(&b);
    ck_assert_uint_eq(status_of(&b).lines_sent - sent, 3 + 20);
    ck_assert_int_eq(missing_lines(&b), 0);
    side_remove(&b);
}
END_TEST

/* ---- TLS ---- */

/* A certificate authority and a server's certificate for 127.0.0.1 by openssl; a second authority that signed nothing.
 */
static void make_certificates(const char *dir)
{
    static const char script[] =
        "cd %s && for ca in ca other; do openssl req -x509 -newkey rsa:2048 -nodes -keyout $ca.key -out $ca.pem -days 2"
        " -subj /CN=harrow-quay-$ca >/dev/null 2>&1 || exit 1; done;"
        " openssl req -newkey rsa:2048 -nodes -keyout store.key -out store.csr -subj /CN=store >/dev/null 2>&1 &&"
        " for ip in 127.0.0.1 127.0.0.9; do printf 'subjectAltName=IP:%%s\n' $ip > ext &&"
        " openssl x509 -req -in store.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile ext"
        " -out store-$ip.pem >/dev/null 2>&1 || exit 1; done";
    char command[1024];
    (void)snprintf(command, sizeof command, script, dir);
    ck_assert_int_eq(system(command), 0);
}

/* A relay of python3's own ssl module in front of the stand-in: the TLS is not ours. */
static FILE *start_relay(const struct bench_side *b, const char *certificate, int *port)
{
    char command[512];
    (void)snprintf(command, sizeof command, "exec python3 %s/tests/e2e/store/tls_relay.py %s/%s %s/store.key %d",
                   SOURCE_DIR, b->f.dir, certificate, b->f.dir, stand_in_port(b->server));
    FILE *relay = popen(command, "r");
    ck_assert_ptr_nonnull(relay);
    ck_assert_int_eq(fscanf(relay, "%d", port), 1);
    return relay;
}

/* The relay ends when its key is gone. */
static int stop_relay(FILE *relay, const struct bench_side *b)
{
    char path[128];
    (void)snprintf(path, sizeof path, "%s/store.key", b->f.dir);
    ck_assert_int_eq(remove(path), 0);
    return pclose(relay);
}

static void side_uplink_tls(struct bench_side *b, int port, const char *ca)
{
    struct error err = {""};
    struct uplink_setup setup = {.name = "shop",
                                 .kind = UPLINK_INFLUXDB_V2,
                                 .bucket = "soak",
                                 .organisation = "harrow quay",
                                 .bench = "north-bay",
                                 .batch_lines = 64,
                                 .batch_age_ns = 1,
                                 .settle_ns = 30 * second,
                                 .seed = 7,
                                 .sink = {keep_cursor, keep_line, b}};
    (void)text_format(setup.url, sizeof setup.url, "https://127.0.0.1:%d/", port);
    (void)text_copy(setup.journal_path, sizeof setup.journal_path, b->f.path);
    (void)text_format(setup.ca_file, sizeof setup.ca_file, "%s/%s", b->f.dir, ca);
    b->uplink = uplink_new(&setup, &err);
    ck_assert_msg(b->uplink != NULL, "%s", err.text);
}

static const struct {
    const char *certificate, *ca, *words; /* words NULL: it works */
} tls_cases[] = {
    {"store-127.0.0.1.pem", "ca.pem", NULL},
    {"store-127.0.0.1.pem", "other.pem", "certificate"},
    {"store-127.0.0.9.pem", "ca.pem", "certificate"}, /* another machine's certificate */
};

/* A store behind TLS is believed by the authority that ca_file names, by no other, and under its own name only. */
START_TEST(test_tls)
{
    struct bench_side b;
    int port = 0;
    if (system("openssl version >/dev/null 2>&1") != 0)
        return; /* said by the suite's list of packages */
    side_make(&b, 30);
    make_certificates(b.f.dir);
    FILE *relay = start_relay(&b, tls_cases[_i].certificate, &port);
    side_uplink_tls(&b, port, tls_cases[_i].ca);
    if (tls_cases[_i].words == NULL) {
        drain(&b);
        ck_assert_int_eq(missing_lines(&b), 0);
    } else {
        struct uplink_status st = round_of(&b);
        for (int i = 0; i < 10; i++)
            st = round_of(&b);
        ck_assert_int_eq((int)st.state, UPLINK_WAITING);
        ck_assert_msg(strstr(st.trouble, tls_cases[_i].words) != NULL, "%s", st.trouble);
        ck_assert_int_eq(b.store.requests, 0); /* not a byte of the record went to it */
    }
    uplink_free(b.uplink);
    b.uplink = NULL;
    ck_assert_int_eq(stop_relay(relay, &b), 0);
    side_remove(&b);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("answers of a store");
    TCase *t = tcase_create("answers");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, test_too_large);
    tcase_add_test(t, test_version_2);
    tcase_add_test(t, test_victoriametrics);
    tcase_add_test(t, test_slow_down);
    tcase_add_loop_test(t, test_no_answer, 0, 6);
    tcase_add_loop_test(t, test_refused, 0, 5);
    tcase_add_test(t, test_poison);
    tcase_add_test(t, test_nobody_there);
    tcase_add_test(t, test_settling_window);
    tcase_add_test(t, test_live_ahead_of_backlog);
    tcase_add_test(t, test_resend_from_a_row);
    tcase_add_loop_test(t, test_tls, 0, 3);
    suite_add_tcase(s, t);
    return suite_run(s);
}
