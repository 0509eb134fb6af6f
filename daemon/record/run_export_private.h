/* What the files of an export share: for run_export*.c only. */
#ifndef RUN_EXPORT_PRIVATE_H
#define RUN_EXPORT_PRIVATE_H

#include <stdbool.h>
#include <stdio.h>

#include "bench.h"
#include "run_export.h"

enum { EXPORT_PATH_CAP = 4096 };

/* A file that appears under its name only when it is whole. */
struct out_file {
    FILE *stream;
    char path[EXPORT_PATH_CAP];
    char temporary[EXPORT_PATH_CAP];
};

int out_open(struct out_file *f, const char *folder, const char *name, struct error *err);
/* rc: how the writing went so far. Returns 0 or -1. */
int out_close(struct out_file *f, int rc, struct error *err);

struct exporter {
    struct journal_run run;
    struct journal_session session;
    struct bench *bench;
    FILE *to;
    int64_t rows;
    export_progress_fn progress;
    void *ctx;
};

/* Has the table of readings a column of this kind? */
bool export_has_column(const struct exporter *x, int kind);

void export_print_utc(char *to, size_t cap, int64_t utc_us);

/* A column of a table: unit and about may be NULL. */
struct export_column {
    const char *name, *type, *unit, *about;
};

enum { SURVEY_COLUMNS = 8, VERDICT_COLUMNS = 30 };
extern const struct export_column export_survey_columns[SURVEY_COLUMNS], export_verdict_columns[VERDICT_COLUMNS];

/* Writes datapackage.json and the attachments that it lists. Returns 0 or -1. */
int export_describe(struct exporter *x, struct journal_reader *reader, const char *folder, const char *version,
                    struct error *err);

#endif
