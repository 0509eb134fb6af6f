/* Channels, their loads and signals. */
#include <math.h>
#include <string.h>

#include "assemble.h"
#include "map_file.h"

static int find_device(const struct assembly *a, const struct at *at, const char *key, const char *name)
{
    const struct bench *b = &a->config->bench;
    return assemble_find(a, at, key, name, "device", b->devices[0].name, sizeof b->devices[0], b->device_count);
}

/* "point" of the given device, or "device.point". */
static int find_output(const struct assembly *a, const struct at *at, const char *key, const char *text, int *device)
{
    char name[NAME_CAP];
    const char *dot = strchr(text, '.');
    if (text[0] == '\0') {
        *device = -1;
        return -1;
    }
    if (dot != NULL) {
        (void)text_format(name, sizeof name, "%.*s", (int)(dot - text), text);
        *device = find_device(a, at, key, name);
        text = dot + 1;
    }
    return assemble_output(a, at, key, *device, text);
}

static void build_path(const struct raw_channel *raw, struct bench_channel *c)
{
    const struct raw_path_part *parts = raw->path.items;
    for (int i = 0; i < raw->path.count; i++) {
        const struct raw_path_part *p = &parts[i];
        struct path_part *to = &c->path[c->path_count++];
        to->is_cable = !isnan(p->area_mm2);
        const struct raw_path_rating *r = p->connector.at.node != NULL ? &p->connector : &p->adaptor;
        to->area_mm2 = to->is_cable ? p->area_mm2 : 0;
        to->length_m = to->is_cable ? p->length_m : 0;
        to->current_a = to->is_cable ? p->current_a : r->current_a;
        to->percent_on = to->is_cable ? p->percent_on : r->percent_on;
        to->cycle_s = (double)(to->is_cable ? p->cycle_ns : r->cycle_ns) / 1e9;
    }
}

/* A load's heartbeat or watchdog point against its map's. */
static void agree(const struct assembly *a, const struct at *at, const char *key, int point, int *of_map)
{
    if (point < 0)
        return;
    if (*of_map >= 0 && *of_map != point)
        assemble_error(a, at, key, "Remove the key, or correct the map.", "the map names another point for this");
    else
        *of_map = point;
}

static void build_watchdog(struct assembly *a, struct raw_load *raw, int device)
{
    struct config *c = a->config;
    struct bench_device *d = &c->bench.devices[device];
    if (c->devices[device].map < 0)
        return;
    struct device_map *map = &c->maps[c->devices[device].map];
    agree(a, &raw->at, "heartbeat", assemble_output(a, &raw->at, "heartbeat", device, raw->heartbeat),
          &map->beat_point);
    agree(a, &raw->at, "watchdog", assemble_point(a, &raw->at, "watchdog", device, raw->watchdog),
          &map->watchdog_point);
    bool has = map->beat_point >= 0;
    if (!has && raw->watchdog_ns > 0)
        assemble_error(a, &raw->at, "watchdog_time", "Name the heartbeat, here or in the map.",
                       "a watchdog needs a heartbeat");
    if (!has)
        return;
    if (raw->watchdog_ns == 0)
        raw->watchdog_ns = d->has_watchdog ? d->watchdog_ns : INT64_C(5000000000);
    else if (d->has_watchdog && d->watchdog_ns != raw->watchdog_ns)
        assemble_error(a, &raw->at, "watchdog_time", "One controller has one watchdog: state the same time.",
                       "an earlier channel states another time for device %s", d->name);
    d->has_watchdog = true;
    d->watchdog_ns = raw->watchdog_ns;
}

static void build_steps(const struct raw_load *raw, struct bench_load *l)
{
    const struct raw_step *steps = raw->steps.items;
    double sum = 0;
    for (int i = 0; i < raw->steps.count; i++) {
        l->steps[i] = steps[i].step;
        sum += steps[i].step.power_w;
    }
    l->step_count = raw->steps.count;
    if (l->max_power_w == 0)
        l->max_power_w = sum;
}

/* A settable load is told ohm or ampere: without its unit in the map the number could mean anything. */
static void check_setting(const struct assembly *a, const struct raw_load *raw, const struct load_points *points)
{
    const struct config *c = a->config;
    if (raw->load.kind == LOAD_STEPPED || points->device < 0 || points->command < 0 ||
        c->devices[points->device].map < 0)
        return;
    const struct map_point *p = &c->maps[c->devices[points->device].map].points[points->command];
    enum dimension wanted = raw->load.kind == LOAD_SETTABLE_CURRENT ? DIM_CURRENT : DIM_RESISTANCE;
    if (p->dim != wanted)
        assemble_error(a, &raw->at, "command", "Name the point that sets it, or add unit: to that point in its map.",
                       "a load of this kind is set in %s, but the point \"%s\" takes %s", dimension_unit(wanted),
                       p->name, p->dim == DIM_NUMBER ? "plain numbers" : dimension_unit(p->dim));
}

