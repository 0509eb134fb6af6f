/* The fit that a JOB_HEAT asks for (worker_job.h), from the temperatures that were kept for it: done by the worker, and
 * done again where a record is replayed, to be held against the recorded answer. Uses the mathematical library. */
#ifndef HEAT_JOB_H
#define HEAT_JOB_H

#include "command.h"
#include "heat_series.h"
#include "input.h"

/* Memory of a fit: one for each thread that fits. */
struct heat_job_room {
    double time_s[HEAT_SAMPLES_MAX], temperature_degc[HEAT_SAMPLES_MAX], intake_degc[HEAT_SAMPLES_MAX];
    unsigned char on[HEAT_SAMPLES_MAX];
};

/* Answers a JOB_HEAT from its samples. Fills all of result. */
void heat_job_answer(const struct command *ask, const struct heat_sample *samples, int count,
                     struct heat_job_room *room, struct input_worker *result);

/* The answer that stands when nothing could be done: every value NAN. */
void heat_job_no_answer(const struct command *ask, int32_t status, struct input_worker *result);

#endif
