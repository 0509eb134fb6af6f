#include <stdlib.h>
#include <string.h>

#include "uplink_private.h"

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

void uplink_resend(struct uplink *u, const int64_t from_row[FEED_COUNT_])
{
    for (int f = 0; f < FEED_COUNT_; f++) {
        int64_t before = from_row[f] > 0 ? from_row[f] - 1 : 0;
        if (from_row[f] >= 0 && before < u->status.settled[f])
            u->status.settled[f] = before;
    }
    uplink_rewind(u);
    u->cursor_dirty = true;
    u->status.next_try_ns = 0;
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

/* ---- settling ---- */

/* Returns how long until something may settle; -1 when the store was asked and this call has done its exchange. */
static int64_t settle(struct uplink *u, int64_t now_ns)
{
    if (u->pending_count == 0)
        return INT64_MAX;
    int ripe = 0;
    struct pending sum = {0};
    while (ripe < u->pending_count && now_ns - u->pending[ripe].since_ns >= u->setup.settle_ns)
        uplink_merge_pending(&sum, &u->pending[ripe++]);
    if (ripe == 0)
        return u->setup.settle_ns - (now_ns - u->pending[0].since_ns);
    if (u->setup.kind == UPLINK_INFLUXDB_V1) {
        int have = readback_counts(u->http, u->setup.bench, &sum, u->answer);
        uplink_exchanged(u);
        /* A user who may write but not read leaves the window alone to decide. */
        if (have < 0 && u->answer->status != 401 && u->answer->status != 403) {
            (void)uplink_lost(u, now_ns, "the store could not be asked for its count");
            return -1;
        }
        if (have == 0) {
            uplink_rewind(u);
            uplink_tell(u, "sent again", "the store lost points that it had acknowledged");
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

static int put_refused(struct uplink *u)
{
    for (int i = 0; i < u->batch->refused_count; i++) {
        const struct refused_line *x = &u->batch->refused[i];
        if (uplink_set_aside(u, x->feed, x->row, 0, x->words, x->line, strlen(x->line)) != 0)
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
    uplink_exchanged(u);
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
        uplink_tell(u, "reading the journal", err.text);
        journal_reader_close(u->reader);
        u->reader = NULL;
        return uplink_back_off(u, now_ns, UPLINK_WAITING);
    }
    if (put_refused(u) != 0)
        return 100 * milli_ns;
    if (u->batch->lines == 0)
        return uplink_sent_ok(u, now_ns);
    store_http_write(u->http, u->batch->text.text, u->batch->text.used, u->answer);
    uplink_exchanged(u);
    return uplink_take_answer(u, now_ns);
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
        uplink_tell(u, "reading the journal", err.text);
        journal_reader_close(u->reader);
        u->reader = NULL;
        return uplink_back_off(u, now_ns, UPLINK_WAITING);
    }
    int64_t test = uplink_self_test(u, now_ns);
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
