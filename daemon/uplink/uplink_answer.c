#include <string.h>

#include "uplink_private.h"

void uplink_exchanged(struct uplink *u)
{
    u->status.requests++;
    u->reconnected = u->reconnected || u->answer->reconnected;
    u->answer->reconnected = false;
}

void uplink_tell(struct uplink *u, const char *what, const char *words)
{
    char clean[TEXT_CAP];
    (void)text_copy(clean, sizeof clean, words);
    for (char *p = clean; *p != '\0'; p++)
        if ((unsigned char)*p < 0x20)
            *p = ' ';
    (void)text_format(u->status.trouble, sizeof u->status.trouble, "%s: %s", what, clean);
}

void uplink_rewind(struct uplink *u)
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

/* Waits longer after each failure in a row, never in step with other benches. */
int64_t uplink_back_off(struct uplink *u, int64_t now_ns, enum uplink_state state)
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

int64_t uplink_lost(struct uplink *u, int64_t now_ns, const char *what)
{
    uplink_tell(u, what, u->answer->text);
    uplink_rewind(u);
    int64_t wait = uplink_back_off(u, now_ns, UPLINK_WAITING);
    if (u->answer->retry_after_s > 0) {
        wait = (u->answer->retry_after_s < 3600 ? u->answer->retry_after_s : 3600) * second_ns;
        u->status.next_try_ns = now_ns + wait;
    }
    return wait;
}

int uplink_set_aside(struct uplink *u, enum feed feed, int64_t row, int64_t ms, const char *words, const char *line,
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

void uplink_merge_pending(struct pending *into, const struct pending *p)
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
        uplink_merge_pending(&u->pending[PENDING_MAX - 1], &p);
    else
        u->pending[u->pending_count++] = p;
}

int64_t uplink_sent_ok(struct uplink *u, int64_t now_ns)
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
    if (uplink_set_aside(u, b->only_feed, b->only_row, b->only_ms, u->answer->text, b->text.text, b->text.used - 1) !=
        0)
        return 100 * milli_ns;
    memset(b->feed_lines, 0, sizeof b->feed_lines);
    b->lines = 0;
    b->text.used = 0;
    (void)uplink_sent_ok(u, now_ns);
    uplink_tell(u, "a line was set aside", u->answer->text);
    return 0;
}

/* Limits that the store's keeper set ("max-values-per-tag ..."): the line is sound, the store is full. */
static bool is_store_limit(const char *text)
{
    return strstr(text, "max-") != NULL || strstr(text, "limit exceeded") != NULL;
}

/* Somebody has to look: the worker goes on asking, but slowly. */
int64_t uplink_refused(struct uplink *u, int64_t now_ns)
{
    char what[64];
    (void)text_format(what, sizeof what, "answer %ld, see to the store", u->answer->status);
    uplink_tell(u, what, u->answer->text);
    u->fails = u->fails < 4 ? 4 : u->fails;
    return uplink_back_off(u, now_ns, UPLINK_REFUSED);
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
    uplink_rewind(u);
    uplink_tell(u, "sent again", "the connection to the store was lost");
    return true;
}

int64_t uplink_take_answer(struct uplink *u, int64_t now_ns)
{
    char what[64];
    long status = u->answer->status;
    (void)text_format(what, sizeof what, "answer %ld", status);
    if (status == 204)
        return restarted(u, now_ns) ? 0 : uplink_sent_ok(u, now_ns);
    if (status == 0)
        return uplink_lost(u, now_ns, "no answer");
    if (status == 413 || ((status == 400 || status == 422) && !is_store_limit(u->answer->text)))
        return split(u, now_ns);
    if (status == 400 || status == 401 || status == 403 || status == 404 || status == 422)
        return uplink_refused(u, now_ns);
    if (status == 429) {
        uplink_tell(u, what, u->answer->text);
        int64_t wait = uplink_back_off(u, now_ns, UPLINK_WAITING);
        if (u->answer->retry_after_s > 0)
            wait = (u->answer->retry_after_s < 3600 ? u->answer->retry_after_s : 3600) * second_ns;
        u->status.next_try_ns = now_ns + wait;
        return wait;
    }
    /* 5xx, and anything that no store says to a write: a proxy's page, a wrong port. */
    return uplink_lost(u, now_ns, what);
}
