#include "uplink.h"

#include <stdlib.h>
#include <string.h>

#include "store_http.h"
#include "uplink_batch.h"
#include "uplink_readback.h"

enum { PENDING_MAX = 64, BACKLOG_BATCHES = 4, LIVE_EVERY_S = 5 };

static const int64_t second_ns = INT64_C(1000000000);
static const int64_t milli_ns = INT64_C(1000000);

struct uplink {
    struct uplink_setup setup;
    struct uplink_status status;
    struct store_http *http;
    struct journal_reader *reader;
    struct uplink_batch *batch;
    struct store_answer *answer;
    bool cursor_loaded, cursor_dirty;
    struct pending pending[PENDING_MAX]; /* oldest first */
    int pending_count;
    int line_limit;           /* at most batch_lines; halved on the way to a line that the store refuses */
    int64_t waiting_since_ns; /* rows wait for company since then; -1: none wait */
    int fails;                /* in a row */
    int64_t self_test_until_ns, self_test_next_ns;
    bool reconnected;
    int64_t reconnect_ns; /* no rewind for a new connection before then */
    int64_t live_ns;      /* no rows ahead of their turn before then */
    int64_t marker_ms;    /* 0: not written yet */
    uint64_t random;
};

static const char *const kind_names[UPLINK_KIND_COUNT_] = {"influxdb-v1", "influxdb-v2", "victoriametrics"};
static const char *const state_names[UPLINK_STATE_COUNT_] = {"starting", "idle", "sending", "waiting", "refused"};

const char *uplink_kind_name(enum uplink_kind kind)
{
    return (unsigned)kind < UPLINK_KIND_COUNT_ ? kind_names[kind] : "?";
}

int uplink_kind_parse(const char *text, enum uplink_kind *kind)
{
    for (int i = 0; i < UPLINK_KIND_COUNT_; i++) {
        if (strcmp(kind_names[i], text) == 0) {
            *kind = (enum uplink_kind)i;
            return 0;
        }
    }
    return -1;
}

const char *uplink_state_name(enum uplink_state s)
{
    return (unsigned)s < UPLINK_STATE_COUNT_ ? state_names[s] : "?";
}

static void fill_defaults(struct uplink_setup *s)
{
    static const int64_t settle_s[UPLINK_KIND_COUNT_] = {10, 30, 60};
    if (s->batch_lines <= 0)
        s->batch_lines = 5000;
    if (s->batch_bytes <= 0)
        s->batch_bytes = 900 * 1000;
    if (s->batch_age_ns <= 0)
        s->batch_age_ns = second_ns;
    if (s->settle_ns <= 0)
        s->settle_ns = settle_s[s->kind] * second_ns;
    if (s->backoff_min_ms <= 0)
        s->backoff_min_ms = 500;
    if (s->backoff_max_ms < s->backoff_min_ms)
        s->backoff_max_ms = s->backoff_min_ms > 60000 ? s->backoff_min_ms : 60000;
}

struct uplink *uplink_new(const struct uplink_setup *setup, struct error *err)
{
    if ((unsigned)setup->kind >= UPLINK_KIND_COUNT_) {
        (void)error_set(err, "store %s: unknown kind", setup->name);
        return NULL;
    }
    struct uplink *u = calloc(1, sizeof *u);
    if (u != NULL) {
        u->batch = calloc(1, sizeof *u->batch);
        u->answer = calloc(1, sizeof *u->answer);
    }
    if (u == NULL || u->batch == NULL || u->answer == NULL) {
        (void)error_set(err, "store %s: out of memory", setup->name);
        goto fail;
    }
    u->setup = *setup;
    fill_defaults(&u->setup);
    u->line_limit = u->setup.batch_lines;
    u->waiting_since_ns = -1;
    u->random = setup->seed * UINT64_C(2862933555777941757) + UINT64_C(3037000493);
    (void)text_copy(u->status.name, sizeof u->status.name, setup->name);
    u->http = store_http_new(&u->setup, err);
    if (u->http == NULL)
        goto fail;
    return u;
fail:
    uplink_free(u);
    return NULL;
}

