/* A run as line protocol in a file, the very lines that a store gets. */
#ifndef LINES_EXPORT_H
#define LINES_EXPORT_H

#include <stdint.h>

#include "error.h"
#include "journal_read.h"
#include "run_export.h"

/* Writes folder/run-N.lp (folder is made when missing; through a temporary name and rename): the run's readings, events
 * and verdicts. Returns 0 or -1 with err. */
int export_lines(struct journal_reader *reader, int64_t run_no, const char *folder, export_progress_fn progress,
                 void *ctx, struct error *err);

#endif
