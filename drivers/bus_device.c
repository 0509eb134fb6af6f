/* Life of a device on its bus: identity, drop, watchdog limit, up, lost. */
#include <math.h>
#include <string.h>

#include "bus_internal.h"

void device_begin(struct bus *bus, struct device *dev)
{
    device_align(bus, dev, bus->base_ns);
    dev->beat_due_ns = NEVER_NS;
}

static const char *exception_text(int code)
{
    /* Modbus application protocol V1.1b3, clause 7. */
    switch (code) {
    case 1:
        return "illegal function";
    case 2:
        return "illegal data address";
    case 3:
        return "illegal data value";
    case 4:
        return "server device failure";
    case 5:
        return "acknowledge";
    case 6:
        return "server device busy";
    case 8:
        return "memory parity error";
    case 10:
        return "gateway path unavailable";
    case 11:
        return "gateway target device failed to respond";
    default:
        return "unknown exception";
    }
}

const char *outcome_text(const struct outcome *out, char *text, size_t cap)
{
    switch (out->error) {
    case BUS_OK:
        (void)text_copy(text, cap, "answered");
        break;
    case BUS_TIMEOUT:
        (void)text_copy(text, cap, "no whole answer in time");
        break;
    case BUS_BAD_CHECKSUM:
        (void)text_copy(text, cap, "answer with a wrong checksum");
        break;
    case BUS_BAD_ANSWER:
        (void)text_copy(text, cap, "answer that does not fit the question");
        break;
    case BUS_WRONG_SERVER:
        (void)text_copy(text, cap, "answer from another server address");
        break;
    case BUS_EXCEPTION:
        (void)text_format(text, cap, "refused: %s", exception_text(out->exception));
        break;
    case BUS_LINK_LOST:
        (void)text_copy(text, cap, "connection lost");
        break;
    default:
        (void)text_copy(text, cap, "could not be asked");
        break;
    }
    return text;
}

static void emit_link(struct bus *bus, const struct device *dev, bool up, bool power_up, const char *why)
{
    int at = dev->map->power_up_point;
    struct input_link link = {.device = dev->setup.index,
                              .up = up,
                              .power_up = power_up,
                              .tells = dev->map->power_up_kind,
                              .power_up_value = NAN};
    if (up && at >= 0 && link.tells == POWER_UP_COUNT)
        link.power_up_value = dev->latest[at];
    else if (up && at >= 0 && link.tells == POWER_UP_UPTIME)
        link.power_up_value = dev->latest[at] * dev->map->points[at].to_base;
    (void)text_copy(link.text, sizeof link.text, why);
    (void)pthread_mutex_lock(&bus->stats_lock);
    struct device_stats *d = &bus->stats.devices[dev - bus->devices];
    d->up = up;
    d->losses += !up;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    bus_log(bus, "device %s: %s%s%s", dev->setup.config->name, up ? "up" : "down", why[0] != '\0' ? ": " : "", why);
    if (bus->sink.link(bus->sink.ctx, &link) != 0) {
        (void)pthread_mutex_lock(&bus->stats_lock);
        bus->stats.inputs_refused++;
        (void)pthread_mutex_unlock(&bus->stats_lock);
        bus_withdraw_leases(bus);
    }
}

/* Report a loss once, however often it is tried again. */
static void report_down(struct bus *bus, struct device *dev, const char *why)
{
    dev->phase = PHASE_DOWN;
    dev->step = 0;
    dev->step_again_real_ns = 0;
    dev->drop_step = 0;
    dev->misses = 0;
    dev->beat_due_ns = NEVER_NS;
    dev->beats_run = 0;
    for (int i = 0; i < POINTS_MAX; i++)
        dev->latest[i] = NAN;
    bus_cancel(bus, dev, -1, false);
    if (dev->lost_reported)
        return;
    dev->lost_reported = true;
    bus_emit_lost(bus, dev, bus_now(bus));
    emit_link(bus, dev, false, false, why);
}

