#include "worker_stage.h"

#include <pthread.h>
#include <stdlib.h>
#include <unistd.h>

#include "heat_job.h"
#include "stagger_plan.h"
#include "worker_job.h"

struct job {
    struct command command;
    int count;
    struct heat_sample samples[HEAT_SAMPLES_MAX];
    struct stagger_job stagger;
};

struct worker_stage {
    struct queue *to_engine;
    int wake_fd;
    pthread_mutex_t mutex;
    struct job jobs[WORKER_JOBS_MAX]; /* ring, guarded */
    int first, count;
    uint64_t done, refused;
    struct job at; /* the worker's thread, as the rest */
    struct input_worker result;
    bool has_result;
    struct heat_job_room room;
};

struct worker_stage *worker_stage_new(struct queue *to_engine, int wake_fd)
{
    struct worker_stage *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    s->to_engine = to_engine;
    s->wake_fd = wake_fd;
    if (pthread_mutex_init(&s->mutex, NULL)) {
        free(s);
        return NULL;
    }
    return s;
}

void worker_stage_free(struct worker_stage *stage)
{
    if (!stage)
        return;
    pthread_mutex_destroy(&stage->mutex);
    free(stage);
}

int worker_stage_post(struct worker_stage *stage, const struct command *command, const struct heat_series *series,
                      const struct stagger_job *stagger)
{
    int status = -1;
    uint64_t one = 1;
    pthread_mutex_lock(&stage->mutex);
    bool known = command->code == JOB_HEAT || (command->code == JOB_STAGGER && stagger);
    if (known && stage->count < WORKER_JOBS_MAX) {
        struct job *j = &stage->jobs[(stage->first + stage->count) % WORKER_JOBS_MAX];
        j->command = *command;
        if (command->code == JOB_STAGGER)
            j->stagger = *stagger;
        else
            j->count = heat_series_copy(series, command->channel, command->until_ns, j->samples);
        stage->count++;
        status = 0;
    } else {
        stage->refused++;
    }
    pthread_mutex_unlock(&stage->mutex);
    if (!status && stage->wake_fd >= 0 && write(stage->wake_fd, &one, sizeof one) < 0)
        return 0; /* the counter is at its end: it is readable anyway */
    return status;
}

/* The oldest plan, else the oldest of all; guarded by the caller. */
static int next_job(const struct worker_stage *s)
{
    for (int i = 0; i < s->count; i++)
        if (s->jobs[(s->first + i) % WORKER_JOBS_MAX].command.code == JOB_STAGGER)
            return i;
    return 0;
}

static bool take_job(struct worker_stage *s)
{
    pthread_mutex_lock(&s->mutex);
    bool any = s->count > 0;
    if (any) {
        int next = next_job(s);
        s->at = s->jobs[(s->first + next) % WORKER_JOBS_MAX];
        for (; next > 0; next--)
            s->jobs[(s->first + next) % WORKER_JOBS_MAX] = s->jobs[(s->first + next - 1) % WORKER_JOBS_MAX];
        s->first = (s->first + 1) % WORKER_JOBS_MAX;
        s->count--;
    }
    pthread_mutex_unlock(&s->mutex);
    return any;
}

static void plan(const struct job *j, struct input_worker *result)
{
    struct stagger_plan made;
    heat_job_no_answer(&j->command, JOB_HOLDS, result);
    stagger_plan_jointly(&j->stagger, &made);
    stagger_plan_to_values(&j->stagger, &made, result->values);
}

bool worker_stage_run(struct worker_stage *stage)
{
    struct input_worker *result = &stage->result;
    if (!stage->has_result) {
        if (!take_job(stage))
            return false;
        if (stage->at.command.code == JOB_STAGGER)
            plan(&stage->at, result);
        else
            heat_job_answer(&stage->at.command, stage->at.samples, stage->at.count, &stage->room, result);
        stage->has_result = true;
    }
    if (queue_put(stage->to_engine, INPUT_WORKER, 0, result, sizeof *result))
        return false;
    stage->has_result = false;
    pthread_mutex_lock(&stage->mutex);
    stage->done++;
    pthread_mutex_unlock(&stage->mutex);
    return true;
}

struct worker_counts worker_stage_counts(struct worker_stage *stage)
{
    pthread_mutex_lock(&stage->mutex);
    struct worker_counts counts = {.done = stage->done, .refused = stage->refused, .waiting = stage->count};
    pthread_mutex_unlock(&stage->mutex);
    return counts;
}
