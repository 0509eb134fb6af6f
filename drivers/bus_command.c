/* What is written: commands from the queue, drops, beats. */
#include <string.h>

#include "bus_internal.h"

enum { BEATS_BEFORE_CLOSING = 2, HELD_BEATS = 6 };
static const int64_t held_beat_ns = INT64_C(1000000000); /* stands for a beat where the device has none */

bool command_opens(const struct command *c)
{
    switch (c->kind) {
    case COMMAND_OPEN:
    case COMMAND_BEAT_STOP:
        return true;
    case COMMAND_STEPS:
        return c->mask == 0;
    case COMMAND_TRIGGER:
    case COMMAND_SUPPLY:
        return !c->on;
    default:
        return false;
    }
}

/* Does it put load or voltage on? Such commands wait for nothing: refused rather than late. */
static bool command_closes(const struct command *c)
{
    return (c->kind == COMMAND_STEPS && c->mask != 0) || c->kind == COMMAND_SETPOINT ||
           ((c->kind == COMMAND_TRIGGER || c->kind == COMMAND_SUPPLY) && c->on);
}

/* Stopping and starting the beat: nothing is written for it. */
static bool is_beat_switch(const struct command *c)
{
    return c->kind == COMMAND_BEAT_STOP || c->kind == COMMAND_BEAT_START;
}

static bool peak_target(const struct bus *bus, const struct load_points *p, struct device **dev, int *point,
                        double *value)
{
    *dev = bus_device_find(bus, p->peak_device);
    if (*dev == NULL || p->peak < 0 || p->peak >= (*dev)->map->point_count)
        return false;
    const struct map_point *peak = &(*dev)->map->points[p->peak];
    *point = peak->reset_point;
    *value = peak->reset_value;
    return peak->latch == LATCH_WRITE && *point >= 0;
}

bool command_target(const struct bus *bus, const struct command *c, struct device **dev, int *point, double *value)
{
    const struct load_points *p =
        c->channel >= 0 && c->channel < bus->channel_count ? &bus->channels[c->channel] : NULL;
    int device = -1;
    *point = -1;
    *value = c->on;
    if (is_beat_switch(c)) {
        *dev = bus_device_find(bus, c->device);
        return *dev != NULL && (*dev)->setup.lease != NULL;
    }
    if (c->kind == COMMAND_CAPTURE) {
        *dev = bus_capture_device(bus, c->channel);
        return *dev != NULL;
    }
    if (c->kind == COMMAND_BEACON) {
        device = bus->beacon_device;
        *point = bus->beacon_point;
    } else if (p != NULL) {
        switch (c->kind) {
        case COMMAND_STEPS:
        case COMMAND_OPEN:
        case COMMAND_SETPOINT:
            device = p->device;
            *point = p->command;
            *value = c->kind == COMMAND_STEPS ? (double)c->mask : c->value;
            break;
        case COMMAND_TRIGGER:
            device = p->trigger_device;
            *point = p->trigger;
            break;
        case COMMAND_SUPPLY:
            device = p->supply_device;
            *point = p->supply;
            *value = !c->on; /* written 1: trip */
            break;
        case COMMAND_FAN:
            device = p->fan_device;
            *point = p->fan;
            break;
        case COMMAND_PEAK_RESET:
            return peak_target(bus, p, dev, point, value);
        case COMMAND_REMOTE:
            device = p->remote_device;
            *point = p->remote;
            break;
        default:
            break;
        }
    }
    *dev = device >= 0 ? bus_device_find(bus, device) : NULL;
    if (*dev == NULL || *point < 0 || *point >= (*dev)->map->point_count)
        return false;
    if (c->kind == COMMAND_OPEN)
        *value = (*dev)->map->safe_value;
    else if (c->kind == COMMAND_SETPOINT || c->kind == COMMAND_REMOTE)
        *value = c->value / (*dev)->map->points[*point].to_base;
    return true;
}

bool bus_takes(const struct bus *bus, const struct command *command)
{
    struct device *dev;
    int point;
    double value;
    return command_target(bus, command, &dev, &point, &value);
}

void bus_ack(struct bus *bus, const struct device *dev, uint64_t command, enum ack_kind kind, int64_t stamp_ns)
{
    struct input_ack ack = {.device = dev->setup.index, .command = command, .kind = kind, .stamp_ns = stamp_ns};
    if (bus->sink.ack(bus->sink.ctx, &ack) == 0)
        return;
    (void)pthread_mutex_lock(&bus->stats_lock);
    bus->stats.inputs_refused++;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    bus_withdraw_leases(bus);
}

