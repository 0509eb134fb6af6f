/* The worker: jobs by value, answers as inputs, a stated answer to full; and the temperatures that are kept for it. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "heat_series.h"
#include "suite_run.h"
#include "worker_job.h"
#include "worker_stage.h"

static const int64_t second_ns = INT64_C(1000000000);

enum { S_CASE, S_INTAKE, S_I2, S_COUNT };

static struct bench *bench_new(void)
{
    struct bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    b->channel_count = 1;
    b->signal_count = S_COUNT;
    b->signals[S_CASE].kind = SIG_T_CASE;
    b->signals[S_INTAKE].kind = SIG_T_INTAKE;
    b->signals[S_I2].kind = SIG_I2;
    return b;
}

static void say(struct heat_series *series, int signal, double value, double at_s)
{
    struct input_readings in = {.stamp_ns = second_ns + (int64_t)(at_s * 1e9), .count = 1};
    in.items[0] = (struct reading){.signal = signal, .quality = QUALITY_GOOD, .value = value};
    heat_series_take(series, &in);
}

/* A unit of one body, time constant 20 min, 60 K steady, at 22 degC: cycles of ten minutes, on_s of each on load. The
 * exact solution of the first-order equation, step by step. */
static void run_cycles(struct heat_series *series, int cycles, int on_s)
{
    double rise_k = 0;
    for (int t = 0; t < cycles * 600; t++) {
        bool on = t % 600 < on_s;
        say(series, S_I2, on ? 160 : 0, t);
        if (t % 5 == 0) {
            say(series, S_INTAKE, 22, t + 0.1);
            say(series, S_CASE, 22 + rise_k, t + 0.2);
        }
        double goal_k = on ? 60 : 0;
        rise_k = goal_k + (rise_k - goal_k) * exp(-1.0 / 1200);
    }
}

static struct command heat_job(uint64_t number, double limit_degc)
{
    return (struct command){
        .kind = COMMAND_WORKER, .number = number, .code = JOB_HEAT, .mask = SIG_T_CASE, .value = limit_degc};
}

static bool take_result(struct queue *q, struct input_worker *result)
{
    struct queue_record record;
    if (!queue_take(q, &record, result, sizeof *result))
        return false;
    ck_assert_uint_eq(record.type, INPUT_WORKER);
    return true;
}

/* First-order body, tau 20 min, 60 % of ten minutes: the periodic peak is 0.658708958 of the steady rise (textbook
 * solution (1 - e^-d) / (1 - e^-1/2) with d = 0.3, worked out outside this program). A cut-out seen at that peak above
 * 40 degC therefore belongs to 60 percent-on. */
START_TEST(a_fit_finds_what_the_record_was_made_of)
{
    struct bench *bench = bench_new();
    struct heat_series *series = heat_series_new(bench);
    struct queue *q = queue_new(100000, -1);
    struct worker_stage *w = worker_stage_new(q, -1);
    struct input_worker r;
    run_cycles(series, 8, 210);
    struct command job = heat_job(7, 40 + 60 * 0.658708958);
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    ck_assert(!take_result(q, &r)); /* nothing happens in the engine's thread */
    ck_assert(worker_stage_run(w));
    ck_assert(!worker_stage_run(w));
    ck_assert(take_result(q, &r));
    ck_assert_uint_eq(r.job, 7);
    ck_assert_int_eq(r.channel, 0);
    ck_assert_int_eq(r.status, JOB_HOLDS);
    ck_assert_double_eq_tol(r.values[HEAT_VALUE_STEADY_1_K], 60, 1.0);
    ck_assert_double_eq_tol(r.values[HEAT_VALUE_TAU_ON_1_S], 1200, 30);
    ck_assert_double_eq_tol(r.values[HEAT_VALUE_INTAKE_DEGC], 22, 1e-6);
    ck_assert_double_eq_tol(r.values[HEAT_VALUE_PERCENT_ON], 60, 1);
    ck_assert_double_le(r.values[HEAT_VALUE_LOW_PCT], 60);
    ck_assert_double_ge(r.values[HEAT_VALUE_HIGH_PCT], 60);
    ck_assert(r.values[HEAT_VALUE_AT_LEAST] == 0);
    /* Nobody saw a cut-out: what it bore is a lower bound. */
    job = heat_job(8, NAN);
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    ck_assert(worker_stage_run(w));
    ck_assert(take_result(q, &r));
    ck_assert_int_eq(r.status, JOB_HOLDS);
    ck_assert(r.values[HEAT_VALUE_AT_LEAST] == 1);
    worker_stage_free(w);
    queue_free(q);
    heat_series_free(series);
    free(bench);
}
END_TEST

