/* What can be foreseen to go wrong: times to open, timetables, what a scaled clock or a night alone needs. */
#include <math.h>
#include <string.h>

#include "assemble.h"
#include "net_address.h"

static bool is_serial(enum bus_kind kind)
{
    return kind == BUS_MODBUS_RTU || kind == BUS_TEXT_SERIAL;
}

/* Time of so many characters on the line, each of start, data, parity and stop bits. */
static int64_t line_ns(const struct bus_config *bus, int characters)
{
    if (!is_serial(bus->kind) || bus->baud <= 0)
        return 0;
    int bits = 1 + bus->data_bits + (bus->parity == PARITY_NONE ? 0 : 1) + bus->stop_bits;
    return (int64_t)(1e9 * bits * characters / bus->baud);
}

/* Silence between frames; 3.5 characters, 1.75 ms at least above 19200 bit/s (Modbus over serial line V1.02, 2.5.1.1).
 */
static int64_t silence_ns(const struct bus_config *bus)
{
    if (bus->kind != BUS_MODBUS_RTU || bus->gap_ns > 0)
        return bus->gap_ns;
    return bus->baud > 19200 ? 1750000 : line_ns(bus, 7) / 2;
}

static int64_t deadline_ns(const struct config *c, int device)
{
    const struct device_config *d = &c->devices[device];
    if (d->answer_ns > 0)
        return d->answer_ns;
    if (c->maps[d->map].answer_ns > 0)
        return c->maps[d->map].answer_ns;
    return c->buses[d->bus].timeout_ns;
}

static int64_t longest_travel_ns(const struct config *c, int device)
{
    int64_t longest = 0;
    for (int i = 0; i < c->bench.channel_count; i++) {
        const struct bench_load *l = &c->bench.channels[i].load;
        if (l->device == device && l->travel_ns > longest)
            longest = l->travel_ns;
    }
    return longest;
}

enum {
    WRITE_CHARACTERS = 13
}; /* address, function, register, count, bytes, one register, CRC: write multiple registers */

/* Deadlines are in real time; contactors and watchdog live on the bench's clock, which the times are given in. */
static void open_time(struct config *c, int device)
{
    const struct device_config *d = &c->devices[device];
    const struct bus_config *bus = &c->buses[d->bus];
    int64_t longest = 0;
    for (int i = 0; i < c->bench.device_count; i++)
        if (c->devices[i].bus == d->bus && deadline_ns(c, i) > longest)
            longest = deadline_ns(c, i);
    int64_t travel = longest_travel_ns(c, device);
    struct bench_device *out = &c->bench.devices[device];
    struct open_time *t = &c->open_times[device];
    int64_t real = longest + c->maps[d->map].turnaround_ns + silence_ns(bus) + line_ns(bus, WRITE_CHARACTERS) +
                   deadline_ns(c, device);
    t->by_bus_ns = (int64_t)((double)real * c->bench.rate) + travel;
    t->by_watchdog_ns = out->has_watchdog ? out->watchdog_ns + travel : 0;
    out->worst_open_ns = t->by_bus_ns;
}

/* Shortest thinkable time to ask a device for all its signals once: characters on the line only, each register by a
 * request that is shared by its neighbours. */
static int64_t round_ns(const struct config *c, int device)
{
    const struct bus_config *bus = &c->buses[c->devices[device].bus];
    const struct device_map *map = &c->maps[c->devices[device].map];
    int signals = 0;
    bool tables[TABLE_COUNT_] = {false};
    for (int i = 0; i < c->bench.signal_count; i++) {
        const struct signal_source *s = &c->signal_sources[i];
        if (s->device != device || s->point < 0)
            continue;
        signals++;
        tables[map->points[s->point].table] = true;
    }
    if (signals == 0)
        return 0;
    if (map->protocol == MAP_TEXT)
        return map->listen_count > 0 ? 0 : (int64_t)signals * (line_ns(bus, 16) + map->turnaround_ns);
    int requests = 0;
    for (int t = 0; t < TABLE_COUNT_; t++)
        requests += tables[t] ? 1 : 0;
    int64_t each = line_ns(bus, 13) + 2 * silence_ns(bus) + map->turnaround_ns;
    return requests * each + line_ns(bus, 2 * signals);
}