static void build_load(struct assembly *a, struct raw_channel *raw, int channel)
{
    struct config *c = a->config;
    struct bench_channel *ch = &c->bench.channels[channel];
    struct load_points *points = &c->load_points[channel];
    struct raw_load *r = &raw->load;
    ch->load = r->load;
    int device = find_device(a, &r->at, "device", r->device);
    ch->load.device = device;
    ch->load.feedback_signal = -1;
    points->device = device;
    points->command = assemble_output(a, &r->at, "command", device, r->command);
    points->supply_device = device;
    points->supply = find_output(a, &r->at, "supply_trip", r->supply_trip, &points->supply_device);
    points->fan_device = device;
    points->fan = find_output(a, &r->at, "fan", r->fan, &points->fan_device);
    points->trigger_device = find_device(a, &raw->trigger.at, "device", raw->trigger.device);
    points->trigger = assemble_output(a, &raw->trigger.at, "command", points->trigger_device, raw->trigger.command);
    ch->load.has_supply_trip = points->supply >= 0;
    ch->load.has_bank_fan = points->fan >= 0;
    ch->load.has_trigger = points->trigger >= 0;
    ch->u2_at_bank = r->u2_at == 1;
    build_steps(r, &ch->load);
    check_setting(a, r, points);
    if (device < 0)
        return;
    c->devices[device].is_load = true;
    c->bench.devices[device].is_load = true;
    build_watchdog(a, r, device);
}

/* A quantity whose dimension the signal decides. Differences of temperatures are in K. */
static double deferred(const struct assembly *a, const struct at *at, const char *key, const char *text,
                       enum dimension dim, bool difference)
{
    struct error err;
    double v = 0;
    if (text[0] == '\0')
        return 0;
    if (difference && dim == DIM_TEMPERATURE)
        dim = DIM_TEMP_DIFF;
    if (quantity_parse(text, dim, &v, &err) != 0)
        assemble_error(a, at, key, "Use the unit of the signal (K for a difference of temperatures).", "%.200s",
                       err.text);
    return v;
}

static bool is_supply_ac(enum signal_kind k)
{
    return k == SIG_U1 || k == SIG_U1_LINE || k == SIG_U1_A || k == SIG_U1_B || k == SIG_U1_C || k == SIG_I1 ||
           k == SIG_I1_A || k == SIG_I1_B || k == SIG_I1_C;
}

static void fill_signal(struct assembly *a, struct raw_signal *raw, struct bench_signal *s)
{
    if (raw->cls < 0)
        raw->cls = (int)signal_kind_class(s->kind);
    if (raw->mean < 0)
        raw->mean = is_supply_ac(s->kind) ? MEAN_RMS : MEAN_ARITHMETIC;
    if (raw->stale_after_ns < 0)
        raw->stale_after_ns = a->raw->limits.stale.ns[raw->cls];
    s->cls = (enum signal_class)raw->cls;
    s->mean = (enum mean_kind)raw->mean;
    s->stale_after_ns = raw->stale_after_ns;
    s->refresh_ns = raw->refresh_ns;
    s->averaging_ns = raw->averaging_ns;
    s->damping_ns = raw->damping_ns;
    const struct raw_uncertainty *u = &raw->uncertainty;
    s->uncertainty = u->u;
    s->uncertainty.range = deferred(a, &u->at, "range", u->range, s->dim, true);
    s->uncertainty.absolute = deferred(a, &u->at, "absolute", u->absolute, s->dim, true);
    const struct raw_calibration *cal = &raw->calibration;
    s->correction_gain = cal->gain;
    s->correction_offset = deferred(a, &cal->at, "offset", cal->offset, s->dim, true);
    (void)text_copy(s->certificate, sizeof s->certificate, cal->certificate);
    s->calibration_due_utc_s = cal->due_utc_s;
}

