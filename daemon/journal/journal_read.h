/* Readers of the record: separate read-only connections, any number, each used by one thread at a time. Rows come
 * through callbacks in chunks of bounded size, so that no reader holds the WAL for long; a callback that returns other
 * than 0 ends the reading without error. All functions return 0 or -1 with a sentence in err unless they say
 * otherwise. */
#ifndef JOURNAL_READ_H
#define JOURNAL_READ_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "error.h"
#include "journal_types.h"

struct journal_reader;

/* Opens read-only; a schema newer than this program knows is opened as far as its views allow (journal_reader_schema
 * tells). NULL with a sentence on failure. */
struct journal_reader *journal_reader_open(const char *path, struct error *err);
void journal_reader_close(struct journal_reader *r);
int journal_reader_schema(const struct journal_reader *r);

/* SQLite's own check of the whole file, which takes a while on a big one: run it beside the work. Returns 0 when sound,
 * 1 when damaged (err says how), -1 when it could not be checked. */
int journal_reader_check(struct journal_reader *r, struct error *err);

/* ---- sessions and blobs ---- */

typedef int (*session_row_fn)(void *ctx, const struct journal_session *s);
int journal_reader_sessions(struct journal_reader *r, session_row_fn fn, void *ctx, struct error *err);
/* Returns 1 found, 0 none, -1. */
int journal_reader_session(struct journal_reader *r, uint64_t epoch, struct journal_session *s, struct error *err);
/* The bench of a session from its canonical encoding. Returns 1 found, 0 none, -1. */
int journal_reader_bench(struct journal_reader *r, uint64_t epoch, struct bench *bench, struct error *err);
/* A blob by digest; *bytes is malloc'ed and the caller's to free. The digest is checked. Returns 1 found, 0 none, -1.
 */
int journal_reader_blob(struct journal_reader *r, const struct digest *digest, uint8_t **bytes, size_t *size,
                        struct error *err);
/* The blobs attached to a session. */
typedef int (*blob_row_fn)(void *ctx, enum blob_role role, const char *name, const struct digest *digest, int64_t size);
int journal_reader_session_blobs(struct journal_reader *r, uint64_t epoch, blob_row_fn fn, void *ctx,
                                 struct error *err);

/* ---- runs ---- */

struct run_filter {
    const char *serial;      /* NULL: any */
    const char *channel;     /* name; NULL: any */
    const char *certificate; /* NULL: any; else runs in which a signal with this calibration certificate took part */
    int64_t since_utc_us;    /* 0: any */
    int64_t until_utc_us;    /* 0: any */
    int32_t verdict;         /* enum verdict_kind; 0: any */
    bool open_only;          /* still running */
    bool newest_first;
    int64_t limit; /* 0: all */
};

typedef int (*run_row_fn)(void *ctx, const struct journal_run *run);
/* filter NULL: all runs, oldest first. */
int journal_reader_runs(struct journal_reader *r, const struct run_filter *filter, run_row_fn fn, void *ctx,
                        struct error *err);
/* Returns 1 found, 0 none, -1. */
int journal_reader_run(struct journal_reader *r, int64_t run_no, struct journal_run *run, struct error *err);

/* When a unit was last on-load, on whatever channel, as far as its runs tell. Returns 1 found, 0 none, -1. */
int journal_reader_last_load(struct journal_reader *r, const char *serial, int64_t *utc_us, struct error *err);
/* Shutoffs of a unit since then, on whatever channel. Returns 0 or -1. */
int journal_reader_shutoffs(struct journal_reader *r, const char *serial, int64_t since_utc_us, int64_t *count,
                            struct error *err);

/* ---- events, verdicts, readings ---- */

struct row_filter {
    int64_t run_no;                 /* 0: any */
    int64_t after_row;              /* rows with a greater number only */
    int64_t until_row;              /* 0: no end */
    int32_t channel;                /* CHANNEL_ANY, -1: the bench's own, else the index; meaningful within one epoch */
    uint64_t epoch;                 /* 0: any */
    int64_t from_utc_us, to_utc_us; /* 0: any; to is exclusive */
    int64_t limit;                  /* 0: all */
};

enum { CHANNEL_ANY = -2 };
static inline struct row_filter row_filter_any(void)
{
    return (struct row_filter){.channel = CHANNEL_ANY};
}

typedef int (*event_row_fn)(void *ctx, const struct journal_event *e);
typedef int (*verdict_row_fn)(void *ctx, const struct journal_verdict *v);
typedef int (*reading_row_fn)(void *ctx, const struct journal_reading *m);

/* In rising order of row. */
int journal_reader_events(struct journal_reader *r, const struct row_filter *filter, event_row_fn fn, void *ctx,
                          struct error *err);
/* All revisions. */
int journal_reader_verdicts(struct journal_reader *r, const struct row_filter *filter, verdict_row_fn fn, void *ctx,
                            struct error *err);
int journal_reader_readings(struct journal_reader *r, const struct row_filter *filter, reading_row_fn fn, void *ctx,
                            struct error *err);

/* Newest row of each feed. */
int journal_reader_last_rows(struct journal_reader *r, int64_t rows[FEED_COUNT_], struct error *err);

