/* The daemon's threads: one for each bus, for the engine, the journal and the control socket. The thread that calls
 * runtime_run supervises. Each loop calls a step function and waits for its eventfd or its time. */
#define _GNU_SOURCE /* ppoll */
#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <systemd/sd-daemon.h>
#include <time.h>
#include <unistd.h>

#include "file_check.h"
#include "runtime_parts.h"

static const int64_t second_ns = INT64_C(1000000000);
static const int64_t turn_ns = INT64_C(200000000); /* every loop turns at least this often */
static const int64_t supervise_ns = INT64_C(100000000);
static const int64_t open_within_ns = INT64_C(5000000000);

/* ---- waiting ---- */

static void wait_fds(struct pollfd *fds, nfds_t count, int64_t real_ns)
{
    struct timespec ts = {.tv_sec = real_ns / second_ns, .tv_nsec = real_ns % second_ns};
    if (real_ns <= 0)
        ts = (struct timespec){0};
    if (ppoll(fds, count, &ts, NULL) < 0 && errno != EINTR)
        nanosleep(&(struct timespec){.tv_nsec = 1000000}, NULL); /* never spin on an error that stays */
}

void wait_fd(int fd, int64_t real_ns)
{
    struct pollfd p = {.fd = fd, .events = POLLIN};
    uint64_t count;
    wait_fds(&p, 1, real_ns);
    if (p.revents && read(fd, &count, sizeof count) < 0)
        return; /* somebody else emptied it */
}

static int64_t at_most(int64_t ns, int64_t limit_ns)
{
    return ns < limit_ns ? ns : limit_ns;
}

static void turn(struct worker *w)
{
    atomic_store(&w->alive_real_ns, bench_clock_real_ns(w->rt->clock));
}

static void name_thread(const char *kind, const char *name)
{
    char text[16];
    text_format(text, sizeof text, "%s%s%s", kind, name[0] ? " " : "", name);
    prctl(PR_SET_NAME, text, 0, 0, 0);
}

/* ---- the loops ---- */

static void *bus_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    struct bus *bus = bus_stage_bus(rt->buses[w->index]);
    name_thread("bus", rt->config->bench.bus_names[w->index]);
    while (!atomic_load(&rt->stop_buses)) {
        struct pollfd fds[2] = {{.fd = bus_wake_fd(bus), .events = POLLIN},
                                {.fd = bus_listen_fd(bus), .events = POLLIN}};
        int64_t wait_ns = at_most(bench_clock_wait_ns(rt->clock, bus_next_due_ns(bus)), turn_ns);
        if (wait_ns > 0)
            wait_fds(fds, 2, wait_ns);
        bus_run(bus);
        turn(w);
    }
    int open = bus_drop_now(bus);
    if (open)
        log_write(rt->log, LOG_LEVEL_ERROR, "%s: %d load devices did not confirm that they opened on the way out",
                  rt->config->bench.bus_names[w->index], open);
    return NULL;
}

static void *engine_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    int steps = 0;
    name_thread("engine", "");
    /* On the way out whatever has arrived is still taken. */
    while (!atomic_load(&rt->stop_engine) || steps) {
        if (rt->options.before_engine)
            rt->options.before_engine(rt->options.ctx);
        steps = engine_stage_run(rt->engine, 200);
        turn(w);
        if (steps)
            continue;
        wait_fd(rt->engine_fd, at_most(bench_clock_wait_ns(rt->clock, engine_stage_next_ns(rt->engine)), turn_ns / 2));
    }
    engine_stage_publish(rt->engine);
    return NULL;
}

static void *journal_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    name_thread("journal", "");
    while (!atomic_load(&rt->stop_journal)) {
        turn(w);
        if (journal_stage_run(rt->journal_stage))
            continue;
        int64_t wait_ns = journal_stage_next_real_ns(rt->journal_stage) - bench_clock_real_ns(rt->clock);
        wait_fd(rt->journal_fd, at_most(wait_ns, turn_ns));
    }
    return NULL;
}

static void *control_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    struct error err;
    name_thread("control", "");
    while (!atomic_load(&rt->stop_control)) {
        turn(w);
        if (control_run_once(rt->control, 200, &err)) {
            log_write(rt->log, LOG_LEVEL_ERROR, "control: %s", err.text);
            nanosleep(&(struct timespec){.tv_nsec = 100000000}, NULL);
        }
    }
    return NULL;
}