void uplink_free(struct uplink *u)
{
    if (u == NULL)
        return;
    journal_reader_close(u->reader);
    store_http_free(u->http);
    if (u->batch != NULL)
        line_text_free(&u->batch->text);
    free(u->batch);
    free(u->answer);
    free(u);
}

void uplink_get_status(const struct uplink *u, struct uplink_status *status)
{
    *status = u->status;
}

/* After every exchange: a lost connection is remembered until the next batch is acknowledged, whoever noticed it. */
static void exchanged(struct uplink *u)
{
    u->status.requests++;
    u->reconnected = u->reconnected || u->answer->reconnected;
    u->answer->reconnected = false;
}

static void tell(struct uplink *u, const char *what, const char *words)
{
    char clean[TEXT_CAP];
    (void)text_copy(clean, sizeof clean, words);
    for (char *p = clean; *p != '\0'; p++)
        if ((unsigned char)*p < 0x20)
            *p = ' ';
    (void)text_format(u->status.trouble, sizeof u->status.trouble, "%s: %s", what, clean);
}

/* What was acknowledged but had no time to settle is sent again. */
static void rewind_sent(struct uplink *u)
{
    if (memcmp(u->status.sent, u->status.settled, sizeof u->status.sent) != 0) {
        u->status.rewinds++;
        u->cursor_dirty = true;
    }
    memcpy(u->status.sent, u->status.settled, sizeof u->status.sent);
    u->pending_count = 0;
    if (u->status.self_test == SELF_TEST_OPEN)
        u->marker_ms = 0; /* forgotten like the rest */
}

void uplink_resend(struct uplink *u, const int64_t from_row[FEED_COUNT_])
{
    for (int f = 0; f < FEED_COUNT_; f++) {
        int64_t before = from_row[f] > 0 ? from_row[f] - 1 : 0;
        if (from_row[f] >= 0 && before < u->status.settled[f])
            u->status.settled[f] = before;
    }
    rewind_sent(u);
    u->cursor_dirty = true;
    u->status.next_try_ns = 0;
}

/* Waits longer after each failure in a row, never in step with other benches. */
static int64_t back_off(struct uplink *u, int64_t now_ns, enum uplink_state state)
{
    int64_t ms = u->setup.backoff_min_ms;
    for (int i = 0; i < u->fails && ms < u->setup.backoff_max_ms; i++)
        ms *= 2;
    if (ms > u->setup.backoff_max_ms)
        ms = u->setup.backoff_max_ms;
    u->random = u->random * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    ms = ms / 2 + (int64_t)((u->random >> 33) % (uint64_t)(ms / 2 + 1));
    u->fails++;
    u->status.failures++;
    u->status.state = state;
    u->status.next_try_ns = now_ns + ms * milli_ns;
    return ms * milli_ns;
}

static int64_t lost(struct uplink *u, int64_t now_ns, const char *what)
{
    tell(u, what, u->answer->text);
    rewind_sent(u);
    int64_t wait = back_off(u, now_ns, UPLINK_WAITING);
    if (u->answer->retry_after_s > 0) {
        wait = (u->answer->retry_after_s < 3600 ? u->answer->retry_after_s : 3600) * second_ns;
        u->status.next_try_ns = now_ns + wait;
    }
    return wait;
}

static void push_cursor(struct uplink *u)
{
    struct journal_cursor c;
    memset(&c, 0, sizeof c);
    (void)text_copy(c.store, sizeof c.store, u->setup.name);
    memcpy(c.sent, u->status.sent, sizeof c.sent);
    memcpy(c.settled, u->status.settled, sizeof c.settled);
    if (u->setup.sink.put_cursor == NULL || u->setup.sink.put_cursor(u->setup.sink.ctx, &c) == 0)
        u->cursor_dirty = false;
}

