/* The supervisor: what no other thread can see of itself. */
#include <systemd/sd-daemon.h>

#include "line_figures.h"
#include "runtime_parts.h"

static const int64_t anchor_every_ns = INT64_C(60000000000);
static const int64_t look_every_ns = INT64_C(1000000000);
static const int64_t overdue_grace_ns = INT64_C(500000000);
static const int64_t hung_after_ns = INT64_C(3000000000);

/* An anchor each minute of bench time, and as soon as the clock was seen to step or the computer to have slept. */
void supervise_anchor(struct runtime *rt)
{
    int64_t real_ns = bench_clock_real_ns(rt->clock);
    struct input_anchor anchor;
    if (real_ns - rt->anchored_real_ns < look_every_ns)
        return;
    rt->anchored_real_ns = real_ns;
    bench_clock_anchor(rt->clock, &rt->anchor, &anchor);
    if (!anchor.suspended && !anchor.stepped && anchor.monotonic_ns - rt->anchor.monotonic_ns < anchor_every_ns)
        return;
    if (anchor.suspended)
        log_write(rt->log, LOG_LEVEL_ERROR, "clock: the computer was suspended for %.1f s",
                  (double)anchor.slept_ns / 1e9);
    if (anchor.stepped)
        log_write(rt->log, LOG_LEVEL_WARN, "clock: UTC was set by %+.1f s; runs go on by their own time",
                  (double)anchor.moved_ns / 1e9);
    /* Not taken (queue full): the next look comes in a second. */
    if (queue_put(rt->orders, INPUT_ANCHOR, 0, &anchor, sizeof anchor) == 0)
        rt->anchor = anchor;
}

static bool is_alive(struct runtime *rt, const struct worker *w, const char *what, int64_t real_ns)
{
    int64_t silent_ns = real_ns - atomic_load(&w->alive_real_ns);
    if (!w->started || silent_ns < hung_after_ns)
        return true;
    log_write(rt->log, LOG_LEVEL_ERROR, "%s: its thread has not moved for more than %d s", what,
              (int)(hung_after_ns / 1000000000));
    return false;
}

void supervise(struct runtime *rt)
{
    int64_t real_ns = bench_clock_real_ns(rt->clock);
    bool alive = is_alive(rt, &rt->engine_worker, "engine", real_ns);
    /* A frozen disk holds the journal's thread; that is the engine's to judge, by the age of the record. */
    is_alive(rt, &rt->journal_worker, "journal", real_ns);
    is_alive(rt, &rt->read_worker, "reader of the record", real_ns);
    for (int i = 0; i < rt->config->bench.bus_count; i++) {
        const char *name = rt->config->bench.bus_names[i];
        if (bus_shutdown_overdue(bus_stage_bus(rt->buses[i]), overdue_grace_ns))
            log_write(rt->log, LOG_LEVEL_WARN, "%s: a transaction was overdue, the connection was shut down", name);
        alive = is_alive(rt, &rt->bus_workers[i], name, real_ns) && alive;
    }
    atomic_store(&rt->threads_alive, alive);
    supervise_anchor(rt);
    line_figures_take(rt);
    if (alive && rt->options.service)
        sd_notify(0, "WATCHDOG=1");
}
