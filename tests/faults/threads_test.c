/* Faults of the daemon's own threads: the engine's thread hangs for seven seconds, the disk is frozen. The runtime runs
 * in this process with all its threads, over TCP against the virtual bench as a program; the load is watched over a
 * connection of the test's own. What must open it is the lease, in the hands of the bus's thread. */
#include <check.h>
#include <math.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "config.h"
#include "runtime.h"
#include "suite_run.h"
#include "tcp_bench.h"
#include "unit_file.h"

enum { RATE = 10 };

static const double lease_s = 8; /* of bench time: limits of config/examples/two-units.yaml */

struct fixture {
    struct tcp_bench *bench;
    struct config *config;
    struct runtime *rt;
    pthread_t thread;
    int status;
    atomic_bool hang_engine, freeze_disk;
    _Atomic uint64_t answered; /* request number of the last final answer */
    atomic_int code;
    uint64_t requests;
};

static void before_engine(void *ctx)
{
    struct fixture *f = ctx;
    while (atomic_load(&f->hang_engine))
        tcp_bench_pause(0.005);
}

static int before_commit(void *ctx)
{
    struct fixture *f = ctx;
    while (atomic_load(&f->freeze_disk))
        tcp_bench_pause(0.005);
    return 0;
}

static void on_answer(void *ctx, uint64_t request, int code, const char *text)
{
    struct fixture *f = ctx;
    (void)text;
    atomic_store(&f->code, code);
    atomic_store(&f->answered, request);
}

static void *run_daemon(void *arg)
{
    struct fixture *f = arg;
    struct error err = {""};
    f->status = runtime_run(f->rt, &err);
    return NULL;
}

static int order(struct fixture *f, struct input_operator *o, int code)
{
    double end_s = tcp_bench_now_s() + 20;
    o->request = ++f->requests;
    text_copy(o->who, sizeof o->who, "bench hand");
    ck_assert_int_eq(runtime_submit(f->rt, o), 0);
    while (atomic_load(&f->answered) != o->request || atomic_load(&f->code) < code) {
        if (atomic_load(&f->answered) == o->request && atomic_load(&f->code) == 1)
            return 1;
        ck_assert_msg(tcp_bench_now_s() < end_s, "%s was never answered", operator_verb_name(o->verb));
        tcp_bench_pause(0.01);
    }
    return atomic_load(&f->code);
}

static bool all_up(struct fixture *f, struct bench_view *view)
{
    runtime_view(f->rt, view);
    int up = 0;
    for (int d = 0; d < view->device_count; d++)
        up += view->devices[d].up;
    return up == 4 && view->channels[0].qualities[SIG_ISOLATED] == QUALITY_GOOD;
}

static void wait_for(struct fixture *f, bool isolated)
{
    struct bench_view *view = calloc(1, sizeof *view);
    double end_s = tcp_bench_now_s() + 20;
    ck_assert_ptr_nonnull(view);
    while (!all_up(f, view) || (view->channels[0].values[SIG_ISOLATED] > 0.5) != isolated) {
        ck_assert_msg(tcp_bench_now_s() < end_s, "the bench never became ready");
        tcp_bench_pause(0.02);
    }
    free(view);
}

static struct input_operator start_order(struct fixture *f)
{
    struct problems problems = {0};
    struct unit_plate *plate = calloc(1, sizeof *plate);
    struct input_operator o = {.verb = VERB_START, .channel = 0, .device = -1};
    ck_assert_int_eq(unit_file_load(SOURCE_DIR "/config/examples/units/hq-0147.yaml", plate, &problems), 0);
    o.run = (struct run_request){.run_no = runtime_next_run_no(f->rt),
                                 .plate_version = 1,
                                 .protection = plate->protection,
                                 .point = plate->ratings[0],
                                 .procedure = PROCEDURE_PROOF,
                                 .cycles = 2,
                                 .control_at_maximum = true,
                                 .setup_confirmed = true,
                                 .safety_test_utc_s = f->config->epoch_utc_ns / 1000000000,
                                 .start = START_COLD,
                                 .target_resistance_ohm = NAN,
                                 .baseline_u0_v = NAN};
    text_copy(o.run.serial, sizeof o.run.serial, plate->serial);
    text_copy(o.run.accepts, sizeof o.run.accepts, "time-to-open");
    problems_free(&problems);
    free(plate);
    return o;
}

static void load_config(struct fixture *f)
{
    struct problems problems = {0};
    char text[1024] = "";
    if (config_load(f->bench->config, &f->config, &problems) && problems.count)
        problem_print(text, sizeof text, &problems.items[0]);
    ck_assert_msg(f->config != NULL, "%s", text);
    problems_free(&problems);
}