static int set_aside(struct uplink *u, enum feed feed, int64_t row, int64_t ms, const char *words, const char *line,
                     size_t size)
{
    struct journal_set_aside a = {.feed = feed, .row = row, .utc_ms = ms};
    (void)text_copy(a.store, sizeof a.store, u->setup.name);
    (void)text_copy(a.answer, sizeof a.answer, words);
    (void)text_format(a.line, sizeof a.line, "%.*s", (int)(size < sizeof a.line ? size : sizeof a.line - 1), line);
    if (u->setup.sink.put_set_aside != NULL && u->setup.sink.put_set_aside(u->setup.sink.ctx, &a) != 0)
        return -1;
    u->status.lines_set_aside++;
    return 0;
}

/* ---- settling ---- */

static void merge_pending(struct pending *into, const struct pending *p)
{
    for (int f = 0; f < FEED_COUNT_; f++) {
        if (p->lines[f] > 0 && (into->lines[f] == 0 || p->first_ms[f] < into->first_ms[f]))
            into->first_ms[f] = p->first_ms[f];
        if (p->lines[f] > 0 && (into->lines[f] == 0 || p->last_ms[f] > into->last_ms[f]))
            into->last_ms[f] = p->last_ms[f];
        into->lines[f] += p->lines[f];
        into->last[f] = p->last[f];
    }
    into->since_ns = p->since_ns;
}

static void add_pending(struct uplink *u, int64_t now_ns)
{
    const struct uplink_batch *b = u->batch;
    struct pending p = {.since_ns = now_ns};
    memcpy(p.last, b->last, sizeof p.last);
    memcpy(p.lines, b->feed_lines, sizeof p.lines);
    memcpy(p.first_ms, b->first_ms, sizeof p.first_ms);
    memcpy(p.last_ms, b->last_ms, sizeof p.last_ms);
    if (u->pending_count == PENDING_MAX)
        merge_pending(&u->pending[PENDING_MAX - 1], &p);
    else
        u->pending[u->pending_count++] = p;
}

/* Returns how long until something may settle; -1 when the store was asked and this call has done its exchange. */
static int64_t settle(struct uplink *u, int64_t now_ns)
{
    if (u->pending_count == 0)
        return INT64_MAX;
    int ripe = 0;
    struct pending sum = {0};
    while (ripe < u->pending_count && now_ns - u->pending[ripe].since_ns >= u->setup.settle_ns)
        merge_pending(&sum, &u->pending[ripe++]);
    if (ripe == 0)
        return u->setup.settle_ns - (now_ns - u->pending[0].since_ns);
    if (u->setup.kind == UPLINK_INFLUXDB_V1) {
        int have = readback_counts(u->http, u->setup.bench, &sum, u->answer);
        exchanged(u);
        /* A user who may write but not read leaves the window alone to decide. */
        if (have < 0 && u->answer->status != 401 && u->answer->status != 403) {
            (void)lost(u, now_ns, "the store could not be asked for its count");
            return -1;
        }
        if (have == 0) {
            rewind_sent(u);
            tell(u, "sent again", "the store lost points that it had acknowledged");
            return -1;
        }
    }
    memcpy(u->status.settled, sum.last, sizeof u->status.settled);
    u->pending_count -= ripe;
    memmove(u->pending, u->pending + ripe, (size_t)u->pending_count * sizeof u->pending[0]);
    u->cursor_dirty = true;
    return u->setup.kind == UPLINK_INFLUXDB_V1 ? -1 : 0;
}

/* ---- sending ---- */

static int64_t sent_ok(struct uplink *u, int64_t now_ns)
{
    struct uplink_batch *b = u->batch;
    memcpy(u->status.sent, b->last, sizeof u->status.sent);
    u->status.lines_sent += (uint64_t)b->lines;
    u->status.bytes_sent += b->text.used;
    add_pending(u, now_ns);
    u->cursor_dirty = true;
    u->waiting_since_ns = -1;
    u->fails = 0;
    u->status.next_try_ns = 0;
    u->status.trouble[0] = '\0';
    u->status.state = UPLINK_SENDING;
    if (u->line_limit < u->setup.batch_lines)
        u->line_limit = u->line_limit * 2 < u->setup.batch_lines ? u->line_limit * 2 : u->setup.batch_lines;
    return 0;
}

