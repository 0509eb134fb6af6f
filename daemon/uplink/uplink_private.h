/* The worker's inside, shared by the files that make it up. */
#ifndef UPLINK_PRIVATE_H
#define UPLINK_PRIVATE_H

#include "store_http.h"
#include "uplink.h"
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

/* ---- uplink_answer.c: what follows from an exchange ---- */

/* After every exchange: a lost connection is remembered until the next batch is acknowledged, whoever noticed it. */
void uplink_exchanged(struct uplink *u);
/* The trouble, in the store's words. */
void uplink_tell(struct uplink *u, const char *what, const char *words);
/* What was acknowledged but had no time to settle is sent again. */
void uplink_rewind(struct uplink *u);
/* Each returns how long to wait. */
int64_t uplink_back_off(struct uplink *u, int64_t now_ns, enum uplink_state state);
int64_t uplink_lost(struct uplink *u, int64_t now_ns, const char *what);
int64_t uplink_refused(struct uplink *u, int64_t now_ns);
int64_t uplink_sent_ok(struct uplink *u, int64_t now_ns);
int64_t uplink_take_answer(struct uplink *u, int64_t now_ns);
/* Hands a line to whoever keeps those that the store will never take. Returns 0 or -1: not now. */
int uplink_set_aside(struct uplink *u, enum feed feed, int64_t row, int64_t ms, const char *words, const char *line,
                     size_t size);
void uplink_merge_pending(struct pending *into, const struct pending *p);

/* ---- uplink_self_test.c ---- */

/* Returns -1 when this call has made its exchange, a wait above zero when it failed, 0 when there is nothing to do. */
int64_t uplink_self_test(struct uplink *u, int64_t now_ns);

#endif