/* --- the queue --------------------------------------------------------------------------------------------------- */

static void queue_remove(struct bus *bus, int at)
{
    bus->queue_count--;
    memmove(&bus->queue[at], &bus->queue[at + 1], (size_t)(bus->queue_count - at) * sizeof bus->queue[0]);
}

/* A setpoint that still waits for the same channel is overwritten in its place. */
static bool replace_setpoint(struct bus *bus, const struct command *c)
{
    for (int i = 0; c->kind == COMMAND_SETPOINT && i < bus->queue_count; i++) {
        struct command *old = &bus->queue[i].command;
        if (old->kind == COMMAND_SETPOINT && old->channel == c->channel) {
            *old = *c;
            return true;
        }
    }
    return false;
}

int bus_post(struct bus *bus, const struct command *command)
{
    if (!bus_takes(bus, command))
        return -1;
    (void)pthread_mutex_lock(&bus->queue_lock);
    bool taken = replace_setpoint(bus, command);
    if (!taken && bus->queue_count < QUEUE_CAP) {
        bus->queue[bus->queue_count++] = (struct waiting){.command = *command, .attempts = 0};
        taken = true;
    }
    (void)pthread_mutex_unlock(&bus->queue_lock);
    if (!taken) {
        (void)atomic_fetch_add(&bus->commands_refused, 1);
        bus_withdraw_leases(bus);
    }
    bus_wake(bus);
    return taken ? 0 : -1;
}

/* How many commands of this sort wait. */
int bus_queue_peek(struct bus *bus, bool opening)
{
    int count = 0;
    (void)pthread_mutex_lock(&bus->queue_lock);
    for (int i = 0; i < bus->queue_count; i++)
        count += command_opens(&bus->queue[i].command) == opening;
    (void)pthread_mutex_unlock(&bus->queue_lock);
    return count;
}

static bool queue_take(struct bus *bus, bool opening, struct waiting *w)
{
    bool found = false;
    (void)pthread_mutex_lock(&bus->queue_lock);
    for (int i = 0; i < bus->queue_count && !found; i++) {
        if (command_opens(&bus->queue[i].command) == opening) {
            *w = bus->queue[i];
            queue_remove(bus, i);
            found = true;
        }
    }
    (void)pthread_mutex_unlock(&bus->queue_lock);
    return found;
}

/* An opening command that was not answered goes in front again. */
static bool queue_again(struct bus *bus, const struct waiting *w)
{
    bool taken = false;
    (void)pthread_mutex_lock(&bus->queue_lock);
    if (bus->queue_count < QUEUE_CAP) {
        memmove(&bus->queue[1], &bus->queue[0], (size_t)bus->queue_count * sizeof bus->queue[0]);
        bus->queue[0] = *w;
        bus->queue_count++;
        taken = true;
    }
    (void)pthread_mutex_unlock(&bus->queue_lock);
    return taken;
}

/* Take back, as failed, the commands that wait for a device (channel -1) or one channel of it. */
void bus_cancel(struct bus *bus, const struct device *dev, int channel, bool closing_only)
{
    uint64_t numbers[QUEUE_CAP];
    int count = 0;
    (void)pthread_mutex_lock(&bus->queue_lock);
    for (int i = 0; i < bus->queue_count;) {
        const struct command *c = &bus->queue[i].command;
        struct device *to = NULL;
        int point;
        double value;
        (void)command_target(bus, c, &to, &point, &value);
        if (to == dev && (channel < 0 || c->channel == channel) && (!closing_only || command_closes(c))) {
            numbers[count++] = c->number;
            queue_remove(bus, i);
        } else {
            i++;
        }
    }
    (void)pthread_mutex_unlock(&bus->queue_lock);
    for (int i = 0; i < count; i++)
        bus_ack(bus, dev, numbers[i], ACK_FAILED, bus_now(bus));
}

/* --- commands ---------------------------------------------------------------------------------------------------- */

/* The stamp of a stop is the last beat that went out: the watchdog's time counts from there. */
static void switch_beat(struct bus *bus, struct device *dev, const struct command *c)
{
    int64_t stamp = bus_now(bus);
    if (c->kind == COMMAND_BEAT_STOP) {
        lease_beat_stop(dev->setup.lease);
        if (dev->last_beat_ns != 0)
            stamp = dev->last_beat_ns;
    } else {
        lease_beat_start(dev->setup.lease);
        dev->mark_off = dev->mark_stands;
        dev->beats_run = 0;
        if (dev->beat_due_ns != NEVER_NS)
            dev->beat_due_ns = bus_now(bus);
    }
    bus_ack(bus, dev, c->number, ACK_DONE, stamp);
}

