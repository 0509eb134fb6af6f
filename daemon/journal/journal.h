/* The writer of the record: one SQLite file in WAL mode with synchronous FULL, one connection that writes and
 * checkpoints, used by exactly one thread. Rows go in in batches:
 *
 *     journal_begin -> journal_put_... -> journal_commit
 *
 * A batch is one transaction; after journal_commit returns 0 it is on disk. When any call of a batch fails, the caller
 * calls journal_rollback, keeps its rows in memory and puts them again later: the journal goes on working once the
 * cause (full disk, I/O error) is gone. All functions return 0 or -1 with a sentence in err unless they say otherwise;
 * err may be NULL. Nothing here reads a clock. */
#ifndef JOURNAL_H
#define JOURNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "error.h"
#include "journal_types.h"

struct journal;

enum journal_flag { JOURNAL_CREATE = 1 << 0 /* make the file when there is none */ };

/* Opens the journal for writing, takes the advisory lock `path`.lock (which names the holder's process id), sets every
 * pragma and reads it back, makes or checks the tables. Does not check the whole file: see journal_reader_check.
 * Returns NULL with a sentence that says what to do when the file is missing, in use, not a journal, damaged at its
 * first page, or of a newer schema (that one can still be read through journal_reader_open). */
struct journal *journal_open(const char *path, unsigned flags, struct error *err);

/* Rolls back what was not committed, brings the WAL into the file if no reader stands in the way, releases the lock.
 * NULL is allowed. */
void journal_close(struct journal *j);

/* ---- batches ---- */

int journal_begin(struct journal *j, struct error *err);
int journal_commit(struct journal *j, struct error *err);
/* Forget the batch; safe to call at any time, also after a failed commit. */
void journal_rollback(struct journal *j);
bool journal_in_batch(const struct journal *j);

/* ---- rows; all of them only within a batch ---- */

/* The epoch that the next session will have. No batch needed. */
uint64_t journal_next_epoch(const struct journal *j);

/* Did the session before this one end cleanly? True as well when there was none. No batch needed. */
bool journal_last_ended_clean(const struct journal *j);

/* Begin a session: epoch must be journal_next_epoch. Journals the bench in its canonical encoding as a blob and the
 * names of its channels and signals for the views. Runs that an earlier session left open are marked interrupted.
 * Later rows belong to this session. */
int journal_put_session(struct journal *j, const struct journal_session *s, const struct bench *bench,
                        struct error *err);

/* End the current session cleanly at end_ns (bench clock). */
int journal_end_session(struct journal *j, int64_t end_ns, struct error *err);

/* Keep bytes under their SHA-256, once however often they come, and attach them to the current session under role and
 * name (configuration text, map texts, ...). digest (NULL: not wanted) receives the name they are kept under. */
int journal_put_blob(struct journal *j, enum blob_role role, const char *name, const void *bytes, size_t size,
                     struct digest *digest, struct error *err);

/* The input log: one input in its canonical encoding (put_input). seq must rise within the session; a number left out
 * is a gap that journal_verify reports. Inputs of a batch are compressed together. */
int journal_put_input(struct journal *j, uint64_t seq, const void *bytes, size_t size, struct error *err);

int journal_put_event(struct journal *j, const struct event *e, struct error *err);

/* Only the part of journal_reading that is not marked "read only" is looked at. */
int journal_put_reading(struct journal *j, const struct journal_reading *m, struct error *err);

/* at_ns: when it was judged. A verdict of the same run and revision is refused: revise, never overwrite. */
int journal_put_verdict(struct journal *j, const struct verdict *v, uint64_t seq, int64_t at_ns, struct error *err);

/* Both keep what was said before as history. */
int journal_put_disposition(struct journal *j, const struct journal_disposition *d, struct error *err);
int journal_put_baseline(struct journal *j, const struct journal_baseline *b, struct error *err);

/* Adds to a run that is on record. a->id receives its number. bytes (NULL: none) are a file's, at most
 * ATTACHMENT_MAX_BYTES, and go under the digest with it; a file is refused when the run has one of its name already. */
int journal_put_addendum(struct journal *j, struct journal_addendum *a, const void *bytes, size_t size,
                         struct error *err);

/* A run judged again with the correction a: v is the next revision of its verdict, made at at_ns. What was on record
 * stays. v's channel is taken from the run. */
int journal_put_correction(struct journal *j, struct journal_addendum *a, const struct verdict *v, int64_t at_ns,
                           struct error *err);

/* The run number that journal_next_run_no would give, without taking it. No batch needed. */
int64_t journal_peek_run_no(const struct journal *j);

