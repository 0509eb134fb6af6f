/* The chain of digests over the record. Every batch that holds rows worth covering has one seal for each run it touches
 * (run 0: the bench) and one head:
 *
 *   seal(run, batch) = SHA-256(seal of that run before | run | batch | counts | SHA-256 of its events | of its readings
 *                              | of its verdicts | of its other rows)
 *   head(batch)      = SHA-256(head before | batch | epoch | SHA-256 of its inputs | run and seal, by rising run)
 *
 * over canonical encodings (codec.h), never over SQLite's own bytes, so that a change of tables leaves them alone. The
 * writer and the verifier feed the same structures to the same functions. */
#ifndef CHAIN_H
#define CHAIN_H

#include <stdbool.h>
#include <stdint.h>

#include "journal_types.h"

enum chain_part { CHAIN_EVENTS, CHAIN_READINGS, CHAIN_VERDICTS, CHAIN_OTHERS, CHAIN_PART_COUNT_ };

/* Runs that one batch can touch. */
enum { CHAIN_RUNS_MAX = 2 * CHANNELS_MAX + 2 };

struct chain;

struct chain *chain_new(void); /* NULL: out of memory */
void chain_free(struct chain *c);
void chain_begin(struct chain *c);

/* Each returns 0, or -1 when the batch touches too many runs or libcrypto refuses. */
int chain_add_event(struct chain *c, const struct journal_event *e);
int chain_add_reading(struct chain *c, const struct journal_reading *m);
int chain_add_verdict(struct chain *c, const struct journal_verdict *v);
int chain_add_input(struct chain *c, uint64_t epoch, const void *bytes, size_t size);

/* The other rows, each with a number of its own in front. */
int chain_add_session(struct chain *c, const struct journal_session *s);
int chain_add_session_end(struct chain *c, const struct journal_session *s);
int chain_add_session_blob(struct chain *c, uint64_t epoch, enum blob_role role, const char *name,
                           const struct digest *d);
int chain_add_channel(struct chain *c, uint64_t epoch, int32_t idx, const char *name);
int chain_add_signal(struct chain *c, uint64_t epoch, int32_t idx, const char *name, int32_t kind, const char *unit,
                     const char *certificate);
int chain_add_run_start(struct chain *c, const struct journal_run *r, const void *request, size_t request_size);
int chain_add_run_end(struct chain *c, const struct journal_run *r);
int chain_add_plate(struct chain *c, int32_t version, int64_t utc_s, const void *plate, size_t plate_size);
int chain_add_inspection(struct chain *c, const struct journal_inspection *t);
int chain_add_disposition(struct chain *c, const struct journal_disposition *d);
int chain_add_baseline(struct chain *c, const struct journal_baseline *b);
int chain_add_addendum(struct chain *c, const struct journal_addendum *a);
int chain_add_removal(struct chain *c, const struct journal_removal *g);

/* What retention took out of one part of a batch: what was there when it was sealed, and what was left. */
struct chain_gone {
    int64_t count, rest_count;
    struct digest digest, rest_digest; /* rest: zeros when nothing is left */
};

/* In a part of which rows are gone, the digest kept of them takes the place of the rows that were added, so that the
 * seal comes out as it was. part CHAIN_PART_COUNT_: the inputs (run_no is not looked at). Returns 0, 1 when the rows
 * that were added are not those that were left, -1. */
int chain_stand_in(struct chain *c, int64_t run_no, enum chain_part part, const struct chain_gone *gone);

/* Count and digest of one part, after chain_close; a part without rows has zeros. */
void chain_part(struct chain *c, int64_t run_no, enum chain_part part, int64_t *count, struct digest *digest);

/* Was anything added since chain_begin? */
bool chain_used(const struct chain *c);

/* After the last row: sorts the runs and closes the parts. Then, for each i below chain_runs: the run's number and
 * counts; chain_seal gives its seal from the run's seal before (zeros: none). */
int chain_close(struct chain *c);
int chain_runs(const struct chain *c);
int64_t chain_run_no(const struct chain *c, int i);
int64_t chain_count(const struct chain *c, int i, enum chain_part part);
int chain_seal(struct chain *c, int i, int64_t batch, const struct digest *before, struct digest *seal);

/* The head, once every seal has been taken. */
int chain_head(struct chain *c, int64_t batch, uint64_t epoch, const struct digest *before, struct digest *head);

#endif