/* Reads the record for the control socket's clients: hangs when the disk does, and nobody waits for it. */
static void *read_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    name_thread("record", "");
    while (!atomic_load(&rt->stop_control)) {
        turn(w);
        (void)control_read_once(rt->control, 200);
    }
    return NULL;
}

static void *store_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    name_thread("store", rt->config->stores[w->index].name);
    while (!atomic_load(&rt->stop_stores)) {
        turn(w);
        int64_t sleep_ns = store_stage_run(rt->stores[w->index], bench_clock_real_ns(rt->clock));
        if (sleep_ns > 0)
            wait_fd(rt->store_fds[w->index], at_most(sleep_ns, second_ns));
    }
    return NULL;
}

static void *notify_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    struct error err;
    name_thread("notify", "");
    while (!atomic_load(&rt->stop_stores)) {
        int64_t real_ns = bench_clock_real_ns(rt->clock);
        int64_t utc_s = (int64_t)time(NULL); /* people live by the world's clock, whatever the bench's is */
        turn(w);
        if (atomic_exchange(&rt->notices, false) && notify_stage_look(rt->notify, real_ns, utc_s, &err)) {
            atomic_store(&rt->notices, true);
            log_write(rt->log, LOG_LEVEL_WARN, "notify: %s", err.text);
        }
        wait_fd(rt->notify_fd, notify_stage_run(rt->notify, real_ns, utc_s));
    }
    return NULL;
}

static void *fit_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    name_thread("worker", "");
    while (!atomic_load(&rt->stop_stores)) {
        turn(w);
        if (!worker_stage_run(rt->worker))
            wait_fd(rt->worker_fd, turn_ns);
    }
    return NULL;
}

/* Looks once through the whole file, which takes minutes when it is big: nobody waits for it. */
static void *check_thread(void *arg)
{
    struct worker *w = arg;
    struct runtime *rt = w->rt;
    struct error err = {0};
    name_thread("check", "");
    if (atomic_load(&rt->stop_stores))
        return NULL;
    int result = file_check_run(rt->check, &err);
    if (atomic_load(&rt->stop_stores))
        return NULL;
    if (result == 0)
        log_write(rt->log, LOG_LEVEL_NOTICE, "journal: the file was checked and is sound");
    else if (result < 0)
        log_write(rt->log, LOG_LEVEL_WARN, "journal: the file could not be checked: %s", err.text);
    else
        journal_stage_tell(rt->journal_stage, err.text);
    return NULL;
}

/* ---- start ---- */

static int start(struct runtime *rt, struct worker *w, int index, void *(*loop)(void *), struct error *err)
{
    w->rt = rt;
    w->index = index;
    turn(w);
    if (pthread_create(&w->thread, NULL, loop, w))
        return error_set(err, "a thread could not be started");
    w->started = true;
    return 0;
}

int threads_start(struct runtime *rt, struct error *err)
{
    if (log_start(rt->log))
        return error_set(err, "the log's thread could not be started");
    if (start(rt, &rt->journal_worker, 0, journal_thread, err) || start(rt, &rt->engine_worker, 0, engine_thread, err))
        return -1;
    for (int i = 0; i < rt->config->bench.bus_count; i++)
        if (start(rt, &rt->bus_workers[i], i, bus_thread, err))
            return -1;
    for (int i = 0; i < rt->config->store_count; i++)
        if (rt->stores[i] && start(rt, &rt->store_workers[i], i, store_thread, err))
            return -1;
    if (start(rt, &rt->fit_worker, 0, fit_thread, err))
        return -1;
    if (rt->notify && start(rt, &rt->notify_worker, 0, notify_thread, err))
        return -1;
    rt->check = file_check_new(rt->config->journal.path, err);
    if (!rt->check)
        log_write(rt->log, LOG_LEVEL_WARN, "journal: the file could not be checked: %s", err->text);
    else if (start(rt, &rt->check_worker, 0, check_thread, err))
        return -1;
    if (rt->options.no_control)
        return 0;
    struct control_hooks hooks = runtime_control_hooks(rt);
    rt->control = control_new(rt->config->listen.socket, &hooks, err);
    if (!rt->control || start(rt, &rt->control_worker, 0, control_thread, err))
        return -1;
    return start(rt, &rt->read_worker, 0, read_thread, err);
}