/* The job has its samples by value: what comes later, and how long it waited, changes nothing. */
START_TEST(a_job_is_of_the_moment_it_was_asked_for)
{
    struct bench *bench = bench_new();
    struct heat_series *series = heat_series_new(bench);
    struct queue *q = queue_new(100000, -1);
    struct worker_stage *w = worker_stage_new(q, -1);
    struct input_worker at_once, later;
    run_cycles(series, 6, 210);
    struct command job = heat_job(1, 90);
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    ck_assert(worker_stage_run(w));
    ck_assert(take_result(q, &at_once));
    for (int t = 3600; t < 5000; t += 5)
        say(series, S_CASE, 500, t);
    ck_assert(worker_stage_run(w));
    ck_assert(take_result(q, &later));
    ck_assert_int_eq(memcmp(at_once.values, later.values, sizeof later.values), 0);
    worker_stage_free(w);
    queue_free(q);
    heat_series_free(series);
    free(bench);
}
END_TEST

START_TEST(full_and_unknown_are_answers)
{
    struct bench *bench = bench_new();
    struct heat_series *series = heat_series_new(bench);
    struct queue *q = queue_new(100000, -1);
    struct worker_stage *w = worker_stage_new(q, -1);
    struct input_worker r;
    struct command job = heat_job(1, NAN);
    struct command unknown = {.kind = COMMAND_WORKER, .number = 99, .code = 4711};
    ck_assert_int_eq(worker_stage_post(w, &unknown, series, NULL), -1);
    for (int i = 0; i < WORKER_JOBS_MAX; i++) {
        job.number = (uint64_t)i + 1;
        ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    }
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), -1);
    ck_assert_uint_eq(worker_stage_counts(w).refused, 2);
    for (int i = 0; i < WORKER_JOBS_MAX; i++) {
        ck_assert(worker_stage_run(w));
        ck_assert(take_result(q, &r));
        ck_assert_uint_eq(r.job, (uint64_t)i + 1);  /* in order */
        ck_assert_int_eq(r.status, JOB_BAD_RECORD); /* there was none */
        ck_assert(isnan(r.values[HEAT_VALUE_PERCENT_ON]));
    }
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    worker_stage_free(w);
    queue_free(q);
    heat_series_free(series);
    free(bench);
}
END_TEST

/* Somebody waits for a plan of the cycles, nobody for a fit: it goes first, by value, and is the planner's own. */
START_TEST(a_plan_goes_before_fits)
{
    struct bench *bench = bench_new();
    struct heat_series *series = heat_series_new(bench);
    struct queue *q = queue_new(100000, -1);
    struct worker_stage *w = worker_stage_new(q, -1);
    struct stagger_job plan = {.count = 2, .limits = {.bank_mw = 3000}};
    for (int i = 0; i < 2; i++)
        plan.items[i] = (struct stagger_item){.kind = STAGGER_CYCLES,
                                              .channel = 3 + i,
                                              .circuit = -1,
                                              .cycle_ms = 600000,
                                              .on_ms = 200000,
                                              .power_mw = 2000};
    struct input_worker r;
    struct command fit = heat_job(1, NAN),
                   ask = {.kind = COMMAND_WORKER, .number = 2, .code = JOB_STAGGER, .channel = -1};
    ck_assert_int_eq(worker_stage_post(w, &fit, series, NULL), 0);
    ck_assert_int_eq(worker_stage_post(w, &fit, series, NULL), 0);
    ck_assert_int_eq(worker_stage_post(w, &ask, series, &plan), 0);
    plan.count = 0;
    ck_assert(worker_stage_run(w));
    ck_assert(take_result(q, &r));
    ck_assert_uint_eq(r.job, 2);
    ck_assert_int_eq(r.status, JOB_HOLDS);
    ck_assert_double_eq(r.values[3], 0);
    ck_assert_double_eq(r.values[4], 200000);
    ck_assert_double_eq(r.values[STAGGER_VALUE_PEAK_W], 2);
    ck_assert(isnan(r.values[0]));
    for (int i = 0; i < 2; i++) {
        ck_assert(worker_stage_run(w));
        ck_assert(take_result(q, &r));
        ck_assert_uint_eq(r.job, 1);
    }
    ck_assert(!worker_stage_run(w));
    worker_stage_free(w);
    queue_free(q);
    heat_series_free(series);
    free(bench);
}
END_TEST