/* The store refuses something in this batch: halve it until the line is found, set that one aside. */
static int64_t split(struct uplink *u, int64_t now_ns)
{
    struct uplink_batch *b = u->batch;
    u->status.failures++;
    if (b->lines > 1) {
        u->line_limit = b->lines / 2;
        u->status.state = UPLINK_SENDING;
        return 0;
    }
    if (set_aside(u, b->only_feed, b->only_row, b->only_ms, u->answer->text, b->text.text, b->text.used - 1) != 0)
        return 100 * milli_ns;
    memset(b->feed_lines, 0, sizeof b->feed_lines);
    b->lines = 0;
    b->text.used = 0;
    (void)sent_ok(u, now_ns);
    tell(u, "a line was set aside", u->answer->text);
    return 0;
}

/* Limits that the store's keeper set ("max-values-per-tag ..."): the line is sound, the store is full. */
static bool is_store_limit(const char *text)
{
    return strstr(text, "max-") != NULL || strstr(text, "limit exceeded") != NULL;
}

/* Somebody has to look: the worker goes on asking, but slowly. */
static int64_t refused(struct uplink *u, int64_t now_ns)
{
    char what[64];
    (void)text_format(what, sizeof what, "answer %ld, see to the store", u->answer->status);
    tell(u, what, u->answer->text);
    u->fails = u->fails < 4 ? 4 : u->fails;
    return back_off(u, now_ns, UPLINK_REFUSED);
}

/* A kept connection that was gone may mean that the store was killed and started again between two batches, and has
 * forgotten what it acknowledged. Once in a settling window that is reason enough to send again; a store that closes
 * its connections by habit must not hold us at the same place for ever. */
static bool restarted(struct uplink *u, int64_t now_ns)
{
    bool gone = u->reconnected;
    u->reconnected = false;
    if (!gone || u->pending_count == 0 || now_ns < u->reconnect_ns)
        return false;
    u->reconnect_ns = now_ns + 2 * u->setup.settle_ns;
    rewind_sent(u);
    tell(u, "sent again", "the connection to the store was lost");
    return true;
}

static int64_t take_answer(struct uplink *u, int64_t now_ns)
{
    char what[64];
    long status = u->answer->status;
    (void)text_format(what, sizeof what, "answer %ld", status);
    if (status == 204)
        return restarted(u, now_ns) ? 0 : sent_ok(u, now_ns);
    if (status == 0)
        return lost(u, now_ns, "no answer");
    if (status == 413 || ((status == 400 || status == 422) && !is_store_limit(u->answer->text)))
        return split(u, now_ns);
    if (status == 400 || status == 401 || status == 403 || status == 404 || status == 422)
        return refused(u, now_ns);
    if (status == 429) {
        tell(u, what, u->answer->text);
        int64_t wait = back_off(u, now_ns, UPLINK_WAITING);
        if (u->answer->retry_after_s > 0)
            wait = (u->answer->retry_after_s < 3600 ? u->answer->retry_after_s : 3600) * second_ns;
        u->status.next_try_ns = now_ns + wait;
        return wait;
    }
    /* 5xx, and anything that no store says to a write: a proxy's page, a wrong port. */
    return lost(u, now_ns, what);
}

static int put_refused(struct uplink *u)
{
    for (int i = 0; i < u->batch->refused_count; i++) {
        const struct refused_line *x = &u->batch->refused[i];
        if (set_aside(u, x->feed, x->row, 0, x->words, x->line, strlen(x->line)) != 0)
            return -1;
    }
    return 0;
}

/* While a backlog is sent, whoever looks at the store wants to see the bench as it is now: every few seconds the newest
 * rows go ahead of their turn. No cursor moves by it; in their turn they are sent again, to the same bytes, and what is
 * wrong with them or the store is then dealt with. Returns true when this call has made its exchange. */
