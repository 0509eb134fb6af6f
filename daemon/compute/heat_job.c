#include "heat_job.h"

#include <math.h>
#include <string.h>

#include "heat.h"
#include "worker_job.h"

_Static_assert((int)HEAT_VALUE_COUNT_ <= 24, "an answer has no room for its values");

/* Rated ambient and cycle of IEC 60974-1; the intake's uncertainty as of a thermocouple of class 1 (IEC 60584-1). */
static const double rated_ambient_degc = 40;
static const double rated_cycle_s = 600;
static const double intake_u_k = 1;
static const double limit_u_k = 1;
static const double coverage_k = 2;

/* The job's samples as heat_fit wants them: those with a temperature, each later than the one before. */
static struct heat_record make_record(const struct command *ask, const struct heat_sample *samples, int count,
                                      struct heat_job_room *room)
{
    struct heat_record record = {.intake_const_degc = NAN};
    bool intake = true;
    for (int i = 0; i < count; i++) {
        const struct heat_sample *m = &samples[i];
        double t = ask->mask == SIG_T_EXHAUST ? m->exhaust_degc : m->case_degc;
        if (!isfinite(t))
            continue;
        room->time_s[record.count] = (double)(m->stamp_ns - samples[0].stamp_ns) / 1e9;
        room->temperature_degc[record.count] = t;
        room->intake_degc[record.count] = m->intake_degc;
        room->on[record.count++] = m->on;
        intake = intake && isfinite(m->intake_degc);
    }
    record.time_s = room->time_s;
    record.temperature_degc = room->temperature_degc;
    record.intake_degc = intake ? room->intake_degc : NULL;
    record.on = room->on;
    /* Without an intake sensor the first temperature stands for the air, as of a unit that begins cold. */
    if (!intake && record.count)
        record.intake_const_degc = room->temperature_degc[0];
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

static enum job_status ask_fit(const struct command *ask, const struct heat_fit *fit, double *values)
{
    struct heat_answer rated, here;
    struct error err = {""};
    double peak_k, u_k;
    bool seen = isfinite(ask->value);
    struct heat_question question = {.limit_degc = seen ? ask->value : fit->intake_degc + fit->highest_on_rise_k,
                                     .limit_seen = seen,
                                     .u_limit_k = limit_u_k,
                                     .ambient_degc = rated_ambient_degc,
                                     .u_ambient_k = intake_u_k,
                                     .current_ratio = 1,
                                     .cycle_s = ask->cycle_s > 0 ? ask->cycle_s : rated_cycle_s,
                                     .coverage_k = coverage_k};
    if (heat_percent_on(fit, &question, &rated, &err))
        return status_of(&err);
    question.ambient_degc = fit->intake_degc;
    if (heat_percent_on(fit, &question, &here, &err) ||
        heat_equilibrium(fit, ask->percent_on, question.cycle_s, &peak_k, &u_k, &err))
        return status_of(&err);
    put_bodies(&fit->model, values);
    values[HEAT_VALUE_RESIDUAL_K] = fit->residual_k;
    values[HEAT_VALUE_INTAKE_DEGC] = fit->intake_degc;
    values[HEAT_VALUE_LIMIT_DEGC] = question.limit_degc;
    values[HEAT_VALUE_PERCENT_ON] = rated.percent_on;
    values[HEAT_VALUE_LOW_PCT] = rated.low_pct;
    values[HEAT_VALUE_HIGH_PCT] = rated.high_pct;
    values[HEAT_VALUE_AT_LEAST] = rated.at_least;
    values[HEAT_VALUE_POINTS] = fit->points;
    values[HEAT_VALUE_EQUILIBRIUM_DEGC] = fit->intake_degc + peak_k;
    values[HEAT_VALUE_EQUILIBRIUM_U_K] = coverage_k * u_k;
    values[HEAT_VALUE_HERE_PCT] = here.percent_on;
    values[HEAT_VALUE_HERE_LOW_PCT] = here.low_pct;
    values[HEAT_VALUE_HERE_HIGH_PCT] = here.high_pct;
    return JOB_HOLDS;
}

void heat_job_no_answer(const struct command *ask, int32_t status, struct input_worker *result)
{
    *result = (struct input_worker){.job = ask->number, .channel = ask->channel, .status = status};
    for (int i = 0; i < WORKER_VALUES_MAX; i++)
        result->values[i] = NAN;
}

void heat_job_answer(const struct command *ask, const struct heat_sample *samples, int count,
                     struct heat_job_room *room, struct input_worker *result)
{
    struct heat_limits limits = heat_limits_default();
    struct heat_record record = make_record(ask, samples, count, room);
    struct heat_fit fit = {0};
    struct error err = {""};
    heat_job_no_answer(ask, JOB_BAD_RECORD, result);
    if (record.count < HEAT_POINTS_LEAST)
        return;
    result->status =
        heat_fit(&record, &limits, &fit, &err) ? (int32_t)status_of(&err) : (int32_t)ask_fit(ask, &fit, result->values);
}