static void check_timetables(const struct assembly *a)
{
    const struct config *c = a->config;
    const struct raw_bus *buses = a->raw->buses.items;
    for (int b = 0; b < c->bench.bus_count; b++) {
        double share = 0;
        for (int d = 0; d < c->bench.device_count; d++)
            if (c->devices[d].bus == b)
                share += (double)round_ns(c, d) / (double)c->devices[d].poll_ns;
        if (share > 1)
            assemble_error(a, &buses[b].at, "baud", "Poll less often, raise the baud rate, or use a second line.",
                           "the line cannot carry its timetable: it would be busy for %.0f %% of the time",
                           share * 100);
        else if (share > 0.7)
            assemble_warning(a, &buses[b].at, "baud", "Poll less often, raise the baud rate, or use a second line.",
                             "the line is busy for %.0f %% of the time, with no room for repeats", share * 100);
    }
}

static void check_loads(const struct assembly *a)
{
    const struct config *c = a->config;
    const struct raw_device *devices = a->raw->devices.items;
    for (int d = 0; d < c->bench.device_count; d++) {
        const struct bench_device *out = &c->bench.devices[d];
        if (!out->is_load)
            continue;
        int others = 0;
        for (int i = 0; i < c->bench.device_count; i++)
            others += i != d && c->devices[i].bus == c->devices[d].bus && !c->bench.devices[i].is_load;
        if (others > 0)
            assemble_warning(a, &devices[d].at, "bus", "Give the load controller a bus or connection of its own.",
                             "the load controller shares its bus with %d other device%s: opening may wait for %s",
                             others, others == 1 ? "" : "s", others == 1 ? "it" : "them");
        if (!out->has_watchdog)
            assemble_warning(a, &devices[d].at, "map", "Use a controller with a watchdog, or stay beside it.",
                             "the load controller has no heartbeat: attended runs only");
    }
}

static void check_watchdogs(const struct assembly *a)
{
    const struct config *c = a->config;
    const struct raw_channel *channels = a->raw->channels.items;
    for (int i = 0; i < c->bench.channel_count; i++)
        if (channels[i].load.watchdog_ns > 0 && channels[i].load.watchdog_ns < 2 * c->bench.limits.beat_ns)
            assemble_warning(a, &channels[i].load.at, "watchdog_time", "Make it at least twice limits: {beat: ...}.",
                             "the watchdog is shorter than two beats: one late beat opens the load");
}

/* A strike ends, and each of its moments can be seen: what no poll falls into is not confirmed before it is over. */
static void check_strikes(const struct assembly *a)
{
    const struct config *c = a->config;
    const struct raw_channel *channels = a->raw->channels.items;
    for (int i = 0; i < c->bench.channel_count; i++) {
        const struct bench_load *l = &c->bench.channels[i].load;
        const struct bench_strike *s = &l->strike;
        const struct at *at = &channels[i].load.at;
        if (!s->fitted)
            continue;
        int64_t poll_ns = c->bench.devices[l->device].poll_ns;
        if ((s->low.for_ns > 0 && s->low.for_ns < poll_ns) || (s->high.for_ns > 0 && s->high.for_ns < poll_ns))
            assemble_warning(a, at, "strike", "Make the moments longer, or poll the load controller more often.",
                             "a moment of the strike is shorter than a poll: how the unit took it is not seen");
        double each_s = (double)(s->low.for_ns + s->high.for_ns + s->within_ns + s->rest_ns) / 1e9;
        if (each_s * s->attempts > 120)
            assemble_warning(a, at, "strike", "Fewer attempts, or a shorter rest.",
                             "a unit that does not start is struck for %.0f s before the run gives up",
                             each_s * s->attempts);
        if (s->released && !l->has_trigger)
            assemble_error(a, at, "strike", "Add trigger:, or write change: live.",
                           "the strike releases the torch switch, but the channel has no trigger");
    }
}

