/* The worker, without its thread: does what takes too long for the engine's step (fits of a unit's heating, plans of
 * the channels' cycles) and hands the result back as an input, which is recorded like every other. Each job carries its
 * data by value, so it reads nothing that the engine's thread writes.
 *
 * Bounded: WORKER_JOBS_MAX jobs wait. Full is an answer: worker_stage_post returns -1, and whoever asked is told
 * JOB_REFUSED. A result for which the engine's queue has no room is kept and offered again. */
#ifndef WORKER_STAGE_H
#define WORKER_STAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "command.h"
#include "heat_series.h"
#include "input.h"
#include "queue.h"
#include "stagger_job.h"

enum { WORKER_JOBS_MAX = 8 };

struct worker_stage;

/* Results go into to_engine as INPUT_WORKER. wake_fd: eventfd made readable by each post, or -1; the caller's. NULL
 * when memory is out. */
struct worker_stage *worker_stage_new(struct queue *to_engine, int wake_fd);
void worker_stage_free(struct worker_stage *stage);

/* Put the job that the command asks for, with its samples copied from the series, or the question of a plan. Engine's
 * thread; never waits longer than for the copy of another job. 0, -1 when full or when the job is not one of these. */
int worker_stage_post(struct worker_stage *stage, const struct command *command, const struct heat_series *series,
                      const struct stagger_job *stagger);

/* Do the oldest job, plans before fits: somebody waits for them. True when one was done and its result handed over. One
 * thread. */
bool worker_stage_run(struct worker_stage *stage);

struct worker_counts {
    uint64_t done;    /* results handed over */
    uint64_t refused; /* jobs for which there was no room */
    int waiting;
};
struct worker_counts worker_stage_counts(struct worker_stage *stage);

#endif
