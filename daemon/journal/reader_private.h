/* The readers' inside, shared by the files that make them up. */
#ifndef READER_PRIVATE_H
#define READER_PRIVATE_H

#include <sqlite3.h>
#include <zstd.h>

#include "journal_read.h"

/* Rows taken in one statement; a callback may take its time, but the WAL is held for no more than these. */
enum { READ_CHUNK = 2000, READ_INPUT_BLOCKS = 16 };

struct journal_reader {
    sqlite3 *db;
    int schema;
    char path[PATH_CAP];
    /* anchors of the session of the row before: rows of one session come together */
    struct journal_session session;
};

/* The session of a row, from the one remembered or the file. Returns 0 or -1. */
int reader_session_of(struct journal_reader *r, uint64_t epoch, struct error *err);

/* Decoders of a row selected by the texts beside them. */
extern const char reader_event_columns[];
int reader_event_row(struct journal_reader *r, sqlite3_stmt *st, struct journal_event *e);
extern const char reader_verdict_columns[];
int reader_verdict_row(sqlite3_stmt *st, struct journal_verdict *v);
void reader_reading_columns(char *to, size_t cap);
int reader_reading_row(struct journal_reader *r, sqlite3_stmt *st, struct journal_reading *m, struct error *err);

/* One raw input of a block; bytes are valid within the call only. */
typedef int (*raw_input_fn)(void *ctx, const uint8_t *bytes, size_t size);
/* Unpacks one row of input_blocks (codec, raw_size, bytes, count from column `at` on) and calls fn for each input.
 * Returns 0, 1 when fn ended it, -1 when the block is damaged (err says so). */
int reader_unpack_block(sqlite3_stmt *st, int at, uint64_t epoch, raw_input_fn fn, void *ctx, struct error *err);

#endif