static bool has_beat(const struct device *dev)
{
    return dev->map->beat_point >= 0 && dev->setup.beat_ns > 0;
}

/* A closing command may come a moment before what it needs: the confirmation of a drop, the first renewal of the
 * lease, the two beats by which a controller knows that it is watched. It waits for them, not longer than a few
 * beats; a lease that ran out or was withdrawn is no matter of waiting. An opening command for the same takes it out of
 * the queue meanwhile. Returns true when it went back into the queue. */
static bool hold_closing(struct bus *bus, struct device *dev, struct waiting *w, enum lease_state state)
{
    int64_t now = bus_now(bus), beat = dev->setup.beat_ns > 0 ? dev->setup.beat_ns : held_beat_ns;
    if (state == LEASE_RUN_OUT || state == LEASE_STOPPED)
        return false;
    if (w->held_since_ns == 0)
        w->held_since_ns = now;
    if (now - w->held_since_ns > HELD_BEATS * beat)
        return false;
    bool taken = false;
    (void)pthread_mutex_lock(&bus->queue_lock);
    if (bus->queue_count < QUEUE_CAP) {
        bus->queue[bus->queue_count++] = *w; /* at the end: what it waits for may be behind it */
        taken = true;
    }
    (void)pthread_mutex_unlock(&bus->queue_lock);
    bus->held_try_ns = now + beat / 16;
    return taken;
}

/* Takes the command that the schedule chose. False: it is answered already, without a transaction. */
bool bus_command_ready(struct bus *bus, struct job *job)
{
    int point;
    double value;
    if (!queue_take(bus, job->block == 1, &job->waiting))
        return false;
    const struct command *c = &job->waiting.command;
    if (!command_target(bus, c, &job->dev, &point, &value))
        return false;
    struct device *dev = job->dev;
    if (is_beat_switch(c)) {
        switch_beat(bus, dev, c);
        return false;
    }
    bool up = bus->connected && dev->phase == PHASE_UP;
    if (c->kind == COMMAND_CAPTURE) {
        bus_capture_order(bus, c);
        bus_ack(bus, dev, c->number, ACK_DONE, bus_now(bus));
        return false;
    }
    if (command_opens(c))
        bus_cancel(bus, dev, c->channel, true);
    const struct load_lease *lease = dev->setup.lease;
    if (up && lease != NULL && command_closes(c)) {
        enum lease_state state = lease_state(lease, bus_now(bus));
        bool watched = !has_beat(dev) || dev->beats_run >= BEATS_BEFORE_CLOSING;
        if (state == LEASE_RUNS && watched && !lease_drop_pending(lease))
            return true;
        if (hold_closing(bus, dev, &job->waiting, state))
            return false;
    } else if (up) {
        return true;
    }
    bus_ack(bus, dev, c->number, ACK_FAILED, bus_now(bus));
    return false;
}

void bus_command_run(struct bus *bus, struct job *job, struct outcome *out)
{
    int point;
    double value;
    if (command_target(bus, &job->waiting.command, &job->dev, &point, &value))
        job->dev->protocol->write(bus, job->dev, point, value, out);
    else
        out->error = BUS_NOT_SENT;
}

void bus_command_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    struct waiting *w = &job->waiting;
    bool gone = device_transaction_failed(bus, dev, out);
    w->attempts++;
    if (w->command.kind == COMMAND_PEAK_RESET && out->error == BUS_OK)
        dev->let_go_ns[bus->channels[w->command.channel].peak] = job->began_ns;
    if (out->error != BUS_OK && !gone && command_opens(&w->command) && w->attempts < OPENING_ATTEMPTS &&
        queue_again(bus, w))
        return;
    bus_ack(bus, dev, w->command.number, out->error == BUS_OK ? ACK_DONE : ACK_FAILED, job->began_ns);
}

/* --- drop and lease ---------------------------------------------------------------------------------------------- */

static void add_drop(struct device *dev, int point, double value)
{
    for (int i = 0; i < dev->drop_count; i++) {
        if (dev->drops[i].point == point)
            return;
    }
    if (point >= 0 && point < dev->map->point_count && dev->drop_count < DROP_WRITES_MAX)
        dev->drops[dev->drop_count++] = (struct drop_write){.point = (int16_t)point, .value = value};
}

