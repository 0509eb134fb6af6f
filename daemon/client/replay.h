/* Judging a run again from the record: the engine is fed with the input log of the run's session up to the run's end,
 * and every event and verdict is compared with the journaled ones to the bit. Estimates are fed as they were recorded,
 * and computed again beside that: they use the mathematical library, which differs between processors, so these are
 * held to a tolerance. */
#ifndef REPLAY_H
#define REPLAY_H

#include <stdbool.h>
#include <stdint.h>

#include "correction.h"
#include "journal_read.h"
#include "replay_compare.h"

struct replay_result {
    int64_t run_no;
    uint64_t epoch;
    char recorded_by[NAME_CAP]; /* engine version on record */
    char replayed_by[NAME_CAP];
    int64_t inputs, events;                 /* fed, compared */
    int32_t verdicts;                       /* of the run, compared */
    int32_t plans;                          /* of the channels' cycles, made again from their questions */
    int32_t estimates;                      /* answers of the worker, computed again from the readings */
    double estimates_off;                   /* the largest relative difference among their values */
    int32_t corrections;                    /* revisions by a meter's correction, made again and compared */
    int32_t recorded_rules, replayed_rules; /* version of the rules of judgement; 0: no verdict on record */
    struct replay_differences found;        /* released by differences_free */
    bool has_recorded;
    struct verdict recorded; /* of the same revision as the last one replayed */
    bool has_verdict;
    struct verdict verdict; /* the last one as replayed */
};

/* Returns 0 when it could be done (result->found tells how it came out); -1 with err. The caller releases
 * result->found either way. */
int replay_run(struct journal_reader *reader, int64_t run_no, struct replay_result *result, struct error *err);

/* A run judged again with a correction. */
struct rejudged {
    struct verdict before; /* newest on record */
    struct verdict now;    /* as the next revision */
};

/* Feeds the engine with the corrected readings. Nothing is recorded. 0, or -1 with err in words (also when the run has
 * no verdict on record, or gives none with this correction). */
int replay_corrected(struct journal_reader *reader, int64_t run_no, const struct corrections *corrections,
                     struct rejudged *result, struct error *err);

/* What a replay needs of a run: its row, its session and the bench of that. 0, or -1 with err in words. */
int replay_find(struct journal_reader *reader, int64_t run_no, struct journal_run *run, struct journal_session *session,
                struct bench *bench, struct error *err);

#endif
