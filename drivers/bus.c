#include "bus.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "bus_internal.h"
#include "bus_probe.h"
#include "map_check.h"
#include "session_record.h"

int64_t bus_now(const struct bus *bus)
{
    return bus->time.now_ns(bus->time.ctx);
}

int64_t bus_real(const struct bus *bus)
{
    return bus->in_process ? bus_now(bus) : transport_now_ns();
}

int64_t bus_bench_of(const struct bus *bus, int64_t real_ns, int64_t now_ns, int64_t real_now_ns)
{
    if (bus->in_process || real_ns <= real_now_ns)
        return real_ns <= real_now_ns ? now_ns : real_ns;
    return now_ns + (int64_t)((double)(real_ns - real_now_ns) * bus->time.rate) + 1;
}

struct device *bus_device_find(const struct bus *bus, int device)
{
    for (int i = 0; i < bus->device_count; i++) {
        if (bus->devices[i].setup.index == device)
            return &bus->devices[i];
    }
    return NULL;
}

void bus_log(const struct bus *bus, const char *format, ...)
{
    if (bus->sink.log == NULL)
        return;
    char text[768];
    va_list args;
    va_start(args, format);
    /* The analyzer of clang 14 does not see that va_start began args. */
    (void)vsnprintf(text, sizeof text, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
    va_end(args);
    bus->sink.log(bus->sink.ctx, text);
}

void bus_withdraw_leases(struct bus *bus)
{
    for (int i = 0; i < bus->device_count; i++) {
        if (bus->devices[i].setup.lease != NULL)
            lease_withdraw(bus->devices[i].setup.lease);
    }
}

/* A factor from 0.8 to 1.2, so that several buses do not knock at the same moment (xorshift). */
double bus_jitter(struct bus *bus)
{
    uint32_t x = bus->random;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    bus->random = x;
    return 0.8 + 0.4 * ((double)x / 4294967296.0);
}

/* --- making ------------------------------------------------------------------------------------------------------ */

static int copy_signals(struct device *dev, const struct bus_setup *setup, struct error *err)
{
    int count = 0;
    for (int i = 0; i < setup->signal_count; i++)
        count += setup->signals[i].device == dev->setup.index;
    dev->signals = calloc((size_t)count + 1, sizeof *dev->signals);
    if (dev->signals == NULL)
        return error_set(err, "out of memory");
    for (int i = 0; i < setup->signal_count; i++) {
        const struct bus_signal *s = &setup->signals[i];
        if (s->device != dev->setup.index)
            continue;
        if (s->point < 0 || s->point >= dev->map->point_count)
            return error_set(err, "device %s: signal %d names point %d, which its map has not", dev->setup.config->name,
                             s->signal, s->point);
        dev->signals[dev->signal_count++] = *s;
    }
    return 0;
}

static int init_device(struct bus *bus, struct device *dev, const struct bus_setup *setup, struct error *err)
{
    const struct device_config *config = dev->setup.config;
    dev->map = dev->setup.map;
    dev->protocol = dev->map->protocol == MAP_TEXT ? &text_protocol : &modbus_protocol;
    dev->is_load = config->is_load;
    dev->answer_ns = config->answer_ns > 0     ? config->answer_ns
                     : dev->map->answer_ns > 0 ? dev->map->answer_ns
                                               : bus->config.timeout_ns;
    if (dev->answer_ns <= 0)
        dev->answer_ns = INT64_C(500000000);
    dev->limits = block_limits_of(dev->map);
    dev->power_up = NAN;
    dev->pause_ns = PAUSE_FIRST_NS;
    for (int i = 0; i < POINTS_MAX; i++)
        dev->latest[i] = NAN;
    if (dev->is_load && dev->setup.lease == NULL)
        return error_set(err, "device %s: a load device needs a lease", config->name);
    if (config->poll_ns <= 0)
        return error_set(err, "device %s: the poll interval must be above zero", config->name);
    if (dev->map->protocol == MAP_TEXT && (dev->text = text_state_new(dev->map, err)) == NULL)
        return -1;
    if (copy_signals(dev, setup, err) != 0)
        return -1;
    if (device_plan(dev) != 0)
        return error_set(err, "out of memory");
    device_plan_drops(bus, dev);
    if (dev->is_load && dev->drop_count == 0)
        return error_set(err, "device %s: nothing on it opens the load (drop_all, or a channel's command)",
                         config->name);
    return 0;
}

static int record_session(struct bus *bus, struct error *err)
{
    static const char *const kinds[] = {
        [BUS_MODBUS_TCP] = "modbus-tcp", [BUS_MODBUS_RTU] = "modbus-rtu", [BUS_TEXT_TCP] = "text-tcp"};
    char what[TEXT_CAP];
    size_t kind = (size_t)bus->config.kind;
    bool named = kind < sizeof kinds / sizeof kinds[0] && kinds[kind] != NULL;
    (void)text_format(what, sizeof what, "bus %s, %s", bus->config.name, named ? kinds[kind] : "text");
    bus->transport = session_record_over(bus->transport, bus->config.record, what, err);
    return bus->transport != NULL ? 0 : -1;
}

static int open_means(struct bus *bus, const struct bus_setup *setup, struct error *err)
{
    if (bus->in_process) {
        if (setup->peer == NULL)
            return error_set(err, "bus %s: a bus in process needs a peer", bus->config.name);
        bus->peer = *setup->peer;
        return 0;
    }
    bus->transport = setup->transport != NULL ? setup->transport
                     : setup->ready_fd >= 0   ? transport_over_fd(setup->ready_fd)
                                              : transport_new(setup->config, err);
    if (bus->transport == NULL)
        return -1;
    if (bus->config.record[0] != '\0' && record_session(bus, err) != 0)
        return -1;
    if (bus->config.kind != BUS_MODBUS_TCP && bus->config.kind != BUS_MODBUS_RTU)
        return 0;
    bus->modbus = modbus_link_new(&bus->config, err);
    return bus->modbus != NULL ? 0 : -1;
}

static int init_bus(struct bus *bus, const struct bus_setup *setup, struct error *err)
{
    bus->wake_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (bus->wake_fd < 0)
        return error_set(err, "eventfd: %s", strerror(errno));
    bus->devices = calloc((size_t)setup->device_count + 1, sizeof *bus->devices);
    bus->channels = calloc((size_t)setup->channel_count + 1, sizeof *bus->channels);
    if (bus->devices == NULL || bus->channels == NULL)
        return error_set(err, "out of memory");
    if (setup->channel_count > 0)
        memcpy(bus->channels, setup->channels, (size_t)setup->channel_count * sizeof *bus->channels);
    bus->channel_count = setup->channel_count;
    bus->device_count = setup->device_count;
    bus->stats.bus = setup->bus;
    bus->stats.device_count = setup->device_count;
    for (int i = 0; i < setup->device_count; i++) {
        bus->devices[i].setup = setup->devices[i];
        bus->stats.devices[i].device = setup->devices[i].index;
        if (init_device(bus, &bus->devices[i], setup, err) != 0)
            return -1;
    }
    if (bus_captures_plan(bus, setup, err) != 0)
        return -1;
    return open_means(bus, setup, err);
}

struct bus *bus_new(const struct bus_setup *setup, struct error *err)
{
    struct bus *bus = calloc(1, sizeof *bus);
    if (bus == NULL || setup->device_count > DEVICES_MAX) {
        (void)error_set(err, bus == NULL ? "out of memory" : "too many devices on one bus");
        free(bus);
        return NULL;
    }
    bus->index = setup->bus;
    bus->config = *setup->config;
    bus->time = setup->time;
    if (!(bus->time.rate > 0))
        bus->time.rate = 1;
    bus->sink = setup->sink;
    bus->in_process = setup->config->kind == BUS_IN_PROCESS;
    bus->serial = setup->config->kind == BUS_MODBUS_RTU || setup->config->kind == BUS_TEXT_SERIAL ||
                  (bus->in_process && setup->config->baud > 0);
    bus->beacon_device = setup->beacon_device;
    bus->beacon_point = setup->beacon_point;
    bus->random = setup->seed != 0 ? setup->seed : UINT32_C(2463534242);
    bus->retry_pause_ns = PAUSE_FIRST_NS;
    bus->wake_fd = -1;
    if (pthread_mutex_init(&bus->queue_lock, NULL) != 0 || pthread_mutex_init(&bus->stats_lock, NULL) != 0) {
        (void)error_set(err, "no lock");
        free(bus);
        return NULL;
    }
    if (init_bus(bus, setup, err) != 0) {
        bus_free(bus);
        return NULL;
    }
    return bus;
}

void bus_free(struct bus *bus)
{
    if (bus == NULL)
        return;
    for (int i = 0; bus->devices != NULL && i < bus->device_count; i++) {
        text_state_free(bus->devices[i].text);
        free(bus->devices[i].signals);
        free(bus->devices[i].blocks);
        free(bus->devices[i].block_due_ns);
        free(bus->devices[i].identity);
    }
    free(bus->devices);
    free(bus->channels);
    bus_probe_free(bus);
    bus_captures_free(bus);
    modbus_link_free(bus->modbus);
    transport_free(bus->transport);
    if (bus->wake_fd >= 0)
        (void)close(bus->wake_fd);
    (void)pthread_mutex_destroy(&bus->queue_lock);
    (void)pthread_mutex_destroy(&bus->stats_lock);
    free(bus);
}

/* --- running ----------------------------------------------------------------------------------------------------- */

static void note_transaction(struct bus *bus, const struct job *job, const struct outcome *out, int64_t real_ns)
{
    if (out->sent_bytes == 0 && out->sample_count == 0 && out->error == BUS_OK)
        return; /* nothing was said by either side */
    struct device_stats *d = &bus->stats.devices[job->dev - bus->devices];
    (void)pthread_mutex_lock(&bus->stats_lock);
    bus->stats.transactions++;
    d->transactions++;
    bus->stats.errors[out->error]++;
    d->errors[out->error]++;
    if (out->error == BUS_EXCEPTION)
        d->exceptions[out->exception > 0 && out->exception < 15 ? out->exception : 15]++;
    if (out->error == BUS_OK || out->error == BUS_EXCEPTION) {
        time_histogram_add(&bus->stats.latency, out->took_ns);
        time_histogram_add(&d->latency, out->took_ns);
    }
    if (job->kind == JOB_POLL) {
        time_histogram_add(&bus->stats.lateness, job->began_ns - job->due_ns);
        time_histogram_add(&d->lateness, job->began_ns - job->due_ns);
    }
    if (job->kind == JOB_BEAT && out->error == BUS_OK)
        d->beats++;
    if (bus->serial)
        bus->stats.line_ns += rtu_exchange_ns(&bus->config, out->sent_bytes, out->got_bytes);
    bus->stats.busy_ns += out->took_ns;
    bus->stats.elapsed_ns = real_ns - bus->began_real_ns;
    d->block_limit = job->dev->limits.registers;
    d->cycle_ns = job->dev->last_cycle_ns;
    (void)pthread_mutex_unlock(&bus->stats_lock);
}

void bus_open(struct bus *bus)
{
    struct error err = {""};
    int64_t timeout = bus->config.timeout_ns > 0 ? bus->config.timeout_ns : INT64_C(500000000);
    int rc = 0;
    if (!bus->in_process) {
        rc = transport_open(bus->transport, timeout, &err);
        if (rc == 0 && bus->modbus != NULL)
            rc = modbus_link_attach(bus->modbus, transport_fd(bus->transport));
    }
    int64_t real = bus_real(bus);
    (void)pthread_mutex_lock(&bus->stats_lock);
    bus->stats.connects += rc == 0;
    bus->stats.connect_failures += rc != 0;
    bus->stats.connected = rc == 0;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    bus->last_open_real_ns = real;
    if (rc != 0) {
        bus_connection_lost(bus, err.text);
        return;
    }
    bus->connected = true;
    bus->quiet_until_real_ns = 0;
    bus_log(bus, "bus %s: connected", bus->config.name);
    for (int i = 0; i < bus->device_count; i++) {
        bus->devices[i].trusted = false;
        bus->devices[i].next_try_real_ns = 0;
        bus->devices[i].pause_ns = PAUSE_FIRST_NS;
    }
}

static void complete(struct bus *bus, struct job *job, struct outcome *out, int64_t end_ns)
{
    struct device *dev = job->dev;
    note_transaction(bus, job, out, bus_real(bus));
    job->ended_ns = end_ns;
    atomic_store(&bus->watermark_ns, end_ns);
    if (out->error == BUS_OK || out->error == BUS_EXCEPTION)
        device_remember(dev, out);
    switch (job->kind) {
    case JOB_DROP:
        bus_drop_done(bus, job, out);
        break;
    case JOB_COMMAND:
        bus_command_done(bus, job, out);
        break;
    case JOB_BEAT:
        bus_beat_done(bus, job, out);
        break;
    case JOB_STEP:
        device_step_done(bus, job, out);
        break;
    case JOB_MARK:
        device_mark_done(bus, dev, out);
        break;
    case JOB_LISTEN:
        bus_probe_heard(bus, dev, out);
        bus_listen_done(bus, job, out);
        break;
    case JOB_PROBE:
        bus_probe_done(bus, out);
        break;
    case JOB_CAPTURE:
        bus_capture_done(bus, job, out);
        break;
    case JOB_POLL:
        bus_poll_done(bus, job, out);
        break;
    case JOB_OPEN:
    case JOB_NONE:
        break;
    }
}

/* The transaction itself. */
static void perform(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    switch (job->kind) {
    case JOB_DROP:
        bus_drop_run(bus, job, out);
        break;
    case JOB_COMMAND:
        bus_command_run(bus, job, out);
        break;
    case JOB_BEAT:
        bus_beat_run(bus, job, out);
        break;
    case JOB_STEP:
        device_step(bus, dev, out);
        break;
    case JOB_MARK:
        device_mark_run(bus, dev, out);
        break;
    case JOB_LISTEN:
        bus_probe_listen(bus, dev, out);
        dev->protocol->listen(bus, dev, out);
        break;
    case JOB_PROBE:
        bus_probe_run(bus, job, out);
        break;
    case JOB_CAPTURE:
        bus_capture_run(bus, job, out);
        break;
    case JOB_POLL:
        dev->protocol->read(bus, dev, &dev->blocks[job->block], out);
        break;
    case JOB_OPEN:
    case JOB_NONE:
        break;
    }
}

static void run_transaction(struct bus *bus)
{
    struct job *job = &bus->job;
    struct outcome *out = &bus->outcome;
    memset(out, 0, offsetof(struct outcome, samples));
    if (!bus->in_process && job->dev->map->listen_count == 0) {
        int64_t waste = transport_flush(bus->transport);
        if (waste < 0) {
            out->error = BUS_LINK_LOST;
        } else if (waste > 0) {
            (void)pthread_mutex_lock(&bus->stats_lock);
            bus->stats.bytes_flushed += (uint64_t)waste;
            (void)pthread_mutex_unlock(&bus->stats_lock);
        }
    }
    job->began_ns = bus_now(bus);
    job->began_real_ns = bus_real(bus);
    atomic_store(&bus->deadline_real_ns, job->began_real_ns + job->dev->answer_ns);
    if (out->error == BUS_OK)
        perform(bus, job, out);
    atomic_store(&bus->deadline_real_ns, 0);
    if (!bus->in_process)
        out->took_ns = bus_real(bus) - job->began_real_ns;
    int64_t gap = bus_gap_ns(&bus->config);
    if (gap < job->dev->map->turnaround_ns)
        gap = job->dev->map->turnaround_ns;
    if (job->kind != JOB_LISTEN)
        bus->gap_until_real_ns = bus_real(bus) + (bus->in_process ? out->took_ns : 0) + gap;
    if (bus->in_process && out->took_ns > 0) {
        bus->parked = true;
        bus->parked_until_ns = job->began_ns + out->took_ns;
        return;
    }
    complete(bus, job, out, bus_now(bus));
}

static void clear_wake(const struct bus *bus)
{
    uint64_t count;
    while (read(bus->wake_fd, &count, sizeof count) < 0 && errno == EINTR)
        continue;
}

static void begin(struct bus *bus, int64_t now_ns)
{
    bus->started = true;
    bus->base_ns = now_ns;
    bus->began_real_ns = bus_real(bus);
    for (int i = 0; i < bus->device_count; i++)
        device_begin(bus, &bus->devices[i]);
}

void bus_run(struct bus *bus)
{
    int64_t now = bus_now(bus);
    clear_wake(bus);
    if (!bus->started)
        begin(bus, now);
    if (bus->parked) {
        if (now < bus->parked_until_ns)
            return;
        bus->parked = false;
        complete(bus, &bus->job, &bus->outcome, bus->parked_until_ns);
        return;
    }
    bus_check_leases(bus, now);
    bus_probe_tick(bus);
    bus_captures_tick(bus);
    if (bus_next_job(bus, now, &bus->job) > now || bus->job.kind == JOB_NONE)
        return;
    if (bus->job.kind == JOB_OPEN)
        bus_open(bus);
    else if ((bus->job.kind != JOB_PROBE || bus_probe_ready(bus)) &&
             (bus->job.kind != JOB_COMMAND || bus_command_ready(bus, &bus->job)) &&
             (bus->job.kind != JOB_BEAT || bus_beat_ready(bus, &bus->job)))
        run_transaction(bus);
}

int64_t bus_next_due_ns(struct bus *bus)
{
    if (!bus->started)
        return INT64_MIN;
    if (bus->parked)
        return bus->parked_until_ns;
    if (bus_probe_waits(bus))
        return INT64_MIN;
    struct job job;
    int64_t due = bus_next_job(bus, bus_now(bus), &job);
    for (int i = 0; i < bus->device_count; i++) {
        const struct load_lease *lease = bus->devices[i].setup.lease;
        if (lease == NULL)
            continue;
        int64_t until = atomic_load(&lease->until_ns);
        if (lease_state(lease, until - 1) == LEASE_RUNS && until < due)
            due = until;
        if (atomic_load(&lease->withdrawn) && !atomic_load(&lease->expired))
            due = INT64_MIN;
    }
    return due;
}

int bus_drop_now(struct bus *bus)
{
    int unconfirmed = 0;
    for (int i = 0; i < bus->device_count; i++) {
        struct device *dev = &bus->devices[i];
        if (dev->setup.lease == NULL || !dev->trusted || !bus->connected)
            continue;
        bool done = true;
        for (int k = 0; k < dev->drop_count; k++) {
            struct outcome *out = &bus->outcome;
            memset(out, 0, offsetof(struct outcome, samples));
            if (!bus->in_process)
                (void)transport_flush(bus->transport);
            dev->protocol->write(bus, dev, dev->drops[k].point, dev->drops[k].value, out);
            done = done && out->error == BUS_OK;
        }
        unconfirmed += !done;
    }
    return unconfirmed;
}

/* --- other threads ----------------------------------------------------------------------------------------------- */

void bus_wake(struct bus *bus)
{
    const uint64_t one = 1;
    while (write(bus->wake_fd, &one, sizeof one) < 0 && errno == EINTR)
        continue;
}

int bus_wake_fd(const struct bus *bus)
{
    return bus->wake_fd;
}

int bus_listen_fd(const struct bus *bus)
{
    for (int i = 0; i < bus->device_count; i++) {
        if (bus->devices[i].map->listen_count > 0 && bus->connected && !bus->in_process)
            return transport_fd(bus->transport);
    }
    return -1;
}

int64_t bus_watermark_ns(const struct bus *bus)
{
    return atomic_load(&bus->watermark_ns);
}

bool bus_shutdown_overdue(struct bus *bus, int64_t grace_ns)
{
    int64_t deadline = atomic_load(&bus->deadline_real_ns);
    if (bus->in_process || deadline == 0 || transport_now_ns() < deadline + grace_ns)
        return false;
    return transport_shutdown(bus->transport);
}

void bus_stats(struct bus *bus, struct bus_stats *stats)
{
    (void)pthread_mutex_lock(&bus->stats_lock);
    *stats = bus->stats;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    stats->commands_refused = atomic_load(&bus->commands_refused);
}
