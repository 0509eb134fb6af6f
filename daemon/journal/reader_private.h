/* The readers' inside, shared by the files that make them up. */
#ifndef READER_PRIVATE_H
#define READER_PRIVATE_H

#include <sqlite3.h>
#include <zstd.h>

#include "journal_read.h"
#include "reading_block.h"

/* Rows taken in one statement; a callback may take its time, but the WAL is held for no more than these. */
enum { READ_CHUNK = 2000 };

struct journal_reader {
    sqlite3 *db;
    int schema;
    char path[PATH_CAP];
    /* anchors of the session of the row before: rows of one session come together */
    struct journal_session session;
    struct block_cache *blocks; /* NULL: not needed yet, or with whoever reads */
};

struct block_cache;
void block_cache_free(struct block_cache *c);

/* The session of a row, from the one remembered or the file. Returns 0 or -1. */
int reader_session_of(struct journal_reader *r, uint64_t epoch, struct error *err);

/* Decoders of a row selected by the texts beside them. */
extern const char reader_event_columns[];
int reader_event_row(struct journal_reader *r, sqlite3_stmt *st, struct journal_event *e);
extern const char reader_verdict_columns[];
int reader_verdict_row(sqlite3_stmt *st, struct journal_verdict *v);
void reader_reading_columns(char *to, size_t cap);
/* All of a row but what follows from its session ... */
void reader_reading_plain(sqlite3_stmt *st, struct journal_reading *m);
/* ... and that. */
int reader_reading_stamp(struct journal_reader *r, struct journal_reading *m, struct error *err);

/* Binds a filter's parameters, of which a statement need not have all. */
void reader_bind_filter(sqlite3_stmt *st, const struct row_filter *f, int64_t after, int64_t chunk);

/* Unpacks a block of readings (codec, bytes from column `at` on) into rows (room for READING_BLOCK_ROWS). Returns the
 * count or -1. */
int reader_decode_block(struct reading_packer *p, sqlite3_stmt *st, int at, struct block_row *rows, struct error *err);

/* A walk over readings, sealed ones first. */
struct reading_walk {
    const struct row_filter *filter;
    int64_t after, left;
    reading_row_fn fn;
    void *ctx;
};

/* Hands out one chunk of plain rows behind w->after. Returns 0 there may be more, 1 the walk has ended, -1. */
typedef int (*reading_chunk_fn)(struct journal_reader *r, struct reading_walk *w, struct error *err);
int reader_walk(struct journal_reader *r, struct reading_walk *w, reading_chunk_fn plain, struct error *err);

/* One raw input of a block; bytes are valid within the call only. */
typedef int (*raw_input_fn)(void *ctx, const uint8_t *bytes, size_t size);
struct input_part;
/* Calls fn for each input of a part (input_walk.h). Returns 0, or 1 when fn ended it. */
int reader_each_input(const struct input_part *part, raw_input_fn fn, void *ctx);

/* Calls bad for each block whose parts, by which readers find it, do not fit its rows (second 0), or with a second
 * whose summary does not fit them. Returns 0 or -1. */
typedef void (*block_bad_fn)(void *ctx, int64_t first, int64_t last, int64_t second);
int reader_check_blocks(struct journal_reader *r, block_bad_fn bad, void *ctx, struct error *err);

#endif
