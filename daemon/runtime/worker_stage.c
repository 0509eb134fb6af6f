#include "worker_stage.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "heat.h"
#include "worker_job.h"

/* Rated ambient and cycle of IEC 60974-1; the intake's uncertainty as of a thermocouple of class 1 (IEC 60584-1). */
static const double rated_ambient_degc = 40;
static const double rated_cycle_s = 600;
static const double intake_u_k = 1;
static const double limit_u_k = 1;

struct job {
    struct command command;
    int count;
    struct heat_sample samples[HEAT_SAMPLES_MAX];
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
    double time_s[HEAT_SAMPLES_MAX], temperature_degc[HEAT_SAMPLES_MAX], intake_degc[HEAT_SAMPLES_MAX];
    unsigned char on[HEAT_SAMPLES_MAX];
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

int worker_stage_post(struct worker_stage *stage, const struct command *command, const struct heat_series *series)
{
    int status = -1;
    uint64_t one = 1;
    pthread_mutex_lock(&stage->mutex);
    if (command->code == JOB_HEAT && stage->count < WORKER_JOBS_MAX) {
        struct job *j = &stage->jobs[(stage->first + stage->count) % WORKER_JOBS_MAX];
        j->command = *command;
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

/* ---- the fit ---- */

/* The job's samples as heat_fit wants them: those with a temperature, each later than the one before. */
static struct heat_record make_record(struct worker_stage *s)
{
    const struct job *j = &s->at;
    struct heat_record record = {.intake_const_degc = NAN};
    bool intake = true;
    for (int i = 0; i < j->count; i++) {
        const struct heat_sample *m = &j->samples[i];
        double t = j->command.mask == SIG_T_EXHAUST ? m->exhaust_degc : m->case_degc;
        if (!isfinite(t))
            continue;
        s->time_s[record.count] = (double)(m->stamp_ns - j->samples[0].stamp_ns) / 1e9;
        s->temperature_degc[record.count] = t;
        s->intake_degc[record.count] = m->intake_degc;
        s->on[record.count++] = m->on;
        intake = intake && isfinite(m->intake_degc);
    }
    record.time_s = s->time_s;
    record.temperature_degc = s->temperature_degc;
    record.intake_degc = intake ? s->intake_degc : NULL;
    record.on = s->on;
    /* Without an intake sensor the first temperature stands for the air, as of a unit that begins cold. */
    if (!intake && record.count)
        record.intake_const_degc = s->temperature_degc[0];
    return record;
}

static enum job_status status_of(const struct error *err)
{
    if (strncmp(err->text, "not identifiable", 16) == 0)
        return JOB_NOT_IDENTIFIABLE;
    return strncmp(err->text, "not linear", 10) == 0 ? JOB_NOT_LINEAR : JOB_BAD_RECORD;
}

static void put_bodies(const struct heat_model *model, double *values)
{
    values[HEAT_VALUE_BODIES] = model->bodies;
    values[HEAT_VALUE_IDLE_K] = model->idle_k;
    for (int b = 0; b < model->bodies; b++) {
        values[HEAT_VALUE_STEADY_1_K + 3 * b] = model->body[b].steady_k;
        values[HEAT_VALUE_TAU_ON_1_S + 3 * b] = model->body[b].tau_on_s;
        values[HEAT_VALUE_TAU_OFF_1_S + 3 * b] = model->body[b].tau_off_s;
    }
}

static enum job_status fit_heat(struct worker_stage *s, double *values)
{
    struct heat_limits limits = heat_limits_default();
    struct heat_record record = make_record(s);
    struct heat_fit fit = {0};
    struct heat_answer answer;
    struct error err = {""};
    if (record.count < HEAT_POINTS_LEAST)
        return JOB_BAD_RECORD;
    if (heat_fit(&record, &limits, &fit, &err))
        return status_of(&err);
    bool seen = isfinite(s->at.command.value);
    struct heat_question question = {.limit_degc = seen ? s->at.command.value : fit.intake_degc + fit.highest_rise_k,
                                     .limit_seen = seen,
                                     .u_limit_k = limit_u_k,
                                     .ambient_degc = rated_ambient_degc,
                                     .u_ambient_k = intake_u_k,
                                     .current_ratio = 1,
                                     .cycle_s = rated_cycle_s,
                                     .coverage_k = 2};
    if (heat_percent_on(&fit, &question, &answer, &err))
        return status_of(&err);
    put_bodies(&fit.model, values);
    values[HEAT_VALUE_RESIDUAL_K] = fit.residual_k;
    values[HEAT_VALUE_INTAKE_DEGC] = fit.intake_degc;
    values[HEAT_VALUE_LIMIT_DEGC] = question.limit_degc;
    values[HEAT_VALUE_PERCENT_ON] = answer.percent_on;
    values[HEAT_VALUE_LOW_PCT] = answer.low_pct;
    values[HEAT_VALUE_HIGH_PCT] = answer.high_pct;
    values[HEAT_VALUE_AT_LEAST] = answer.at_least;
    values[HEAT_VALUE_POINTS] = fit.points;
    return JOB_HOLDS;
}

static bool take_job(struct worker_stage *s)
{
    pthread_mutex_lock(&s->mutex);
    bool any = s->count > 0;
    if (any) {
        s->at = s->jobs[s->first];
        s->first = (s->first + 1) % WORKER_JOBS_MAX;
        s->count--;
    }
    pthread_mutex_unlock(&s->mutex);
    return any;
}

bool worker_stage_run(struct worker_stage *stage)
{
    struct input_worker *result = &stage->result;
    if (!stage->has_result) {
        if (!take_job(stage))
            return false;
        *result = (struct input_worker){.job = stage->at.command.number, .channel = stage->at.command.channel};
        for (int i = 0; i < HEAT_VALUE_COUNT_; i++)
            result->values[i] = NAN;
        result->status = (int32_t)fit_heat(stage, result->values);
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