/* The next attempt comes after a pause that doubles; a load controller is awaited more eagerly than a meter. */
static void pause_device(struct bus *bus, struct device *dev)
{
    int64_t longest = dev->is_load ? PAUSE_LOAD_NS : PAUSE_LONGEST_NS;
    int64_t real = bus_real(bus);
    dev->last_try_real_ns = real;
    dev->next_try_real_ns = real + (int64_t)((double)dev->pause_ns * bus_jitter(bus));
    dev->pause_ns = dev->pause_ns * 2 > longest ? longest : dev->pause_ns * 2;
}

void device_lost(struct bus *bus, struct device *dev, const char *why)
{
    report_down(bus, dev, why);
    pause_device(bus, dev);
}

void device_restarted(struct bus *bus, struct device *dev)
{
    report_down(bus, dev, "the device restarted");
    dev->next_try_real_ns = 0; /* it is there: connect again at once, with the drop first */
}

void bus_connection_lost(struct bus *bus, const char *why)
{
    if (bus->transport != NULL)
        transport_close(bus->transport);
    bus->connected = false;
    (void)pthread_mutex_lock(&bus->stats_lock);
    bus->stats.connected = false;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    int64_t longest = PAUSE_LONGEST_NS;
    for (int i = 0; i < bus->device_count; i++) {
        struct device *dev = &bus->devices[i];
        dev->trusted = false;
        if (dev->is_load)
            longest = PAUSE_LOAD_NS;
        report_down(bus, dev, why);
    }
    bus->retry_real_ns = bus_real(bus) + (int64_t)((double)bus->retry_pause_ns * bus_jitter(bus));
    bus->retry_pause_ns = bus->retry_pause_ns * 2 > longest ? longest : bus->retry_pause_ns * 2;
}

/* After an error, bytes may still be on their way: ask nothing until the slowest answer must have come. Over
 * Modbus TCP a transaction number keeps late answers apart, so only an answer that did not fit calls for it. */
static void begin_silence(struct bus *bus, const struct device *dev, const struct outcome *out)
{
    if ((bus->config.kind == BUS_MODBUS_TCP || (bus->in_process && !bus->serial)) && out->error == BUS_TIMEOUT)
        return;
    bus->quiet_until_real_ns = bus_real(bus) + dev->answer_ns;
    bus->quiet_number++;
}

/* A question aside of the device's own course failed: nothing is held against the device, but what may still be on its
 * way is waited for, and a connection that is gone is gone. */
void device_aside_failed(struct bus *bus, const struct device *dev, const struct outcome *out)
{
    char text[TEXT_CAP];
    if (out->error == BUS_LINK_LOST)
        bus_connection_lost(bus, outcome_text(out, text, sizeof text));
    else if (out->error != BUS_OK && out->error != BUS_EXCEPTION && out->error != BUS_NOT_SENT)
        begin_silence(bus, dev, out);
}

/* Common to all transactions. Returns true when the device (or the whole connection) is gone with this failure. */
bool device_transaction_failed(struct bus *bus, struct device *dev, const struct outcome *out)
{
    char text[TEXT_CAP];
    switch (out->error) {
    case BUS_OK:
        dev->misses = 0;
        return false;
    case BUS_LINK_LOST:
        bus_connection_lost(bus, outcome_text(out, text, sizeof text));
        return true;
    case BUS_NOT_SENT:
        return false;
    case BUS_EXCEPTION:
        if (out->exception != 10 && out->exception != 11) {
            dev->misses = 0;
            return false;
        }
        break; /* a gateway says that nobody is there */
    default:
        begin_silence(bus, dev, out);
        break;
    }
    dev->misses++;
    if (dev->misses < MISSES_TO_LOSS || dev->phase != PHASE_UP)
        return false;
    device_lost(bus, dev, outcome_text(out, text, sizeof text));
    return true;
}

/* --- connecting -------------------------------------------------------------------------------------------------- */

static bool same(double a, double b)
{
    double scale = fabs(a) > fabs(b) ? fabs(a) : fabs(b);
    return fabs(a - b) <= 1e-6 * scale;
}

