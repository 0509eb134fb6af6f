/* A run's curves, events and verdicts as files that others read without us: CSV by RFC 4180 with a Frictionless data
 * package description beside it. Readings are streamed: memory does not grow with the length of the run. */
#ifndef RUN_EXPORT_H
#define RUN_EXPORT_H

#include <stdint.h>

#include "error.h"
#include "journal_read.h"

/* Called now and then with the number of rows written so far; may be NULL. */
typedef void (*export_progress_fn)(void *ctx, int64_t rows);

/* Writes readings.csv, events.csv, verdicts.csv, captures.csv where the bench has them, and datapackage.json for run
 * run_no into folder (made when missing; files of these names are replaced, each by rename). version: of the software.
 * Returns 0 or -1. */
int run_export_csv(struct journal_reader *reader, int64_t run_no, const char *folder, const char *version,
                   export_progress_fn progress, void *ctx, struct error *err);

#endif
