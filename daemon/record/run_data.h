/* Everything that a picture or a paper record of one run is made from, read from the journal at once. Times are seconds
 * since the start of the run. */
#ifndef RUN_DATA_H
#define RUN_DATA_H

#include <stddef.h>

#include "bench.h"
#include "error.h"
#include "journal_read.h"
#include "journal_types.h"

struct series {
    size_t count, cap;
    double *t_s;
    double *value; /* NAN: the signal was lost here */
};

struct run_data {
    struct journal_run run;
    struct journal_session session;
    struct journal_unit unit;             /* plate as it was judged by */
    struct journal_inspection inspection; /* newest at the start; reference empty and done 0 when none is on file */
    int has_inspection;
    struct bench *bench;
    struct series signals[SIG_KIND_COUNT_];
    size_t event_count, event_cap;
    struct journal_event *events; /* in order of row */
    size_t verdict_count, verdict_cap;
    struct journal_verdict *verdicts; /* all revisions, oldest first */
    size_t addendum_count, addendum_cap;
    struct journal_addendum *addenda; /* what was added when the run was over */
    struct digest run_digest;
    double length_s; /* to its end, or to the last reading */
};

/* Reads run run_no. NULL with a sentence when there is no such run or the journal fails. Release with run_data_free. */
struct run_data *run_data_load(struct journal_reader *reader, int64_t run_no, struct error *err);
void run_data_free(struct run_data *data);

/* Seconds since the run's start of a bench-clock stamp. */
double run_data_elapsed_s(const struct run_data *data, int64_t stamp_ns);

#endif