/* The engine's queue is full for a while: the result is kept, and comes once. */
START_TEST(a_result_waits_for_room)
{
    struct bench *bench = bench_new();
    struct heat_series *series = heat_series_new(bench);
    struct queue *q = queue_new(1024, -1);
    struct worker_stage *w = worker_stage_new(q, -1);
    struct input_worker r;
    char filler[800] = "";
    struct queue_record record;
    ck_assert_int_eq(queue_put(q, INPUT_TIME, 0, filler, sizeof filler), 0);
    struct command job = heat_job(5, NAN);
    ck_assert_int_eq(worker_stage_post(w, &job, series, NULL), 0);
    ck_assert(!worker_stage_run(w));
    ck_assert(!worker_stage_run(w));
    ck_assert_int_eq(queue_take(q, &record, filler, sizeof filler), 1);
    ck_assert(worker_stage_run(w));
    ck_assert(take_result(q, &r));
    ck_assert_uint_eq(r.job, 5);
    ck_assert(!worker_stage_run(w));
    ck_assert(!take_result(q, &r));
    worker_stage_free(w);
    queue_free(q);
    heat_series_free(series);
    free(bench);
}
END_TEST

/* A night of soaking: the store stays bounded, in order, and keeps every change of the load. */
START_TEST(the_store_is_bounded_and_keeps_the_edges)
{
    static struct heat_sample samples[HEAT_SAMPLES_MAX];
    struct bench *bench = bench_new();
    struct heat_series *series = heat_series_new(bench);
    int cycles = 72;
    run_cycles(series, cycles, 210);
    int count = heat_series_copy(series, 0, 0, samples);
    int edges = 0;
    ck_assert_int_gt(count, HEAT_SAMPLES_MAX / 4);
    ck_assert_int_le(count, HEAT_SAMPLES_MAX);
    for (int i = 1; i < count; i++) {
        ck_assert_int_gt(samples[i].stamp_ns, samples[i - 1].stamp_ns);
        edges += samples[i].on != samples[i - 1].on;
    }
    ck_assert_int_ge(edges, 2 * cycles - 2);
    /* From a given time on, and nothing of a channel that is not there. */
    int64_t from_ns = second_ns + 36 * 600 * second_ns;
    int half = heat_series_copy(series, 0, from_ns, samples);
    ck_assert_int_lt(half, count);
    ck_assert_int_ge(samples[0].stamp_ns, from_ns);
    ck_assert_int_eq(heat_series_copy(series, 1, 0, samples), 0);
    ck_assert_int_eq(heat_series_copy(series, -1, 0, samples), 0);
    heat_series_free(series);
    free(bench);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("worker");
    TCase *t = tcase_create("worker");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_fit_finds_what_the_record_was_made_of);
    tcase_add_test(t, a_job_is_of_the_moment_it_was_asked_for);
    tcase_add_test(t, full_and_unknown_are_answers);
    tcase_add_test(t, a_plan_goes_before_fits);
    tcase_add_test(t, a_result_waits_for_room);
    tcase_add_test(t, the_store_is_bounded_and_keeps_the_edges);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