/* Limits that only a bench can bear whose time runs faster than this computer's: on a real one they would leave a load
 * closed that nobody watches. */
static void check_long_limits(const struct assembly *a)
{
    static const int64_t lease_most_ns = INT64_C(30000000000), minute_ns = INT64_C(60000000000);
    static const char remedy[] = "So long only on a virtual bench: one whose clock has a rate or an epoch.";
    const struct config *c = a->config;
    const struct raw_channel *channels = a->raw->channels.items;
    if (c->bench.virtual_bench)
        return;
    if (c->bench.limits.lease_ns > lease_most_ns)
        assemble_error(a, &a->raw->limits.at, "lease", remedy, "the lease is longer than 30 s");
    if (a->raw->limits.stale.ns[CLASS_SAFETY] > minute_ns)
        assemble_error(a, &a->raw->limits.at, "stale", remedy, "a lost safety signal is borne for longer than 1 min");
    for (int i = 0; i < c->bench.channel_count; i++)
        if (channels[i].load.watchdog_ns > minute_ns)
            assemble_error(a, &channels[i].load.at, "watchdog_time", remedy, "the watchdog is longer than 1 min");
}

static void check_signal(const struct assembly *a, const struct raw_signal *r, bool judged)
{
    const struct config *c = a->config;
    int64_t poll = 0;
    for (int d = 0; d < c->bench.device_count; d++)
        if (strcmp(c->devices[d].name, r->device) == 0)
            poll = c->devices[d].poll_ns;
    int64_t slowest = r->refresh_ns > poll ? r->refresh_ns : poll;
    if (r->stale_after_ns < 2 * slowest)
        assemble_warning(a, &r->at, "stale_after", "Poll more often, or state a longer stale_after for this signal.",
                         "%s counts as lost after %.3g s, but there is a new value only each %.3g s: one lost reading "
                         "is a loss",
                         r->at.key, (double)r->stale_after_ns / 1e9, (double)slowest / 1e9);
    if (judged && r->uncertainty.at.node == NULL)
        assemble_warning(a, &r->at, "device", "Add uncertainty: from the meter's manual or certificate.",
                         "no uncertainty is stated for %s: verdicts would take the meter for perfect", r->at.key);
    if (r->calibration.offset[0] != '\0' && r->calibration.certificate[0] == '\0')
        assemble_warning(a, &r->calibration.at, "offset", "Add certificate: and its number.",
                         "a correction is stated without its certificate");
}

static void check_signals(const struct assembly *a)
{
    const struct raw_signal *of_bench = a->raw->signals.items;
    const struct raw_channel *channels = a->raw->channels.items;
    for (int i = 0; i < a->raw->signals.count; i++)
        check_signal(a, &of_bench[i], false);
    for (int i = 0; i < a->raw->channels.count; i++) {
        const struct raw_signal *signals = channels[i].signals.items;
        for (int k = 0; k < channels[i].signals.count; k++) {
            enum signal_kind kind = signal_kind_parse(signals[k].at.key);
            check_signal(a, &signals[k], kind == SIG_I2 || kind == SIG_U2);
        }
    }
}

static void check_scaled(const struct assembly *a)
{
    const struct config *c = a->config;
    const struct raw_device *devices = a->raw->devices.items;
    for (int d = 0; d < c->bench.device_count && c->bench.rate != 1; d++) {
        const struct device_map *m = &c->maps[c->devices[d].map];
        if (m->virtual_point < 0 || m->rate_point < 0 || m->epoch_point < 0)
            assemble_error(
                a, &devices[d].at, "map", "Remove the rate, or use maps of virtual devices only.",
                "the clock is scaled, but this map has no virtual, rate and epoch points: a real device must "
                "never run on a scaled clock");
    }
}