static bool has_identity(const struct device *dev)
{
    return dev->identity_count > 0 || (dev->protocol->identify != NULL && dev->map->identify_query[0] != '\0');
}

static bool told_by_itself(const struct device_map *map, int point)
{
    for (int i = 0; i < map->listen_count; i++) {
        for (int k = 0; k < map->listen[i].point_count; k++) {
            if (map->listen[i].points[k] == point)
                return true;
        }
    }
    return false;
}

/* Does identity wait for lines that the device says by itself? For those of its points that come so; and a device that
 * is never asked anything must be heard at all before it counts as there. */
bool device_must_hear(const struct device *dev)
{
    const struct device_map *map = dev->map;
    const int named[] = {map->virtual_point, map->rate_point, map->epoch_point, map->power_up_point};
    if (map->listen_count == 0)
        return false;
    for (size_t i = 0; i < sizeof named / sizeof named[0]; i++) {
        if (named[i] >= 0 && isnan(dev->latest[named[i]]) && told_by_itself(map, named[i]))
            return true;
    }
    for (int i = 0; i < map->identity_count; i++) {
        if (isnan(dev->latest[map->identity_points[i]]) && told_by_itself(map, map->identity_points[i]))
            return true;
    }
    return !dev->heard && !has_identity(dev) && dev->block_count == 0;
}

int64_t device_listen_every_ns(const struct bus *bus, const struct device *dev)
{
    return bus->in_process ? dev->setup.config->poll_ns : LISTEN_EVERY_NS;
}

/* One transaction of the sequence. */
void device_step(struct bus *bus, struct device *dev, struct outcome *out)
{
    const struct device_map *map = dev->map;
    int questions = dev->protocol->identify != NULL && map->identify_query[0] != '\0';
    if (dev->phase == PHASE_DOWN) {
        dev->phase = PHASE_IDENTITY;
        dev->step = 0;
        dev->heard = false;
        dev->heard_real_ns = bus_real(bus);
        if (map->listen_count > 0 && !bus->in_process) {
            (void)transport_flush(bus->transport); /* what was said in the meantime is old */
            dev->text->used = 0;
        }
    }
    dev->last_try_real_ns = bus_real(bus);
    switch (dev->phase) {
    case PHASE_IDENTITY:
        if (dev->step < questions && dev->protocol->identify != NULL)
            dev->protocol->identify(bus, dev, out);
        else if (dev->step - questions < dev->identity_count)
            dev->protocol->read(bus, dev, &dev->identity[dev->step - questions], out);
        else if (dev->protocol->listen != NULL && device_must_hear(dev))
            dev->protocol->listen(bus, dev, out);
        else if (!has_identity(dev) && dev->block_count > 0)
            dev->protocol->read(bus, dev, &dev->blocks[0], out); /* no identity: that it answers must do */
        break;
    case PHASE_DROP:
        if (dev->step == 0)
            dev->drop_answers = atomic_load(&dev->setup.lease->drop_asked);
        dev->protocol->write(bus, dev, dev->drops[dev->step].point, dev->drops[dev->step].value, out);
        break;
    case PHASE_WATCHDOG_WRITE:
        dev->protocol->write(bus, dev, map->watchdog_point,
                             (double)dev->setup.watchdog_ns / 1e9 / map->points[map->watchdog_point].to_base, out);
        break;
    case PHASE_WATCHDOG_READ: {
        struct block block = {.table = map->points[map->watchdog_point].table,
                              .first = map->points[map->watchdog_point].register_,
                              .count = 0,
                              .point_count = 1};
        block.points[0] = (int16_t)map->watchdog_point;
        dev->protocol->read(bus, dev, &block, out);
        break;
    }
    case PHASE_DOWN:
    case PHASE_UP:
        break;
    }
}

/* The start of the device by its uptime, bench time in s. */
static double started_s(const struct bus *bus, const struct device *dev, double uptime)
{
    const struct map_point *point = &dev->map->points[dev->map->power_up_point];
    return (double)bus_now(bus) / 1e9 - uptime * point->to_base;
}

