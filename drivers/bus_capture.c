#include "bus_capture.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "capturing.h"

struct device *bus_capture_device(const struct bus *bus, int channel)
{
    for (int i = 0; i < bus->capture_count; i++)
        if (bus->captures[i].channel == channel)
            return bus->captures[i].dev;
    return NULL;
}

int bus_captures_plan(struct bus *bus, const struct bus_setup *setup, struct error *err)
{
    if (bus->sink.capture == NULL)
        return 0;
    bus->captures = calloc((size_t)setup->channel_count + 1, sizeof *bus->captures);
    if (bus->captures == NULL)
        return error_set(err, "out of memory");
    for (int c = 0; c < setup->channel_count; c++) {
        const struct load_points *p = &setup->channels[c];
        struct device *dev = bus_device_find(bus, p->capture_device);
        if (dev == NULL || p->capture < 0 || p->capture >= dev->map->capture_count)
            continue;
        bus->captures[bus->capture_count++] = (struct capturing){.channel = c,
                                                                 .dev = dev,
                                                                 .map = &dev->map->captures[p->capture],
                                                                 .again_ns = NEVER_NS,
                                                                 .number_before = NAN};
    }
    return 0;
}

void bus_captures_free(struct bus *bus)
{
    free(bus->captures);
    bus->captures = NULL;
}

/* --- telling ----------------------------------------------------------------------------------------------------- */

static void emit(struct bus *bus, struct capturing *k)
{
    struct input_capture *c = &k->told;
    c->bus = bus->index;
    c->device = k->dev->setup.index;
    c->channel = k->channel;
    c->command = k->command;
    if (bus->sink.capture(bus->sink.ctx, c) == 0)
        return;
    /* Evidence is lost, nothing else: no load depends on it. */
    (void)pthread_mutex_lock(&bus->stats_lock);
    bus->stats.inputs_refused++;
    (void)pthread_mutex_unlock(&bus->stats_lock);
    bus_log(bus, "device %s: a capture was lost, the engine's queue is full", k->dev->setup.config->name);
}

void capturing_go(struct bus *bus, struct capturing *k, enum step step, int64_t after_ns)
{
    k->tries = 0;
    k->step = step;
    k->again_ns = bus_now(bus) + after_ns;
    if (after_ns > 0 || !k->wanted)
        k->since_real_ns = bus_real(bus);
}

void capturing_tell(struct bus *bus, struct capturing *k, enum capture_status status, const char *why, double value)
{
    k->told.status = status;
    k->told.count = 0;
    if (isnan(value))
        (void)text_copy(k->told.text, sizeof k->told.text, why);
    else
        (void)text_format(k->told.text, sizeof k->told.text, "%.200s %g", why, value);
    emit(bus, k);
}

void capturing_give_up(struct bus *bus, struct capturing *k, enum capture_status status, const char *why, double value)
{
    capturing_tell(bus, k, status, why, value);
    k->step = STEP_REST;
    k->again_ns = NEVER_NS;
    k->wanted = false;
}

static uint64_t digest_of(const struct capturing *k)
{
    uint64_t h = UINT64_C(14695981039346656037); /* FNV-1a */
    for (int s = 0; s < CAPTURE_SIGNALS; s++) {
        const uint8_t *bytes = (const uint8_t *)k->rows[s];
        size_t size = k->told.has[s] ? (size_t)k->told.count * sizeof k->rows[s][0] : 0;
        for (size_t i = 0; i < size; i++)
            h = (h ^ bytes[i]) * UINT64_C(1099511628211);
    }
    return h;
}

void capturing_deliver(struct bus *bus, struct capturing *k)
{
    struct input_capture *c = &k->told;
    uint64_t digest = digest_of(k);
    if (digest == k->digest) {
        capturing_give_up(bus, k, CAPTURE_FROZEN, "the samples are those of the capture before, to the digit", NAN);
        return;
    }
    k->digest = digest;
    for (int s = 0; s < CAPTURE_SIGNALS; s++)
        for (int i = 0; i < c->count; i++)
            c->values[s * c->count + i] = c->has[s] ? k->rows[s][i] : NAN;
    c->first_ns = k->event_ns - c->event * c->interval_ns;
    c->half_width_ns = k->event_half_ns + c->interval_ns / 2;
    c->status = CAPTURE_WHOLE;
    c->text[0] = '\0';
    emit(bus, k);
    k->step = STEP_REST;
    k->again_ns = NEVER_NS;
    k->wanted = false;
}

/* --- orders ------------------------------------------------------------------------------------------------------ */

static void begin(struct bus *bus, struct capturing *k)
{
    k->wanted = false;
    k->armed_seen_ns = k->left_seen_ns = k->ready_seen_ns = 0;
    k->deadline_ns = NEVER_NS;
    capturing_go(bus, k, k->map->number_point >= 0 ? STEP_NUMBER : STEP_ARM, 0);
}

static void ask(struct bus *bus, struct capturing *k)
{
    int64_t fill_ns =
        k->map->interval_ns > 0 && k->map->count > 0 ? k->map->interval_ns * k->map->count : AWAIT_BEYOND_NS;
    k->wanted = true;
    k->asked_ns = bus_now(bus);
    k->deadline_ns = k->asked_ns + fill_ns + AWAIT_BEYOND_NS;
    if (k->step == STEP_REST)
        capturing_give_up(bus, k, CAPTURE_NOT_ARMED, "the buffer had not been armed", NAN);
    else if (k->step == STEP_WATCH)
        capturing_go(bus, k, k->map->trigger_point >= 0 ? STEP_TRIGGER : STEP_AWAIT, 0);
    k->since_real_ns = bus_real(bus);
}

void bus_capture_order(struct bus *bus, const struct command *command)
{
    for (int i = 0; i < bus->capture_count; i++) {
        struct capturing *k = &bus->captures[i];
        if (k->channel != command->channel)
            continue;
        k->command = command->number;
        if (command->code == CAPTURE_ARM)
            begin(bus, k);
        else
            ask(bus, k);
    }
}

void bus_captures_tick(struct bus *bus)
{
    int64_t now = bus_now(bus);
    for (int i = 0; i < bus->capture_count; i++) {
        struct capturing *k = &bus->captures[i];
        if (k->step == STEP_REST)
            continue;
        if (!bus->connected || k->dev->phase != PHASE_UP)
            capturing_give_up(bus, k, CAPTURE_LINK_LOST, "the device was lost meanwhile", NAN);
        else if (k->wanted && now >= k->deadline_ns)
            capturing_give_up(bus, k, CAPTURE_NOT_READY,
                              k->step == STEP_AWAIT ? "the device has seen no event, or the buffer did not fill"
                                                    : "reading it took too long",
                              NAN);
        else if (!k->wanted && k->step == STEP_WATCH && k->ready_seen_ns != 0 && now - k->ready_seen_ns >= UNREAD_NS)
            begin(bus, k); /* not one that anybody wants to know about */
    }
}

int64_t bus_capture_due_ns(const struct bus *bus, int i, struct device **dev, int64_t *since_real_ns)
{
    const struct capturing *k = &bus->captures[i];
    *dev = k->dev;
    *since_real_ns = k->since_real_ns;
    if (k->step == STEP_REST || k->dev->phase != PHASE_UP)
        return NEVER_NS;
    if (k->step == STEP_WATCH && k->ready_seen_ns != 0)
        return k->ready_seen_ns + UNREAD_NS;
    return k->again_ns;
}