static void lack(const struct assembly *a, const char *text, const char *remedy)
{
    assemble_warning(a, &a->raw->unattended.at, "allowed", remedy, "unattended runs will be refused: %s", text);
}

static bool notifies(const struct config *c, bool heartbeat)
{
    for (int i = 0; i < c->notify_count; i++)
        if ((c->notify[i].kind == NOTIFY_HEARTBEAT) == heartbeat)
            return true;
    return false;
}

static void check_unattended(const struct assembly *a)
{
    static const enum signal_kind kinds[] = {SIG_T_BANK, SIG_SMOKE, SIG_ESTOP, SIG_FAN_PROOF};
    const struct config *c = a->config;
    const struct raw_channel *channels = a->raw->channels.items;
    if (!c->unattended.allowed)
        return;
    for (int i = 0; i < c->bench.channel_count; i++) {
        const struct bench_channel *ch = &c->bench.channels[i];
        if (!ch->load.has_supply_trip)
            assemble_warning(a, &channels[i].at, "load", "Add supply_trip: a contactor can weld shut.",
                             "unattended runs will be refused: channel %s has no second means", ch->name);
        for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++)
            if (ch->signal[kinds[k]] < 0)
                assemble_warning(a, &channels[i].at, "signals", "Add the signal here or to the bench's signals.",
                                 "unattended runs will be refused: channel %s has no %s", ch->name,
                                 signal_kind_name(kinds[k]));
    }
    if (!notifies(c, false))
        lack(a, "nobody is told", "Add notify: with smtp or webhook.");
    if (!notifies(c, true))
        lack(a, "nobody outside notices when this computer dies", "Add notify: with kind: heartbeat.");
    if (!c->unattended.ups)
        lack(a, "no uninterruptible supply is stated", "Fit one for controllers and computer, then state ups: true.");
    if (!c->unattended.beacon && c->beacon_point < 0)
        lack(a, "no light shows that the bench is live",
             "Fit one, then add beacon: {device, command} or beacon: true.");
}

/* A phase that nobody reads can be lost or sag unseen. */
static void check_phases(const struct assembly *a)
{
    const struct raw_channel *channels = a->raw->channels.items;
    for (int i = 0; i < a->config->bench.channel_count; i++) {
        const int *signal = a->config->bench.channels[i].signal;
        int read = (signal[SIG_U1_A] >= 0) + (signal[SIG_U1_B] >= 0) + (signal[SIG_U1_C] >= 0);
        if (read == 1 || read == 2)
            assemble_warning(a, &channels[i].at, "signals",
                             "Read all of u1_a, u1_b, u1_c; for a supply of one phase write u1.",
                             "%d of the three phases of channel %s are read", read, channels[i].name);
    }
}

static void check_listen(const struct assembly *a)
{
    const struct raw_listen *l = &a->raw->listen;
    if (l->listen.http[0] == '\0')
        return;
    if (!net_address_is_numeric(l->listen.http))
        assemble_error(a, &l->at, "http", "Write it like this: 127.0.0.1:8460",
                       "this is no numeric address with a port");
    else if (!net_address_is_loopback(l->listen.http))
        assemble_warning(a, &l->at, "http", "Keep 127.0.0.1 and put a server with https and a login before it.",
                         "the page is open to the network, without encryption");
}

void assemble_checks(struct assembly *a)
{
    struct config *c = a->config;
    check_listen(a);
    check_phases(a);
    for (int d = 0; d < c->bench.device_count; d++)
        if (c->devices[d].is_load)
            open_time(c, d);
    check_timetables(a);
    check_loads(a);
    check_watchdogs(a);
    check_strikes(a);
    check_long_limits(a);
    check_signals(a);
    check_scaled(a);
    check_unattended(a);
}
