/* The journal's thread, without the thread: brings what the engine's thread queued to disk, in batches, and tells how
 * far it got. Events, verdicts, runs and notices go to disk at once, inputs and readings every 800 ms of real time.
 *
 * Records stay in the queue until their commit returned, so that the age of the queue's oldest record is the age of
 * the oldest input that is not on disk, also while a commit hangs in a frozen disk. A batch that fails is rolled back
 * and put again every quarter of a second until the disk takes it; nothing is skipped. */
#ifndef JOURNAL_STAGE_H
#define JOURNAL_STAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "bench_clock.h"
#include "config.h"
#include "engine_stage.h"
#include "error.h"
#include "journal.h"
#include "log.h"
#include "queue.h"

/* Types of the records in the queue of orders: others who need the journal's one writer. */
enum journal_order {
    ORDER_REGISTER,  /* struct register_order (control.h); answered by answer */
    ORDER_NOTICE,    /* struct journal_notice: journal_update_notice */
    ORDER_CURSOR,    /* struct journal_cursor */
    ORDER_SET_ASIDE, /* struct journal_set_aside */
    ORDER_LINES      /* struct journal_line_minutes */
};

/* How long the record keeps what in which form. */
struct journal_keeping {
    int64_t plain_ns;  /* readings older than this are sealed; 0: none */
    int64_t keep_ns;   /* sealed readings of no run older than this are taken out; 0: never by age */
    int64_t max_bytes; /* 0: no limit */
    const char *stores[STORES_MAX];
    int store_count;
};

struct journal_stage_setup {
    struct journal *journal; /* stays the caller's; used by the stage's thread only */
    const struct bench *bench;
    const struct bench_clock *clock;
    struct log *log;
    struct queue *records; /* from the engine's thread, enum record_type */
    struct queue *orders;  /* enum journal_order */
    struct journal_state *state;
    int64_t free_floor_bytes;
    struct journal_keeping keeping; /* its texts stay the caller's */
    void *ctx;
    /* Answer to a register order: 2 stored, 1 refused. */
    void (*answer)(void *ctx, uint64_t request, int code, const char *text);
    /* Something is newly on disk: notices (wake whoever sends them) or rows for the stores. May be NULL. */
    void (*stored)(void *ctx, bool notices);
    /* Tests: called before each commit; other than 0 makes it fail. May be NULL. */
    int (*before_commit)(void *ctx);
};

struct journal_stage;

struct journal_stage *journal_stage_new(const struct journal_stage_setup *setup, struct error *err);
void journal_stage_free(struct journal_stage *stage);

/* Does what is to be done now. Returns true when there may be more to do at once. */
bool journal_stage_run(struct journal_stage *stage);

/* Real time at which journal_stage_run wants to be called although nothing arrives. */
int64_t journal_stage_next_real_ns(const struct journal_stage *stage);

/* A run number that was never given out before; -1 while the journal does not work. Any thread. */
int64_t journal_stage_next_run_no(struct journal_stage *stage);

/* The last batch, and the clean end of the session at end_ns of bench time. 0 or -1 with err. */
int journal_stage_finish(struct journal_stage *stage, int64_t end_ns, struct error *err);

/* Something about the file that people are to be told, from another thread: at the next housekeeping. What comes before
 * that is done is left out. */
void journal_stage_tell(struct journal_stage *stage, const char *text);

struct journal_stage_counts {
    uint64_t commits, failures;
    int64_t wal_bytes, file_bytes, used_bytes, free_bytes; /* used: of the file, without its free pages */
    int64_t longest_commit_ns;
};
/* Any thread. */
struct journal_stage_counts journal_stage_counts(const struct journal_stage *stage);

#endif