/* Its clock need not agree with ours: 2 s, and a thousandth of what it counted. */
static bool started_later(const struct bus *bus, const struct device *dev, double now)
{
    double start = started_s(bus, dev, now);
    return !(start <= dev->power_up + 2 + 1e-3 * ((double)bus_now(bus) / 1e9 - dev->power_up));
}

/* Does what was read tell that the device restarted since it was last looked at? */
bool device_restart_seen(const struct bus *bus, const struct device *dev, double now)
{
    switch (dev->map->power_up_kind) {
    case POWER_UP_MARK:
        return now != 0 && !dev->mark_stands;
    case POWER_UP_COUNT:
        return !isnan(dev->power_up) && now != dev->power_up;
    case POWER_UP_UPTIME:
        return !isnan(dev->power_up) && started_later(bus, dev, now);
    default:
        return false;
    }
}

/* At each connection, after the identity was read. A mark stays on until what it says is on record: see bus.h. */
static void note_power_up(const struct bus *bus, struct device *dev)
{
    int at = dev->map->power_up_point;
    double now = at >= 0 ? dev->latest[at] : NAN;
    bool marked = dev->map->power_up_kind == POWER_UP_MARK && now != 0;
    dev->power_up_seen = dev->power_up_seen || marked || device_restart_seen(bus, dev, now);
    dev->mark_stands = marked;
    dev->mark_off = false;
    dev->power_up = dev->map->power_up_kind == POWER_UP_UPTIME ? started_s(bus, dev, now) : now;
}

void device_mark_run(struct bus *bus, struct device *dev, struct outcome *out)
{
    dev->protocol->write(bus, dev, dev->clear_point, 0, out);
}

void device_mark_done(struct bus *bus, struct device *dev, const struct outcome *out)
{
    if (out->error == BUS_OK) {
        dev->latest[dev->map->power_up_point] = 0;
        dev->mark_stands = dev->mark_off = false;
    }
    dev->mark_off_real_ns = bus_real(bus) + PAUSE_LOAD_NS;
    (void)device_transaction_failed(bus, dev, out);
}

static void device_up(struct bus *bus, struct device *dev)
{
    const struct device_map *map = dev->map;
    bool power_up = dev->power_up_seen;
    dev->power_up_seen = false;
    dev->phase = PHASE_UP;
    dev->misses = 0;
    dev->pause_ns = PAUSE_FIRST_NS;
    bus->retry_pause_ns = PAUSE_FIRST_NS;
    dev->lost_reported = false;
    int64_t now_ns = bus_now(bus);
    device_align(bus, dev, now_ns);
    if (dev->setup.lease != NULL && map->beat_point >= 0 && dev->setup.beat_ns > 0)
        dev->beat_due_ns = now_ns;
    emit_link(bus, dev, true, power_up, power_up ? "restarted since it was last seen" : "");
}

/* Identity compared, the sink asked. Returns false with the reason. */
static bool admit(struct bus *bus, struct device *dev, char *why)
{
    const struct device_map *map = dev->map;
    for (int i = 0; i < map->identity_count; i++) {
        int point = map->identity_points[i];
        double got = dev->latest[point];
        if (isnan(got) || !same(got, map->identity_values[i])) {
            (void)text_format(why, TEXT_CAP, "is not the device expected: %s reads %g, not %g (cables swapped?)",
                              map->points[point].name, got, map->identity_values[i]);
            return false;
        }
    }
    struct bus_identity id = {
        .is_virtual =
            map->virtual_point >= 0 && dev->latest[map->virtual_point] != 0 && !isnan(dev->latest[map->virtual_point]),
        .rate = map->rate_point >= 0 ? dev->latest[map->rate_point] : NAN,
        .epoch = map->epoch_point >= 0 ? dev->latest[map->epoch_point] : NAN,
        .power_up = map->power_up_point >= 0 ? dev->latest[map->power_up_point] : NAN,
    };
    why[0] = '\0';
    return bus->sink.identity == NULL || bus->sink.identity(bus->sink.ctx, dev->setup.index, &id, why);
}