static int add_signal(struct assembly *a, const struct at *at, const char *key, const char *name, int channel,
                      int device, int point)
{
    struct config *c = a->config;
    struct bench *b = &c->bench;
    if (b->signal_count >= SIGNALS_MAX) {
        assemble_error(a, at, key, "Use a second bench.", "the bench has more than %d signals", SIGNALS_MAX);
        return -1;
    }
    int index = b->signal_count++;
    struct bench_signal *s = &b->signals[index];
    (void)text_copy(s->name, sizeof s->name, name);
    s->kind = signal_kind_parse(name);
    s->cls = signal_kind_class(s->kind);
    s->channel = channel;
    s->device = device;
    s->bus = device >= 0 ? c->devices[device].bus : -1;
    s->dim = signal_kind_dimension(s->kind);
    s->correction_gain = 1;
    s->uncertainty.k = 2;
    c->signal_sources[index] = (struct signal_source){device, point};
    if (device < 0 || point < 0)
        return index;
    const struct map_point *p = &c->maps[c->devices[device].map].points[point];
    if (s->kind == SIG_OTHER)
        s->dim = p->value_dim;
    else if (s->dim != p->value_dim)
        assemble_error(a, at, key, "Name another point, or correct the unit of the point in its map.",
                       "%s is measured in %s, but the point \"%s\" gives %s", name,
                       s->dim == DIM_NUMBER ? "plain numbers" : dimension_unit(s->dim), p->name,
                       p->value_dim == DIM_NUMBER ? "plain numbers" : dimension_unit(p->value_dim));
    if (p->block)
        assemble_error(a, at, key, "Name a point with access: read; samples go by the channel's capture.",
                       "the point \"%s\" is a row of samples, not one value", p->name);
    s->latch = p->latch;
    if (s->latch != LATCH_NONE && s->kind != SIG_U2_PEAK)
        assemble_error(a, at, key, "Use it for u2_peak only.", "the point \"%s\" is a latched peak", p->name);
    if (p->writable && p->query[0] == '\0' && c->maps[c->devices[device].map].protocol == MAP_TEXT)
        assemble_error(a, at, key, "Name a point that can be read.", "the point \"%s\" is written, not read", p->name);
    return index;
}

static void add_feedback(struct assembly *a, const struct raw_channel *raw, int channel)
{
    struct bench_channel *ch = &a->config->bench.channels[channel];
    const struct raw_load *r = &raw->load;
    int point = assemble_point(a, &r->at, "feedback", ch->load.device, r->feedback);
    if (point < 0)
        return;
    int index = add_signal(a, &r->at, "feedback", "feedback", channel, ch->load.device, point);
    if (index < 0)
        return;
    a->config->bench.signals[index].stale_after_ns = a->raw->limits.stale.ns[CLASS_SAFETY];
    ch->load.feedback_signal = index;
    ch->signal[SIG_FEEDBACK] = index;
}

/* A channel's signals, or (channel -1) the bench's, whose indexes go to at_kind. */
static void add_signals(struct assembly *a, struct list *list, int channel, int at_kind[SIG_KIND_COUNT_])
{
    struct raw_signal *signals = list->items;
    for (int i = 0; i < list->count; i++) {
        struct raw_signal *r = &signals[i];
        if (signal_kind_parse(r->at.key) == SIG_FEEDBACK) {
            assemble_error(a, &r->at, "", "Use load: {feedback: ...}.", "feedback is named in load");
            continue;
        }
        int device = find_device(a, &r->at, "device", r->device);
        int point = assemble_point(a, &r->at, "point", device, r->point);
        int index = add_signal(a, &r->at, "point", r->at.key, channel, device, point);
        if (index < 0)
            return;
        struct bench_signal *s = &a->config->bench.signals[index];
        fill_signal(a, r, s);
        if (s->kind != SIG_OTHER)
            at_kind[s->kind] = index;
    }
}

static void build_capture(struct assembly *a, const struct raw_channel *raw, int channel)
{
    struct config *c = a->config;
    struct load_points *points = &c->load_points[channel];
    const struct raw_channel_capture *r = &raw->capture;
    points->capture_device = find_device(a, &r->at, "device", r->device);
    points->capture = -1;
    if (points->capture_device < 0 || c->devices[points->capture_device].map < 0)
        return;
    const struct device_map *map = &c->maps[c->devices[points->capture_device].map];
    if (map->capture_count == 0)
        assemble_error(a, &r->at, "device", "Describe the buffer in its map, under captures.",
                       "the map of device %s has no capture", r->device);
    else if (r->name[0] != '\0')
        points->capture = assemble_find(a, &r->at, "name", r->name, "capture", map->captures[0].name,
                                        sizeof map->captures[0], map->capture_count);
    else if (map->capture_count == 1)
        points->capture = 0;
    else
        assemble_error(a, &r->at, "device", "Add name: and which of them.", "the map of device %s has %d captures",
                       r->device, map->capture_count);
    c->bench.channels[channel].has_capture = points->capture >= 0;
    for (int i = 0; i < channel; i++)
        if (points->capture >= 0 && c->load_points[i].capture == points->capture &&
            c->load_points[i].capture_device == points->capture_device)
            assemble_error(a, &r->at, "device", "Each channel needs a buffer of its own.",
                           "channel %s has this capture already", c->bench.channels[i].name);
}