/* Name of a session's channel; "" for -1. Returns 1 found, 0 none, -1. */
int journal_reader_channel_name(struct journal_reader *r, uint64_t epoch, int32_t channel, char name[NAME_CAP],
                                struct error *err);

/* ---- the input log ---- */

typedef int (*input_row_fn)(void *ctx, const struct input *in);
/* The inputs of a session from its first one up to and including until_seq (0: all), decoded, in order. What a run
 * needs to be judged again: epoch of the run, until_seq = end_seq. */
int journal_reader_inputs(struct journal_reader *r, uint64_t epoch, uint64_t until_seq, input_row_fn fn, void *ctx,
                          struct error *err);

/* ---- the register of units ---- */

/* Everything here goes by the unit's name on record. The name of the unit that a person calls so: by its serial number
 * where only one unit has it, by SERIAL/MAKER, or by its name. Returns 1 found, 0 none, 2 several (err says what to
 * type), -1. */
int journal_reader_find_unit(struct journal_reader *r, const char *called, char name[NAME_CAP], struct error *err);

typedef int (*unit_row_fn)(void *ctx, const struct journal_unit *u);
/* Latest version of each unit's plate, by name: those behind `after` (NULL or empty: from the first). */
int journal_reader_units(struct journal_reader *r, const char *after, unit_row_fn fn, void *ctx, struct error *err);
/* version 0: the latest. Returns 1 found, 0 none, -1. */
int journal_reader_unit(struct journal_reader *r, const char *serial, int32_t version, struct journal_unit *u,
                        struct error *err);
typedef int (*inspection_row_fn)(void *ctx, const struct journal_inspection *t);
/* Newest first. */
int journal_reader_inspections(struct journal_reader *r, const char *serial, inspection_row_fn fn, void *ctx,
                               struct error *err);

typedef int (*disposition_row_fn)(void *ctx, const struct journal_disposition *d);
/* Newest first; serial NULL: of all units. */
int journal_reader_dispositions(struct journal_reader *r, const char *serial, disposition_row_fn fn, void *ctx,
                                struct error *err);
/* The unit's baseline as set last. Returns 1 found, 0 none, -1. */
int journal_reader_baseline(struct journal_reader *r, const char *serial, struct journal_baseline *b,
                            struct error *err);

/* ---- what was added to runs ---- */

typedef int (*addendum_row_fn)(void *ctx, const struct journal_addendum *a);
/* Of one run, in the order in which they came. None in a file of tables before version 3. */
int journal_reader_addenda(struct journal_reader *r, int64_t run_no, addendum_row_fn fn, void *ctx, struct error *err);

/* ---- stores, notices ---- */

/* Returns 1 found, 0 none (cursor of zeros), -1. */
int journal_reader_cursor(struct journal_reader *r, const char *store, struct journal_cursor *c, struct error *err);
typedef int (*set_aside_row_fn)(void *ctx, const struct journal_set_aside *a);
int journal_reader_set_aside(struct journal_reader *r, const char *store, set_aside_row_fn fn, void *ctx,
                             struct error *err);
typedef int (*notice_row_fn)(void *ctx, const struct journal_notice *n);
int journal_reader_notices(struct journal_reader *r, bool pending_only, notice_row_fn fn, void *ctx, struct error *err);

/* ---- digests ---- */

/* Head of the bench chain as it stands now; zeros in an empty journal. */
int journal_reader_head(struct journal_reader *r, struct digest *head, struct error *err);
/* Head of a run's chain as it stands now. Returns 1 found, 0 none, -1. */
int journal_reader_run_digest(struct journal_reader *r, int64_t run_no, struct digest *digest, struct error *err);

struct journal_check_result {
    int64_t batches;    /* looked at */
    int64_t problems;   /* found */
    bool head_seen;     /* the expected head occurs in the chain */
    struct digest head; /* as computed */
    /* What retention took out and left a tombstone for: */
    int64_t removals, removed_parts; /* steps, digests that stand for rows */
    int64_t removed_readings, removed_inputs;
    int64_t removed_from_us, removed_to_us; /* UTC of what was removed */
    int64_t removed_last_s;                 /* UTC of the last step */
};

typedef void (*problem_fn)(void *ctx, const char *sentence);

/* Recomputes every digest from the rows and follows the chain: finds rows that were changed, taken out, put in or
 * reordered, and says which batch and rows. With expected (NULL: none) it also finds a record that was cut off behind
 * that head. Returns 0 when it could be read to the end (result->problems tells), -1 otherwise. */
int journal_verify(struct journal_reader *r, const struct digest *expected, problem_fn fn, void *ctx,
                   struct journal_check_result *result, struct error *err);

/* ---- copies ---- */

/* Copies the whole record, as it stands at one moment, into the new file `to` beside a running daemon: asks for the
 * space first, never overwrites, checks and verifies the copy, and gives it its name only when it is whole and on disk.
 * The reader holds the WAL while it copies. */
int journal_backup(struct journal_reader *r, const char *to, struct error *err);

/* Writes a run's readings, sealed or not, as exact plain rows into the new SQLite file `to` (table readings, with the
 * columns of the view of that name), and the run, its events, verdicts and inputs beside them. Never overwrites. count
 * receives the number of readings. */
int journal_unpack(struct journal_reader *r, int64_t run_no, const char *to, int64_t *count, struct error *err);

#endif