static void after_identity(struct bus *bus, struct device *dev)
{
    char why[TEXT_CAP];
    if (!admit(bus, dev, why)) {
        dev->trusted = false;
        device_lost(bus, dev, why);
        return;
    }
    dev->trusted = true;
    note_power_up(bus, dev);
    dev->step = 0;
    dev->step_again_real_ns = 0;
    if (dev->setup.lease == NULL)
        device_up(bus, dev);
    else
        dev->phase = PHASE_DROP;
}

static void after_drop(struct bus *bus, struct device *dev, const struct job *job)
{
    struct load_lease *lease = dev->setup.lease;
    bool was_pending = lease_drop_pending(lease);
    atomic_store(&lease->drop_done, dev->drop_answers);
    if (was_pending)
        bus_ack(bus, dev, 0, ACK_DROPPED, job->began_ns);
    if (dev->map->watchdog_point >= 0 && dev->setup.watchdog_ns > 0)
        dev->phase = PHASE_WATCHDOG_WRITE;
    else
        device_up(bus, dev);
}

static void after_watchdog_read(struct bus *bus, struct device *dev)
{
    const struct map_point *point = &dev->map->points[dev->map->watchdog_point];
    double wanted = (double)dev->setup.watchdog_ns / 1e9 / point->to_base;
    double got = dev->latest[dev->map->watchdog_point];
    /* It may keep the limit in steps of its register. */
    if (!(fabs(got - wanted) <= 0.51 * fabs(point->scale) + 1e-6 * wanted)) {
        char why[TEXT_CAP];
        (void)text_format(why, sizeof why, "its watchdog's limit reads back as %g, not %g", got, wanted);
        device_lost(bus, dev, why);
        return;
    }
    device_up(bus, dev);
}

static void step_failed(struct bus *bus, struct device *dev, const struct outcome *out)
{
    static const char *const doing[] = {
        "", "reading its identity", "dropping its load", "writing its watchdog's limit", "reading its watchdog's limit",
        ""};
    char what[TEXT_CAP], why[TEXT_CAP];
    (void)text_format(why, sizeof why, "%s: %.200s", doing[dev->phase], outcome_text(out, what, sizeof what));
    if (!device_transaction_failed(bus, dev, out))
        device_lost(bus, dev, why);
}

/* True while the device has not yet said what it must; a device that does not speak is lost. */
static bool still_listening(struct bus *bus, struct device *dev, const struct outcome *out)
{
    int64_t real = bus_real(bus);
    dev->heard = dev->heard || out->sample_count > 0;
    if (!device_must_hear(dev))
        return false;
    dev->step_again_real_ns = real + device_listen_every_ns(bus, dev);
    if (real - dev->heard_real_ns > LISTEN_PATIENCE_NS)
        device_lost(bus, dev, "nothing was heard that tells who it is");
    return true;
}

void device_step_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct device *dev = job->dev;
    bool nameless = dev->phase == PHASE_IDENTITY && !has_identity(dev);
    bool there = nameless && out->error == BUS_EXCEPTION && out->exception != 10 && out->exception != 11;
    if (out->error != BUS_OK && !there) {
        step_failed(bus, dev, out);
        return;
    }
    int questions = dev->protocol->identify != NULL && dev->map->identify_query[0] != '\0';
    dev->misses = 0;
    if (dev->phase == PHASE_IDENTITY && dev->step >= questions + dev->identity_count && still_listening(bus, dev, out))
        return;
    dev->step++;
    switch (dev->phase) {
    case PHASE_IDENTITY:
        if (dev->step >= questions + dev->identity_count && !device_must_hear(dev))
            after_identity(bus, dev);
        break;
    case PHASE_DROP:
        if (dev->step >= dev->drop_count)
            after_drop(bus, dev, job);
        break;
    case PHASE_WATCHDOG_WRITE:
        dev->phase = PHASE_WATCHDOG_READ;
        break;
    case PHASE_WATCHDOG_READ:
        after_watchdog_read(bus, dev);
        break;
    case PHASE_DOWN:
    case PHASE_UP:
        break;
    }
}
