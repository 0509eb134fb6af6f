/* Where a journal may lie: its readers share memory through the WAL's index, which no file system across a network
 * gives. */
#ifndef JOURNAL_PLACE_H
#define JOURNAL_PLACE_H

#include <stdbool.h>

#include "error.h"

/* The name of a kind of file system that lies across a network (its number as statfs gives it); NULL for all others. */
const char *journal_place_remote(unsigned long kind);

/* May a journal lie at this path? Returns 0, or -1 with what to do. A folder that is not there is left to be found out
 * when the file is opened. */
int journal_place_check(const char *path, struct error *err);

#endif