/* ---- stop ---- */

static void join(struct worker *w)
{
    if (w->started)
        pthread_join(w->thread, NULL);
    w->started = false;
}

/* End every run and wait until all feedback says open; then latch a drop as well, whatever the engine thinks. */
static bool open_loads(struct runtime *rt)
{
    int64_t until_ns = bench_clock_real_ns(rt->clock) + open_within_ns;
    struct bench_view *view = calloc(1, sizeof *view);
    bool open = false;
    engine_stage_end_all(rt->engine);
    wake_fd(rt->engine_fd);
    uint64_t asked = engine_stage_counts(rt->engine).inputs;
    while (view && !open && bench_clock_real_ns(rt->clock) < until_ns) {
        nanosleep(&(struct timespec){.tv_nsec = 20000000}, NULL);
        supervise(rt);
        engine_stage_view(rt->engine, view);
        open = engine_stage_counts(rt->engine).inputs > asked && bench_is_open(view);
    }
    free(view);
    for (int d = 0; d < rt->config->bench.device_count; d++)
        if (rt->config->bench.devices[d].is_load) {
            lease_drop(&rt->leases[d]);
            bus_wake(bus_stage_bus(rt->buses[rt->config->devices[d].bus]));
        }
    return open;
}

static int threads_stop(struct runtime *rt, struct error *err)
{
    bool open = open_loads(rt);
    if (!open)
        log_write(rt->log, LOG_LEVEL_ERROR, "stop: not every load was seen open within %d s",
                  (int)(open_within_ns / second_ns));
    atomic_store(&rt->stop_buses, true);
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        bus_wake(bus_stage_bus(rt->buses[i]));
        join(&rt->bus_workers[i]);
    }
    atomic_store(&rt->stop_engine, true);
    wake_fd(rt->engine_fd);
    join(&rt->engine_worker);
    atomic_store(&rt->stop_stores, true);
    for (int i = 0; i < rt->config->store_count; i++) {
        wake_fd(rt->store_fds[i]);
        join(&rt->store_workers[i]);
    }
    wake_fd(rt->notify_fd);
    join(&rt->notify_worker);
    wake_fd(rt->worker_fd);
    join(&rt->fit_worker);
    if (rt->check)
        file_check_interrupt(rt->check);
    join(&rt->check_worker);
    file_check_free(rt->check);
    rt->check = NULL;
    atomic_store(&rt->stop_journal, true);
    wake_fd(rt->journal_fd);
    join(&rt->journal_worker);
    int status = journal_stage_finish(rt->journal_stage, bench_clock_now_ns(rt->clock), err);
    atomic_store(&rt->stop_control, true);
    if (rt->control) {
        control_wake(rt->control);
        control_read_wake(rt->control);
    }
    join(&rt->control_worker);
    join(&rt->read_worker);
    return status;
}

int runtime_run(struct runtime *rt, struct error *err)
{
    struct pollfd fds[2] = {{.fd = rt->stop_fd, .events = POLLIN}, {.fd = rt->options.stop_fd, .events = POLLIN}};
    struct error end_err;
    int status = threads_start(rt, err);
    if (!status) {
        log_write(rt->log, LOG_LEVEL_NOTICE, "soakbenchd %s: bench %s, session %llu", SOAKBENCH_VERSION,
                  rt->config->bench.name, (unsigned long long)rt->epoch);
        if (rt->options.service)
            sd_notify(0, "READY=1\nSTATUS=watching the bench");
        atomic_store(&rt->up, true);
        while (!atomic_load(&rt->stop_asked) && !fds[1].revents) {
            wait_fds(fds, 2, supervise_ns);
            supervise(rt);
        }
        log_write(rt->log, LOG_LEVEL_NOTICE, "stop asked: ending runs, opening loads");
    }
    if (rt->options.service)
        sd_notify(0, "STOPPING=1");
    if (threads_stop(rt, status ? &end_err : err))
        status = -1;
    atomic_store(&rt->up, false);
    return status;
}
