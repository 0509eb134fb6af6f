/* What a bus does next: the first kind of job that is due, in the order of enum job_kind, and among equals the one due
 * longest. */
#include <string.h>

#include "bus_internal.h"
#include "bus_probe.h"

struct choice {
    int64_t now_ns, real_ns;
    int64_t free_ns;  /* bench time at which the line may be used again */
    int64_t quiet_ns; /* ... and by anything but a drop */
    int64_t due_ns;   /* of the best so far */
    int rank;
    struct job *job;
};

static void consider(struct choice *c, enum job_kind kind, int rank, struct device *dev, int block, int64_t due_ns,
                     int64_t not_before_ns)
{
    int64_t at = due_ns > not_before_ns ? due_ns : not_before_ns;
    bool due = at <= c->now_ns;
    bool best_due = c->due_ns <= c->now_ns;
    bool better;
    if (due && best_due)
        better = rank < c->rank || (rank == c->rank && due_ns < c->job->due_ns);
    else
        better = at < c->due_ns;
    if (!better)
        return;
    c->due_ns = at;
    c->rank = rank;
    c->job->kind = kind;
    c->job->dev = dev;
    c->job->block = block;
    c->job->due_ns = due_ns;
    c->job->in_silence = c->quiet_ns > c->now_ns;
}

static int64_t bench_of(const struct bus *bus, const struct choice *c, int64_t real_ns)
{
    return bus_bench_of(bus, real_ns, c->now_ns, c->real_ns);
}

static bool drop_wanted(const struct device *dev)
{
    return dev->setup.lease != NULL && lease_drop_pending(dev->setup.lease);
}

/* A drop goes out at once, also within a silence, but only once in each; then again after it. */
static void consider_drop(struct bus *bus, struct choice *c, struct device *dev)
{
    if (!drop_wanted(dev) || !dev->trusted || dev->phase == PHASE_DROP)
        return;
    int64_t again = bench_of(bus, c, dev->drop_again_real_ns);
    bool sent_in_silence = dev->drop_mark == bus->quiet_number;
    int64_t from = sent_in_silence && c->quiet_ns > c->free_ns ? c->quiet_ns : c->free_ns;
    consider(c, JOB_DROP, 0, dev, 0, again > from ? again : from, from);
}

/* When a device that is down may be tried again: after its pause, but soon while a drop waits for it. */
static int64_t next_try(struct bus *bus, const struct choice *c, const struct device *dev)
{
    int64_t real = dev->next_try_real_ns;
    int64_t hurried = dev->last_try_real_ns + DROP_RETRY_NS;
    if (drop_wanted(dev) && hurried < real)
        real = hurried;
    return bench_of(bus, c, real);
}

static void consider_device(struct bus *bus, struct choice *c, struct device *dev)
{
    consider_drop(bus, c, dev);
    if (dev->phase != PHASE_UP) {
        int64_t due = dev->phase == PHASE_DOWN ? next_try(bus, c, dev) : bench_of(bus, c, dev->step_again_real_ns);
        consider(c, JOB_STEP, 5, dev, 0, due, c->quiet_ns);
        return;
    }
    if (dev->beat_due_ns != NEVER_NS)
        consider(c, JOB_BEAT, 4, dev, 0, dev->beat_due_ns, c->quiet_ns);
    if (dev->mark_off && dev->clear_point >= 0)
        consider(c, JOB_MARK, 5, dev, 0, bench_of(bus, c, dev->mark_off_real_ns), c->quiet_ns);
    for (int i = 0; i < dev->block_count; i++)
        consider(c, JOB_POLL, 7, dev, i, dev->block_due_ns[i], c->quiet_ns);
    if (dev->protocol->listen != NULL && dev->map->listen_count > 0) {
        /* Nothing is sent: no silence holds it back. */
        int64_t due = bench_of(bus, c, dev->last_try_real_ns + device_listen_every_ns(bus, dev));
        consider(c, JOB_LISTEN, 6, dev, 0, due, c->now_ns);
    }
}

static int64_t real_of(const struct bus *bus, const struct choice *c, int64_t bench_ns)
{
    if (bench_ns == NEVER_NS || bus->in_process)
        return bench_ns;
    return bench_ns <= c->now_ns ? c->real_ns : c->real_ns + (int64_t)((double)(bench_ns - c->now_ns) / bus->time.rate);
}

/* Last of all, and not just before something else. */
static void consider_probe(struct bus *bus, struct choice *c)
{
    struct device *dev;
    int64_t real = bus_probe_due_real_ns(bus, c->real_ns, real_of(bus, c, c->due_ns), &dev);
    if (dev != NULL)
        consider(c, JOB_PROBE, 8, dev, 0, bench_of(bus, c, real), c->quiet_ns);
}

static void consider_captures(struct bus *bus, struct choice *c)
{
    int64_t other = real_of(bus, c, c->due_ns);
    for (int i = 0; i < bus->capture_count; i++) {
        struct device *dev;
        int64_t since, due = bus_capture_due_ns(bus, i, &dev, &since);
        if (due == NEVER_NS)
            continue;
        int64_t from = real_of(bus, c, due > c->quiet_ns ? due : c->quiet_ns);
        from = bus_polite_real_ns(bus, dev, since, from, other);
        consider(c, JOB_CAPTURE, 9, dev, i, bench_of(bus, c, from), c->quiet_ns);
    }
}

static int64_t open_due(struct bus *bus, const struct choice *c)
{
    int64_t real = bus->retry_real_ns;
    for (int i = 0; i < bus->device_count; i++) {
        if (drop_wanted(&bus->devices[i]) && bus->last_open_real_ns + DROP_RETRY_NS < real)
            real = bus->last_open_real_ns + DROP_RETRY_NS;
    }
    return bench_of(bus, c, real);
}

int64_t bus_next_job(struct bus *bus, int64_t now_ns, struct job *job)
{
    struct choice c = {.now_ns = now_ns, .real_ns = bus_real(bus), .due_ns = NEVER_NS, .job = job};
    memset(job, 0, sizeof *job);
    if (bus_queue_peek(bus, true) > 0)
        consider(&c, JOB_COMMAND, 2, NULL, 1, now_ns, now_ns);
    if (!bus->connected) {
        consider(&c, JOB_OPEN, 3, NULL, 0, open_due(bus, &c), now_ns);
        if (bus_queue_peek(bus, false) > 0)
            consider(&c, JOB_COMMAND, 2, NULL, 0, now_ns, now_ns);
        return c.due_ns;
    }
    c.free_ns = bench_of(bus, &c, bus->gap_until_real_ns);
    int64_t quiet = bench_of(bus, &c, bus->quiet_until_real_ns);
    c.quiet_ns = quiet > c.free_ns ? quiet : c.free_ns;
    for (int i = 0; i < bus->device_count; i++)
        consider_device(bus, &c, &bus->devices[i]);
    if (bus_queue_peek(bus, true) > 0)
        consider(&c, JOB_COMMAND, 1, NULL, 1, now_ns, c.quiet_ns);
    if (bus_queue_peek(bus, false) > 0)
        consider(&c, JOB_COMMAND, 3, NULL, 0, bus->held_try_ns > now_ns ? bus->held_try_ns : now_ns, c.quiet_ns);
    consider_captures(bus, &c);
    consider_probe(bus, &c);
    return c.due_ns;
}