static struct fixture *on_load(void)
{
    struct fixture *f = calloc(1, sizeof *f);
    struct error err = {""};
    char isolators[512];
    ck_assert_ptr_nonnull(f);
    signal(SIGPIPE, SIG_IGN);
    f->bench = tcp_bench_new(RATE, NULL, tcp_bench_isolators(isolators, 60));
    load_config(f);
    struct runtime_options options = {.log_level = LOG_LEVEL_ERROR,
                                      .log_fd = STDERR_FILENO,
                                      .stop_fd = -1,
                                      .no_control = true,
                                      .answer = on_answer,
                                      .before_engine = before_engine,
                                      .before_commit = before_commit,
                                      .ctx = f};
    f->rt = runtime_new(f->config, &options, &err);
    ck_assert_msg(f->rt != NULL, "%s", err.text);
    ck_assert_int_eq(pthread_create(&f->thread, NULL, run_daemon, f), 0);
    wait_for(f, true);
    tcp_bench_pause(4.0 * 2 / RATE); /* two beats: the controller closes nothing before */
    struct input_operator prove = {.verb = VERB_PROVE_WATCHDOG, .channel = -1, .device = 0};
    struct input_operator rig = {.verb = VERB_RIG, .channel = 0, .device = -1};
    struct input_operator rigged = {.verb = VERB_RIGGED, .channel = 0, .device = -1};
    ck_assert_int_eq(order(f, &prove, 2), 2);
    wait_for(f, false);
    ck_assert_int_eq(order(f, &rig, 0), 0);
    ck_assert_int_eq(order(f, &rigged, 0), 0);
    struct input_operator start = start_order(f);
    ck_assert_int_ne(order(f, &start, 0), 1);
    ck_assert(tcp_bench_wait_closed(f->bench, 0, true, 10));
    tcp_bench_pause(1);
    ck_assert_int_ne(tcp_bench_closed(f->bench, 0), 0);
    return f;
}

static void end(struct fixture *f)
{
    runtime_stop(f->rt);
    pthread_join(f->thread, NULL);
    ck_assert_int_eq(f->status, 0);
    ck_assert_int_eq(tcp_bench_closed(f->bench, 0), 0);
    runtime_free(f->rt);
    config_free(f->config);
    tcp_bench_free(f->bench);
    free(f);
}

static bool is_locked(struct fixture *f)
{
    struct bench_view *view = calloc(1, sizeof *view);
    runtime_view(f->rt, view);
    bool locked = view->channels[0].state == STATE_LOCKED;
    free(view);
    return locked;
}

START_TEST(a_hung_engine_loses_the_lease)
{
    struct fixture *f = on_load();
    double began_s = tcp_bench_now_s();
    atomic_store(&f->hang_engine, true);
    ck_assert(tcp_bench_wait_closed(f->bench, 0, false, 5));
    double took_s = (tcp_bench_now_s() - began_s) * RATE;
    /* The lease, one transaction, the contactor's travel, and this computer's unrest. The controller's watchdog (10 s
     * from the last beat, at most 2 s before) is the second line, and was not needed. */
    ck_assert_msg(took_s <= lease_s + 4, "%.1f s of bench time", took_s);
    while (tcp_bench_now_s() - began_s < 7)
        tcp_bench_pause(0.05);
    ck_assert_int_eq(tcp_bench_closed(f->bench, 0), 0);
    atomic_store(&f->hang_engine, false);
    double end_s = tcp_bench_now_s() + 5;
    while (!is_locked(f) && tcp_bench_now_s() < end_s)
        tcp_bench_pause(0.02);
    ck_assert(is_locked(f)); /* and nothing closes again by itself */
    tcp_bench_pause(0.5);
    ck_assert_int_eq(tcp_bench_closed(f->bench, 0), 0);
    end(f);
}
END_TEST

START_TEST(a_frozen_disk_opens_within_its_limit)
{
    struct fixture *f = on_load();
    double began_s = tcp_bench_now_s();
    atomic_store(&f->freeze_disk, true);
    /* journal_open is 5 s of real time by default; the oldest input may be some time old already, and the engine opens
     * as soon as it is told. */
    ck_assert(tcp_bench_wait_closed(f->bench, 0, false, 10));
    double took_s = tcp_bench_now_s() - began_s;
    ck_assert_msg(took_s <= 5 + (lease_s + 4) / RATE + 0.5, "%.2f s", took_s);
    ck_assert_msg(took_s >= 3, "%.2f s", took_s);
    /* A disk that comes back finds every row. */
    atomic_store(&f->freeze_disk, false);
    tcp_bench_pause(0.5);
    end(f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("threads");
    TCase *t = tcase_create("threads");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_hung_engine_loses_the_lease);
    tcase_add_test(t, a_frozen_disk_opens_within_its_limit);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