static bool send_live(struct uplink *u, const struct batch_limits *limits, int64_t waiting, int64_t now_ns)
{
    struct error ignored;
    int64_t after[FEED_COUNT_];
    if (u->setup.kind == UPLINK_VICTORIAMETRICS) /* would keep both unless its de-duplication is on */
        return false;
    if (waiting < (int64_t)BACKLOG_BATCHES * u->setup.batch_lines || now_ns < u->live_ns)
        return false;
    u->live_ns = now_ns + LIVE_EVERY_S * second_ns;
    for (int f = 0; f < FEED_COUNT_; f++) {
        int64_t part = u->setup.batch_lines / FEED_COUNT_;
        after[f] = u->status.newest[f] - part > u->status.sent[f] ? u->status.newest[f] - part : u->status.sent[f];
    }
    if (uplink_batch_fill(u->batch, u->reader, after, limits, &ignored) != 0 || u->batch->lines == 0)
        return false;
    store_http_write(u->http, u->batch->text.text, u->batch->text.used, u->answer);
    exchanged(u);
    if (u->answer->status != 204) {
        u->status.failures++;
        u->live_ns = now_ns + 6 * LIVE_EVERY_S * second_ns;
    } else {
        u->status.lines_ahead += (uint64_t)u->batch->lines;
    }
    return true;
}

static int64_t send(struct uplink *u, int64_t now_ns)
{
    struct error err = {""};
    struct batch_limits limits = {.lines = u->line_limit,
                                  .bytes = (size_t)u->setup.batch_bytes,
                                  .with_text = u->setup.kind != UPLINK_VICTORIAMETRICS,
                                  .bench = u->setup.bench};
    int64_t waiting = 0;
    for (int f = 0; f < FEED_COUNT_; f++)
        waiting += u->status.newest[f] - u->status.sent[f];
    if (waiting <= 0) {
        u->status.state = UPLINK_IDLE;
        return 100 * milli_ns;
    }
    if (u->waiting_since_ns < 0)
        u->waiting_since_ns = now_ns;
    int64_t age = now_ns - u->waiting_since_ns;
    if (waiting < u->line_limit && age < u->setup.batch_age_ns)
        return u->setup.batch_age_ns - age;
    if (send_live(u, &limits, waiting, now_ns))
        return 0;
    if (uplink_batch_fill(u->batch, u->reader, u->status.sent, &limits, &err) != 0) {
        tell(u, "reading the journal", err.text);
        journal_reader_close(u->reader);
        u->reader = NULL;
        return back_off(u, now_ns, UPLINK_WAITING);
    }
    if (put_refused(u) != 0)
        return 100 * milli_ns;
    if (u->batch->lines == 0)
        return sent_ok(u, now_ns);
    store_http_write(u->http, u->batch->text.text, u->batch->text.used, u->answer);
    exchanged(u);
    return take_answer(u, now_ns);
}

/* ---- self-test ---- */

static const char *bench_tag(const struct uplink *u)
{
    return u->setup.bench[0] != '\0' ? u->setup.bench : "bench";
}

/* A point of our own goes out and must come back with the same value at the same millisecond. Its stamp is that of the
 * newest row, so that no store finds it too old or too new. Returns -1 when an exchange was made. */
