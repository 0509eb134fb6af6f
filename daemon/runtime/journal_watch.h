/* What the journal's thread sees of its file and tells people, each once. */
#ifndef JOURNAL_WATCH_H
#define JOURNAL_WATCH_H

#include <stdatomic.h>

#include "journal_stage.h"

struct journal_watch {
    bool too_large_told, wal_told;
    atomic_bool check_told;     /* check_words are to be told */
    char check_words[TEXT_CAP]; /* of whoever checks the file */
};

/* Each outside of a batch; a message goes out with the morning's. */

/* A reader that stays open holds the WAL, and the disk fills by it: told until the WAL is small again. */
void journal_watch_wal(struct journal_watch *w, const struct journal_stage_setup *setup,
                       const struct journal_stats *stats);

/* Retention has found nothing to take out: is the file too large all the same? Told until it is smaller. */
void journal_watch_size(struct journal_watch *w, const struct journal_stage_setup *setup);

/* What another thread found out about the file (journal_stage_tell). */
void journal_watch_check(struct journal_watch *w, const struct journal_stage_setup *setup);

#endif
