/* One time-series store: follows the journal row by row and posts it as line protocol (version 1 and 2 write API).
 * Nothing is lost and nothing doubled: a store has two cursors, `sent` (acknowledged) and `settled` (held to be on the
 * store's disk); whatever goes wrong rewinds sent to settled, and the same rows are rendered to the same bytes again.
 * A worker without a thread of its own: the runtime gives it one and calls uplink_run_once; tests call it themselves.
 * It only reads the journal. Cursors and lines set aside go to the journal's one writer through callbacks. */
#ifndef UPLINK_H
#define UPLINK_H

#include <stdbool.h>
#include <stdint.h>

#include "error.h"
#include "journal_types.h"

struct uplink;

enum uplink_kind { UPLINK_INFLUXDB_V1, UPLINK_INFLUXDB_V2, UPLINK_VICTORIAMETRICS, UPLINK_KIND_COUNT_ };

const char *uplink_kind_name(enum uplink_kind kind);
/* Accepts influxdb-v1, influxdb-v2, victoriametrics. Returns 0 or -1. */
int uplink_kind_parse(const char *text, enum uplink_kind *kind);

/* Both are called on the worker's own thread and must not block for long; other than 0 means "not now": the worker
 * asks again later. */
struct uplink_sink {
    int (*put_cursor)(void *ctx, const struct journal_cursor *cursor);
    int (*put_set_aside)(void *ctx, const struct journal_set_aside *line);
    void *ctx;
};

/* Copied by uplink_new. Empty strings and zeros mean "not stated". */
struct uplink_setup {
    char name[NAME_CAP]; /* of the store in the configuration; names its cursor */
    enum uplink_kind kind;
    char url[PATH_CAP];                            /* "http://127.0.0.1:8086" */
    char database[NAME_CAP];                       /* v1, victoriametrics */
    char bucket[NAME_CAP], organisation[NAME_CAP]; /* v2 */
    char user[NAME_CAP];
    char password_file[PATH_CAP]; /* v1, victoriametrics: basic authentication */
    char token_file[PATH_CAP];    /* v2 */
    char ca_file[PATH_CAP];
    char bench[NAME_CAP]; /* tag of every line */
    char journal_path[PATH_CAP];
    bool gzip;
    int batch_lines;                        /* 0: 5000 */
    int batch_bytes;                        /* 0: 900 kB; stays below the size at which libcurl asks "may I" first */
    int64_t batch_age_ns;                   /* how long a row may wait for company; 0: 1 s */
    int64_t settle_ns;                      /* window before sent rows count as settled; 0: by the kind of store */
    int64_t connect_ms;                     /* 0: 3000 */
    int64_t timeout_ms;                     /* whole exchange; 0: 20000 */
    int64_t backoff_min_ms, backoff_max_ms; /* 0: 500 and 60000 */
    uint64_t seed;                          /* of the jitter */
    struct uplink_sink sink;
};

enum uplink_state {
    UPLINK_STARTING, /* self-test not done */
    UPLINK_IDLE,     /* all rows sent */
    UPLINK_SENDING,
    UPLINK_WAITING, /* no answer, 429 or 5xx: tries again by itself */
    UPLINK_REFUSED, /* 401, 403, 404 or a limit of the store: somebody must look; tries again slowly */
    UPLINK_STATE_COUNT_
};

enum self_test { SELF_TEST_OPEN, SELF_TEST_PASSED, SELF_TEST_FAILED, SELF_TEST_NOT_POSSIBLE };

struct uplink_status {
    char name[NAME_CAP];
    enum uplink_state state;
    enum self_test self_test;
    int64_t sent[FEED_COUNT_], settled[FEED_COUNT_], newest[FEED_COUNT_]; /* rows */
    uint64_t lines_sent;                                                  /* acknowledged, resends included */
    uint64_t lines_ahead; /* newest rows that went ahead of a backlog; sent again in their turn */
    uint64_t bytes_sent;
    uint64_t lines_set_aside;
    uint64_t rewinds;
    uint64_t requests, failures;
    int64_t next_try_ns;    /* on the clock of uplink_run_once; 0: at once */
    char trouble[TEXT_CAP]; /* empty: none */
};

const char *uplink_state_name(enum uplink_state s);

/* Makes a worker; reads password and token files; does not connect yet. NULL with a sentence on failure.
 * curl_global_init must have been called by the program before any thread was started. */
struct uplink *uplink_new(const struct uplink_setup *setup, struct error *err);
void uplink_free(struct uplink *u);

/* Do what is due: at most one exchange with the store. now_ns: a monotonic, unscaled clock. Returns how long the caller
 * may sleep until the next call (0: call again at once; new rows may be waited for in the meantime). */
int64_t uplink_run_once(struct uplink *u, int64_t now_ns);

/* Send again from the given rows on (a feed's row 0: from its beginning; below zero: leave that feed). */
void uplink_resend(struct uplink *u, const int64_t from_row[FEED_COUNT_]);

/* A copy of the figures. To be called on the worker's thread (the runtime publishes it). */
void uplink_get_status(const struct uplink *u, struct uplink_status *status);

#endif