static int64_t write_marker(struct uplink *u, int64_t now_ns)
{
    struct uplink_batch *b = u->batch;
    struct error err = {""};
    struct batch_limits one = {.lines = 1, .bytes = 1, .with_text = false, .bench = u->setup.bench};
    int64_t after[FEED_COUNT_];
    for (int f = 0; f < FEED_COUNT_; f++)
        after[f] = u->status.newest[f] > 0 ? u->status.newest[f] - 1 : 0;
    if (uplink_batch_fill(b, u->reader, after, &one, &err) != 0 || b->lines == 0)
        return 0; /* nothing recorded yet: the test waits */
    u->marker_ms = b->only_ms;
    line_text_clear(&b->text);
    line_put_measurement(&b->text, "marker");
    char value[40];
    (void)double_print(value, readback_marker_value());
    char line[256];
    (void)text_copy(line, sizeof line, b->text.text);
    line_text_clear(&b->text);
    line_put_key(&b->text, bench_tag(u));
    (void)text_append(line, sizeof line, ",bench=%s value=%s %lld\n", b->text.text, value, (long long)u->marker_ms);
    store_http_write(u->http, line, strlen(line), u->answer);
    exchanged(u);
    if (u->answer->status == 204) {
        u->self_test_until_ns = now_ns + 90 * second_ns;
        return -1;
    }
    u->marker_ms = 0;
    if (u->answer->status == 400) {
        u->status.self_test = SELF_TEST_FAILED;
        tell(u, "self-test", u->answer->text);
        return -1;
    }
    if (u->answer->status == 401 || u->answer->status == 403 || u->answer->status == 404)
        return refused(u, now_ns);
    return lost(u, now_ns, "self-test");
}

/* Returns -1 when this call has made its exchange, a wait above zero when it failed, 0 when there is nothing to do. */
static int64_t self_test(struct uplink *u, int64_t now_ns)
{
    if (u->status.self_test != SELF_TEST_OPEN)
        return 0;
    if (u->setup.kind == UPLINK_INFLUXDB_V2) {
        u->status.self_test = SELF_TEST_NOT_POSSIBLE; /* its query language is another matter */
        return 0;
    }
    if (u->marker_ms == 0)
        return write_marker(u, now_ns);
    /* A victoriametrics shows a point only after some ten seconds: ask each second, and send meanwhile. */
    if (now_ns < u->self_test_next_ns)
        return 0;
    u->self_test_next_ns = now_ns + second_ns;
    bool back = readback_marker(u->http, u->setup.kind, bench_tag(u), u->marker_ms, u->answer);
    exchanged(u);
    if (back) {
        u->status.self_test = SELF_TEST_PASSED;
    } else if (u->setup.kind == UPLINK_INFLUXDB_V1 || now_ns > u->self_test_until_ns) {
        u->status.self_test = SELF_TEST_FAILED;
        tell(u, "self-test: the marker did not come back as it was sent", u->answer->text);
    }
    return u->setup.kind == UPLINK_VICTORIAMETRICS ? 0 : -1;
}

/* ---- one round ---- */

static int open_reader(struct uplink *u, struct error *err)
{
    if (u->reader == NULL)
        u->reader = journal_reader_open(u->setup.journal_path, err);
    if (u->reader == NULL)
        return -1;
    if (!u->cursor_loaded) {
        struct journal_cursor c;
        if (journal_reader_cursor(u->reader, u->setup.name, &c, err) < 0)
            return -1;
        /* What was on its way when we stopped last is sent again: nobody watched whether it settled. */
        memcpy(u->status.sent, c.settled, sizeof u->status.sent);
        memcpy(u->status.settled, c.settled, sizeof u->status.settled);
        u->cursor_loaded = true;
    }
    return journal_reader_last_rows(u->reader, u->status.newest, err);
}

static int64_t run_round(struct uplink *u, int64_t now_ns)
{
    struct error err = {""};
    if (open_reader(u, &err) != 0) {
        tell(u, "reading the journal", err.text);
        journal_reader_close(u->reader);
        u->reader = NULL;
        return back_off(u, now_ns, UPLINK_WAITING);
    }
    int64_t test = self_test(u, now_ns);
    if (test != 0)
        return test > 0 ? test : 0;
    int64_t until_settled = settle(u, now_ns);
    if (until_settled < 0)
        return u->status.next_try_ns > now_ns ? u->status.next_try_ns - now_ns : 0;
    int64_t wait = send(u, now_ns);
    return until_settled < wait ? until_settled : wait;
}

int64_t uplink_run_once(struct uplink *u, int64_t now_ns)
{
    int64_t wait = now_ns < u->status.next_try_ns ? u->status.next_try_ns - now_ns : run_round(u, now_ns);
    if (u->cursor_dirty)
        push_cursor(u);
    return wait;
}