/* What lets the channel's latched peak go. */
static void build_peak(struct assembly *a, int channel)
{
    struct config *c = a->config;
    struct load_points *points = &c->load_points[channel];
    int signal = c->bench.channels[channel].signal[SIG_U2_PEAK];
    points->peak_device = points->peak = -1;
    if (signal < 0 || c->bench.signals[signal].latch != LATCH_WRITE)
        return;
    points->peak_device = c->signal_sources[signal].device;
    points->peak = c->signal_sources[signal].point;
}

static void need_signal(const struct assembly *a, const struct raw_channel *raw, const struct bench_channel *ch,
                        enum signal_kind kind, const char *remedy)
{
    if (ch->signal[kind] < 0)
        assemble_error(a, &raw->at, "signals", remedy, "channel %s has no signal %s", raw->name,
                       signal_kind_name(kind));
}

static void build_remote(const struct assembly *a, struct raw_remote *raw, int channel)
{
    struct bench_channel *ch = &a->config->bench.channels[channel];
    struct load_points *points = &a->config->load_points[channel];
    ch->remote = (struct bench_remote){.device = -1};
    points->remote_device = points->remote = -1;
    if (raw->at.node == NULL)
        return;
    ch->remote = raw->remote;
    points->remote_device = find_device(a, &raw->at, "device", raw->device);
    points->remote = assemble_output(a, &raw->at, "command", points->remote_device, raw->command);
    ch->remote.device = points->remote_device;
    ch->remote.fitted = points->remote >= 0;
}

static void build_channel(struct assembly *a, struct raw_channel *raw, int i, const int of_bench[SIG_KIND_COUNT_])
{
    struct bench *b = &a->config->bench;
    struct bench_channel *ch = &b->channels[i];
    (void)text_copy(ch->name, sizeof ch->name, raw->name);
    ch->circuit = assemble_find(a, &raw->at, "circuit", raw->circuit, "circuit", b->circuits[0].name,
                                sizeof b->circuits[0], b->circuit_count);
    build_remote(a, &raw->remote, i);
    a->config->channel_isolation_v[i] = raw->isolation_v;
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        ch->signal[k] = of_bench[k];
    build_path(raw, ch);
    build_load(a, raw, i);
    add_feedback(a, raw, i);
    add_signals(a, &raw->signals, i, ch->signal);
    build_capture(a, raw, i);
    build_peak(a, i);
    if (raw->signals.count == 0)
        return;
    need_signal(a, raw, ch, SIG_I2, "Add i2: {device: ..., point: ...}: nothing can be judged without it.");
    need_signal(a, raw, ch, SIG_U2, "Add u2: {device: ..., point: ...}: nothing can be judged without it.");
}

static void check_sharing(const struct assembly *a)
{
    const struct raw_channel *channels = a->raw->channels.items;
    const struct load_points *points = a->config->load_points;
    for (int i = 0; i < a->raw->channels.count; i++)
        for (int k = 0; k < i; k++)
            if (points[i].command >= 0 && points[i].device == points[k].device &&
                points[i].command == points[k].command)
                assemble_error(a, &channels[i].load.at, "command", "Each channel needs a point of its own.",
                               "channel %s has this command already", channels[k].name);
}

void assemble_channels(struct assembly *a)
{
    struct raw_channel *channels = a->raw->channels.items;
    struct bench *b = &a->config->bench;
    int of_bench[SIG_KIND_COUNT_];
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        of_bench[k] = -1;
    assemble_unique(a, &a->raw->channels, sizeof *channels, offsetof(struct raw_channel, name), "channel");
    add_signals(a, &a->raw->signals, -1, of_bench);
    for (int i = 0; i < a->raw->channels.count; i++) {
        b->channel_count = i + 1;
        build_channel(a, &channels[i], i, of_bench);
    }
    if (a->raw->channels.count == 0)
        assemble_warning(a, &a->raw->at, "channels", "Add at least one; the daemon does not run without.",
                         "the bench has no channels: its devices can be probed, nothing can be tested");
    check_sharing(a);
}