/* Everything that must be written to open all steps of a load device: its drop_all, or each channel's command. */
void device_plan_drops(const struct bus *bus, struct device *dev)
{
    if (!dev->is_load)
        return;
    if (dev->map->drop_all_point >= 0) {
        add_drop(dev, dev->map->drop_all_point, dev->map->drop_all_value);
        return;
    }
    for (int i = 0; i < bus->channel_count; i++) {
        if (bus->channels[i].device == dev->setup.index)
            add_drop(dev, bus->channels[i].command, dev->map->safe_value);
    }
    for (int i = 0; i < bus->channel_count; i++) {
        if (bus->channels[i].trigger_device == dev->setup.index)
            add_drop(dev, bus->channels[i].trigger, 0);
    }
}

void bus_check_leases(struct bus *bus, int64_t now_ns)
{
    for (int i = 0; i < bus->device_count; i++) {
        struct device *dev = &bus->devices[i];
        struct load_lease *lease = dev->setup.lease;
        if (lease == NULL || lease_state(lease, now_ns) != LEASE_RUN_OUT || atomic_load(&lease->expired))
            continue;
        lease_mark_expired(lease);
        lease_drop(lease);
        bus_log(bus, "device %s: the lease ran out; the load is dropped", dev->setup.config->name);
        bus_ack(bus, dev, 0, ACK_LEASE_EXPIRED, now_ns);
    }
}

void bus_drop_run(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    if (dev->drop_step == 0) {
        dev->drop_answers = atomic_load(&dev->setup.lease->drop_asked);
        bus_cancel(bus, dev, -1, true);
    }
    const struct drop_write *w = &dev->drops[dev->drop_step];
    dev->protocol->write(bus, dev, w->point, w->value, out);
}

void bus_drop_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    struct load_lease *lease = dev->setup.lease;
    int64_t quiet_until = bus->quiet_until_real_ns;
    if (out->error != BUS_OK) {
        dev->drop_step = 0;
        dev->drop_again_real_ns = bus_real(bus) + (bus->serial ? 0 : DROP_RETRY_NS);
        if (dev->drop_failed != dev->drop_answers) {
            dev->drop_failed = dev->drop_answers;
            bus_ack(bus, dev, 0, ACK_FAILED, job->began_ns);
        }
        (void)device_transaction_failed(bus, dev, out);
        if (job->in_silence && quiet_until > bus->quiet_until_real_ns)
            bus->quiet_until_real_ns = quiet_until;
        dev->drop_mark = bus->quiet_number; /* a silence that this began is waited for */
        return;
    }
    dev->misses = 0;
    dev->drop_step++;
    if (dev->drop_step < dev->drop_count)
        return;
    dev->drop_step = 0;
    if (job->in_silence) {
        /* What was answered may have been an older question: sent once more when the silence is over. */
        dev->drop_mark = bus->quiet_number;
        return;
    }
    atomic_store(&lease->drop_done, dev->drop_answers);
    bus_ack(bus, dev, 0, ACK_DROPPED, job->began_ns);
}

/* --- beats ------------------------------------------------------------------------------------------------------- */

static void next_beat(struct bus *bus, struct device *dev)
{
    int64_t next = dev->beat_due_ns + dev->setup.beat_ns;
    int64_t now = bus_now(bus);
    dev->beat_due_ns = next > now ? next : now;
}

/* The lease is tested here, just before the beat is sent. A device without a running lease gets none. */
bool bus_beat_ready(struct bus *bus, const struct job *job)
{
    struct device *dev = job->dev;
    int64_t now = bus_now(bus);
    if (lease_state(dev->setup.lease, now) == LEASE_RUNS)
        return true;
    dev->beat_due_ns = now + dev->setup.beat_ns / 16;
    dev->beats_run = 0;
    return false;
}

void bus_beat_run(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    const struct device_map *map = dev->map;
    dev->beat_value = map->beat_kind == BEAT_TOGGLE ? !dev->beat_value : (dev->beat_value + 1) % 0x7FFF;
    dev->protocol->write(bus, dev, map->beat_point, (double)dev->beat_value, out);
}

void bus_beat_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    next_beat(bus, dev);
    if (out->error == BUS_OK) {
        dev->last_beat_ns = job->ended_ns;
        if (dev->beats_run < BEATS_BEFORE_CLOSING && ++dev->beats_run < BEATS_BEFORE_CLOSING)
            dev->beat_due_ns = bus_now(bus); /* the second follows at once: only a change tells the controller */
    }
    (void)device_transaction_failed(bus, dev, out);
}
