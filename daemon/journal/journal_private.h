/* The writer's inside, shared by the files that make it up. */
#ifndef JOURNAL_PRIVATE_H
#define JOURNAL_PRIVATE_H

#include <sqlite3.h>
#include <zstd.h>

#include "chain.h"
#include "journal.h"

enum { INPUT_BLOCK_CAP = 256 * 1024 }; /* raw bytes of inputs compressed together */

enum input_codec { INPUT_CODEC_PLAIN, INPUT_CODEC_ZSTD }; /* of the blocks of a batch */

/* Store stamps of one series: a channel of one feed. */
struct series {
    int64_t last_ms;    /* of this session */
    int64_t crowded_to; /* stamps up to here are taken by an earlier session whose clock ran ahead */
};

/* What a batch changes in memory; a copy is kept until the batch is on disk. */
struct journal_state {
    int64_t batch;             /* last one with a head */
    int64_t rows[FEED_COUNT_]; /* last row of each feed */
    struct digest head;
    bool session_open;
    struct journal_session session;
    bool last_ended_clean;
    uint64_t last_seq;
    int64_t channel_ids[CHANNELS_MAX + 1]; /* at idx + 1; [0] is the bench */
    int channel_count;
    struct series series[FEED_COUNT_][CHANNELS_MAX + 1];
    uint32_t good[CHANNELS_MAX + 1]; /* bit k: kind k was good in its last row of this session */
};

enum statement {
    ST_BEGIN,
    ST_COMMIT,
    ST_EVENT,
    ST_READING,
    ST_VERDICT,
    ST_INPUT,
    ST_BATCH,
    ST_SEAL,
    ST_LAST_SEAL,
    ST_EVENT_TAKEN,
    ST_READING_TAKEN,
    ST_VERDICT_TAKEN,
    ST_META_SET,
    ST_CURSOR,
    ST_UNIT_ALIKE,
    ST_UNIT_NAMED,
    ST_PLATE_LATEST,
    ST_PLATE,
    ST_COUNT_
};

struct journal {
    sqlite3 *db;
    sqlite3_stmt *st[ST_COUNT_];
    char path[PATH_CAP];
    char wal_path[PATH_CAP + 8];
    int lock_fd;
    bool in_batch;
    bool others; /* rows for chain_feed_others were put */
    bool run_no_dirty;
    int64_t next_run_no; /* outside of the state: a number once given is never given again */
    struct journal_state state, saved;
    struct chain *chain;
    uint8_t *raw; /* inputs of the batch not yet in a block: u32 size and bytes, one behind the other */
    size_t raw_used;
    uint64_t raw_first, raw_last;
    int64_t raw_count;
    uint8_t *packed;
    size_t packed_cap;
    ZSTD_CCtx *zstd;
    int64_t kept_to;       /* blocks up to this row were looked at and hold something of a run */
    struct sealer *sealer; /* NULL until something is sealed or asked of sealed rows */
    struct input_sealer *input_sealer;
    uint64_t unsealed_epoch, unsealed_seq; /* inputs up to here make no sealed block and stay as they are */
    uint64_t commits, failures;
    int64_t wal_left_pages;
};

/* Opened in order to write within a batch? Else an error. */
int journal_need_batch(const struct journal *j, struct error *err);
/* ... and within a session? */
int journal_need_session(const struct journal *j, struct error *err);

sqlite3_stmt *journal_statement(struct journal *j, enum statement which, struct error *err);

/* Batch number that the rows of this batch carry. */
int64_t journal_batch_no(const struct journal *j);

int journal_meta_set_int(struct journal *j, const char *key, int64_t value, struct error *err);

/* Write the collected inputs as one block. */
int journal_flush_inputs(struct journal *j, struct error *err);

/* Run a one-off statement text through a function that binds it. */
int journal_once(struct journal *j, const char *text, void (*bind)(sqlite3_stmt *st, const void *ctx), const void *ctx,
                 const char *what, struct error *err);

/* Stamps of the earlier sessions for the session that begins. */
int journal_load_series(struct journal *j, struct error *err);

/* One step of retention: see journal_maintain. */
int journal_retain(struct journal *j, const struct journal_upkeep *u, struct error *err);
/* Takes the block that g names out of the record, in a batch of its own, and leaves a tombstone. */
int journal_remove(struct journal *j, const struct journal_removal *g, struct error *err);
/* One step of giving back free pages. */
int journal_shrink(struct journal *j, struct error *err);
/* Bytes of the file without its free pages. */
int journal_used_bytes(struct journal *j, int64_t *bytes, struct error *err);

/* Keeps bytes under their digest, once. */
int journal_keep_blob(struct journal *j, const void *bytes, size_t size, struct digest *digest, struct error *err);

struct sealer;
void sealer_free(struct sealer *s);
struct input_sealer;
void input_sealer_free(struct input_sealer *s);

/* One step of sealing the input log. Returns 1 done, 0 nothing to do, -1. */
int journal_seal_inputs(struct journal *j, int64_t before_utc_us, struct error *err);

/* Is the store's stamp ms of a channel taken by a sealed reading? 1 yes, 0 no, -1. */
int journal_sealed_stamp(struct journal *j, int64_t channel_id, int64_t ms, struct error *err);

#endif