/* The next free run number; each call takes one. Durable with the next commit. No batch needed. */
int64_t journal_next_run_no(struct journal *j);

/* A run begins (its number need not come from journal_next_run_no; later numbers lie above it): start is the operator's
 * INPUT_OPERATOR with VERB_START that the engine accepted. */
int journal_put_run(struct journal *j, const struct input *start, int64_t start_ns, struct error *err);
int journal_end_run(struct journal *j, int64_t run_no, uint64_t end_seq, int64_t end_ns, struct error *err);

/* Register a unit or a new version of its plate. version receives the plate's number: the old one when nothing changed,
 * else the next. */
int journal_put_unit(struct journal *j, const struct unit_plate *plate, int64_t utc_s, int32_t *version,
                     struct error *err);

/* The same, and name receives the unit's name on record (unit_name.h). A name that is in it already says which unit the
 * plate is of, whatever maker it states: so a maker's name is corrected. version may be NULL. */
int journal_put_plate(struct journal *j, const struct unit_plate *plate, int64_t utc_s, char name[NAME_CAP],
                      int32_t *version, struct error *err);
int journal_put_inspection(struct journal *j, const struct journal_inspection *t, struct error *err);

/* Where a store stands. A new store begins with a cursor of zeros. Refuses settled beyond sent. */
int journal_put_cursor(struct journal *j, const struct journal_cursor *c, struct error *err);
int journal_put_set_aside(struct journal *j, const struct journal_set_aside *a, struct error *err);

/* Figures of buses and devices; the oldest go when there are more than LINE_MINUTES_KEPT. */
int journal_put_lines(struct journal *j, const struct journal_line_minutes *lines, struct error *err);

/* n->id receives the notice's number. */
int journal_put_notice(struct journal *j, struct journal_notice *n, struct error *err);
/* Update state, attempts, tried_utc_s and answer of the notice n->id. */
int journal_update_notice(struct journal *j, const struct journal_notice *n, struct error *err);

/* What outlives an epoch: the carry part (channels, devices, circuits and their counts) of the next INPUT_BOOT. */
int journal_set_carry(struct journal *j, const struct input_boot *carry, struct error *err);
/* Returns 1 and fills carry (nothing but the carry part is meaningful), 0 when none was set, -1. No batch needed. */
int journal_get_carry(struct journal *j, struct input_boot *carry, struct error *err);

/* ---- housekeeping; outside a batch ---- */

struct journal_stats {
    uint64_t commits;
    uint64_t failures; /* batches that did not reach the disk */
    int64_t wal_bytes; /* size of the WAL file now */
    int64_t
        wal_left_pages; /* pages the last checkpoint could not bring into the file because a reader stood in the way */
    bool wal_alarm;     /* WAL above JOURNAL_WAL_ALARM_BYTES: some reader stays open */
    int64_t free_bytes; /* on the file system of the journal; -1: could not be asked */
    int64_t file_bytes;
    int64_t used_bytes; /* of the file: without its free pages; -1: could not be asked */
};

enum { JOURNAL_WAL_ALARM_BYTES = 64 * 1024 * 1024 };

/* Bring the WAL into the file: call it when idle and every few seconds. Never waits for readers. With idle set the WAL
 * file is cut as well. Being in the way of a reader is no error: see wal_left_pages. */
int journal_checkpoint(struct journal *j, bool idle, struct error *err);

struct journal_upkeep {
    int64_t seal_before_utc_us;   /* readings older than this are sealed; 0: none */
    int64_t remove_before_utc_us; /* sealed readings older than this that no run has are taken out; 0: none by age */
    int64_t max_bytes;            /* while the file holds more, the oldest of them go whatever their age; 0: no limit */
    int64_t utc_s;                /* now: the tombstone says it */
    const char *const *stores;    /* nothing goes that one of these has not settled */
    int store_count;
};

/* One small step of upkeep, in a transaction of its own, the first of these that there is work for: take one block's
 * worth of the oldest readings (at most READING_BLOCK_ROWS, a bounded time) out of the plain rows and seal it; take one
 * sealed block out of the record and leave a tombstone, when it is old enough or the file too large, holds nothing of a
 * run, and every store has settled it; give free pages back to the file system. Sealing changes nothing that a reader
 * of this program gets. No step changes a digest. Call it when idle. Returns 1 when there may be more to do, 0 when
 * not, -1 (everything is as before). */
int journal_maintain(struct journal *j, const struct journal_upkeep *u, struct error *err);

int journal_get_stats(struct journal *j, struct journal_stats *stats, struct error *err);

/* Head of the bench chain after the last commit: 32 bytes that stand for everything recorded so far. */
void journal_get_head(const struct journal *j, struct digest *head);

#endif
