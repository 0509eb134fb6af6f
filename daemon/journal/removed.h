/* What stands for rows that retention took out: computed the same way when they go and when the record is verified. */
#ifndef REMOVED_H
#define REMOVED_H

#include "chain.h"
#include "reader_private.h"

/* The newest tombstone of a batch's readings (of run 0) or inputs. Returns 1 found, 0 none, -1. */
int removed_part(struct journal_reader *r, int64_t batch, enum removal_what what, struct chain_gone *gone,
                 struct error *err);

/* Digest over the list of parts of a removal, and their number. */
int removed_parts_digest(struct journal_reader *r, const struct journal_removal *g, struct digest *digest,
                         int64_t *parts, struct error *err);

/* Digest over the summaries of the seconds, outside of any run, that a removal's readings lie in. */
int removed_seconds_digest(struct journal_reader *r, const struct journal_removal *g, struct digest *digest,
                           struct error *err);

#endif
