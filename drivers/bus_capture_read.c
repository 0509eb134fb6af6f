/* Buffers of fast samples: the transactions, and what each answer means. */
#include <math.h>
#include <string.h>

#include "capturing.h"

static void read_point(struct bus *bus, struct device *dev, int point, struct outcome *out)
{
    const struct map_point *p = &dev->map->points[point];
    struct block block = {.table = p->table, .first = p->register_, .count = 0, .point_count = 1};
    block.points[0] = (int16_t)point;
    dev->protocol->read(bus, dev, &block, out);
}

static int about_point(const struct capturing *k, int i)
{
    const int points[ABOUT_MAX] = {k->map->age_point, k->map->interval_point, k->map->count_point,
                                   k->map->number_point};
    return points[i];
}

void bus_capture_run(struct bus *bus, struct job *job, struct outcome *out)
{
    struct capturing *k = &bus->captures[job->block];
    const struct map_capture *m = k->map;
    k->tries++;
    k->running = k->step;
    switch (k->step) {
    case STEP_ARM:
        k->dev->protocol->write(bus, k->dev, m->arm_point, m->arm_value, out);
        break;
    case STEP_TRIGGER:
        k->dev->protocol->write(bus, k->dev, m->trigger_point, m->trigger_value, out);
        break;
    case STEP_NUMBER:
    case STEP_LAST_NUMBER:
        read_point(bus, k->dev, m->number_point, out);
        break;
    case STEP_ABOUT:
        read_point(bus, k->dev, about_point(k, k->about), out);
        break;
    case STEP_PIECE: {
        int left = k->told.count - k->at;
        struct sample_row row = {.values = k->rows[k->signal] + k->at, .cap = ROW_CAP - k->at};
        k->dev->protocol->samples(bus, k->dev, m->samples[k->signal], k->at, left < k->piece ? left : k->piece, &row,
                                  out);
        k->got = row.got;
        break;
    }
    default:
        read_point(bus, k->dev, m->state_point, out);
        break;
    }
}

static bool is(double a, double b)
{
    return fabs(a - b) < 1e-9 * (fabs(b) > 1 ? fabs(b) : 1);
}

/* The value that a question for one point brought. False: there is none, and it is asked again or given up. */
static bool value_of(struct bus *bus, struct capturing *k, const struct outcome *out, double *value)
{
    if (out->error == BUS_OK && out->sample_count == 1 && out->samples[0].quality == QUALITY_GOOD) {
        *value = out->samples[0].value;
        return true;
    }
    if (k->tries < TRIES_MAX) {
        k->again_ns = bus_now(bus) + AWAIT_EVERY_NS;
        return false;
    }
    capturing_give_up(bus, k, CAPTURE_UNREADABLE, "its state could not be read", NAN);
    return false;
}

static void armed_done(struct bus *bus, struct capturing *k, const struct job *job, double state)
{
    if (is(state, k->map->armed)) {
        k->armed_seen_ns = job->began_ns;
        capturing_tell(bus, k, CAPTURE_ARMED, "", NAN);
        if (!k->wanted)
            capturing_go(bus, k, STEP_WATCH, LOOK_EVERY_NS);
        else
            capturing_go(bus, k, k->map->trigger_point >= 0 ? STEP_TRIGGER : STEP_AWAIT, 0);
    } else if (k->tries < TRIES_MAX) {
        k->again_ns = bus_now(bus) + AWAIT_EVERY_NS;
    } else {
        capturing_give_up(bus, k, CAPTURE_NOT_ARMED, "armed, it does not wait for the event: its state reads", state);
    }
}

/* Where the buffer stands, by its state. True once it is whole. */
static bool follow(struct bus *bus, struct capturing *k, const struct job *job, double state)
{
    bool ready = is(state, k->map->ready);
    bool filling = k->map->has_filling && is(state, k->map->filling);
    if (is(state, k->map->armed)) {
        k->armed_seen_ns = job->began_ns;
        return false;
    }
    if (!ready && !filling) {
        capturing_give_up(bus, k, CAPTURE_NOT_ARMED,
                          "it waits no longer (restarted, or used by another): its state reads", state);
        return false;
    }
    if (k->left_seen_ns == 0)
        k->left_seen_ns = job->ended_ns;
    if (ready && k->ready_seen_ns == 0)
        k->ready_seen_ns = job->ended_ns;
    return ready;
}

/* When the event was, by what is known best. */
static void place_event(struct capturing *k, const struct map_capture *m)
{
    int64_t after_ns = (k->told.count - k->told.event) * k->told.interval_ns;
    if (m->age_point >= 0 || m->trigger_point >= 0)
        return; /* known by its age, or by our own hand */
    int64_t from = k->armed_seen_ns, to = k->left_seen_ns;
    if (!m->has_filling) { /* it left `armed` only when the rest of the buffer had been filled */
        from -= after_ns;
        to -= after_ns;
    }
    k->event_ns = from + (to - from) / 2;
    k->event_half_ns = (to - from + 1) / 2;
}

static int next_signal(const struct capturing *k, int from)
{
    while (from < CAPTURE_SIGNALS && k->map->samples[from] < 0)
        from++;
    return from;
}

/* All that is to be known before the samples. */
static void about_known(struct bus *bus, struct capturing *k)
{
    struct input_capture *c = &k->told;
    if (c->count < LEAST_SAMPLES || c->count > ROW_CAP || c->interval_ns <= 0 || c->interval_ns > LOOK_EVERY_NS / 5) {
        bool count = c->count < LEAST_SAMPLES || c->count > ROW_CAP;
        capturing_give_up(bus, k, CAPTURE_BAD_LENGTH,
                          count ? "its number of samples makes no sense:"
                                : "its time between samples (s) makes no sense:",
                          count ? (double)c->count : (double)c->interval_ns / 1e9);
        return;
    }
    if (k->map->number_point >= 0 && is(k->number, k->number_before)) {
        capturing_give_up(bus, k, CAPTURE_FROZEN, "its number is still that of the capture before:", k->number);
        return;
    }
    c->event = (int32_t)(c->count * k->map->before_pct / 100 + 0.5);
    place_event(k, k->map);
    for (int s = 0; s < CAPTURE_SIGNALS; s++)
        c->has[s] = k->map->samples[s] >= 0;
    k->signal = next_signal(k, 0);
    k->at = 0;
    k->piece = c->count;
    capturing_go(bus, k, STEP_PIECE, 0);
}

static void begin_about(struct bus *bus, struct capturing *k)
{
    const struct map_capture *m = k->map;
    k->deadline_ns = bus_now(bus) + WHOLE_NS;
    k->told.interval_ns = m->interval_ns;
    k->told.count = m->count;
    k->about = 0;
    while (k->about < ABOUT_MAX && about_point(k, k->about) < 0)
        k->about++;
    if (k->about < ABOUT_MAX)
        capturing_go(bus, k, STEP_ABOUT, 0);
    else
        about_known(bus, k); /* all of it stands in the map */
}

static void about_done(struct bus *bus, struct capturing *k, const struct job *job, double value)
{
    const struct map_point *p = &k->dev->map->points[about_point(k, k->about)];
    int64_t ns = fabs(value * p->to_base) < 1e6 ? (int64_t)(value * p->to_base * 1e9) : 0;
    switch (k->about) {
    case 0:
        k->event_ns = job->began_ns + (job->ended_ns - job->began_ns) / 2 - ns;
        k->event_half_ns = (job->ended_ns - job->began_ns + 1) / 2 + (int64_t)(fabs(p->scale * p->to_base) * 5e8);
        break;
    case 1:
        k->told.interval_ns = ns;
        break;
    case 2:
        k->told.count = value >= 0 && value <= ROW_CAP ? (int32_t)(value + 0.5) : ROW_CAP + 1;
        break;
    default:
        k->number = value;
        break;
    }
    do
        k->about++;
    while (k->about < ABOUT_MAX && about_point(k, k->about) < 0);
    if (k->about < ABOUT_MAX)
        capturing_go(bus, k, STEP_ABOUT, 0);
    else
        about_known(bus, k);
}

static void refine_row(const struct bus *bus, struct capturing *k)
{
    for (int i = k->at; i < k->at + k->got; i++) {
        enum quality quality = QUALITY_GOOD;
        struct sample s = {
            .point = (int16_t)k->map->samples[k->signal], .quality = QUALITY_GOOD, .value = k->rows[k->signal][i]};
        k->rows[k->signal][i] = bus_refine(bus, k->dev, &s, &quality);
    }
}

static void piece_done(struct bus *bus, struct capturing *k, const struct outcome *out)
{
    if (out->error == BUS_EXCEPTION && (out->exception == 2 || out->exception == 3) && k->piece > 1) {
        k->piece = (k->piece < k->told.count - k->at ? k->piece : k->told.count - k->at) / 2;
        k->piece = k->piece < 1 ? 1 : k->piece;
        capturing_go(bus, k, STEP_PIECE, 0); /* too much at once */
        return;
    }
    if (out->error == BUS_EXCEPTION && k->at > 0) {
        capturing_give_up(bus, k, CAPTURE_BAD_LENGTH, "fewer samples than it says:", (double)k->at);
        return;
    }
    if (out->error != BUS_OK) {
        k->again_ns = bus_now(bus) + AWAIT_EVERY_NS;
        if (k->tries >= TRIES_MAX)
            capturing_give_up(bus, k, CAPTURE_UNREADABLE, "its samples could not be read", NAN);
        return;
    }
    if (k->got < 1 || k->got > k->told.count - k->at) {
        capturing_give_up(bus, k, CAPTURE_BAD_LENGTH,
                          "a part of it came with another number of samples than was asked for:", (double)k->got);
        return;
    }
    refine_row(bus, k);
    k->at += k->got;
    if (k->at >= k->told.count) {
        k->signal = next_signal(k, k->signal + 1);
        k->at = 0;
    }
    capturing_go(bus, k, k->signal < CAPTURE_SIGNALS ? STEP_PIECE : STEP_LAST_STATE, 0);
}

static void last_state_done(struct bus *bus, struct capturing *k, double state)
{
    if (!is(state, k->map->ready))
        capturing_give_up(bus, k, CAPTURE_OVERWRITTEN, "another capture began while it was read: its state reads",
                          state);
    else if (k->map->number_point >= 0)
        capturing_go(bus, k, STEP_LAST_NUMBER, 0);
    else
        capturing_deliver(bus, k);
}

static void order_done(struct bus *bus, struct capturing *k, const struct job *job, const struct outcome *out)
{
    bool arm = k->step == STEP_ARM;
    if (out->error == BUS_OK) {
        k->event_ns = job->began_ns + (job->ended_ns - job->began_ns) / 2;
        k->event_half_ns = (job->ended_ns - job->began_ns + 1) / 2;
        capturing_go(bus, k, arm ? STEP_ARMED : STEP_AWAIT, 0);
    } else if (out->error == BUS_EXCEPTION || out->error == BUS_NOT_SENT || k->tries >= TRIES_MAX) {
        capturing_give_up(
            bus, k, arm ? CAPTURE_NOT_ARMED : CAPTURE_NOT_READY,
            arm ? "it does not take the write that arms it" : "it does not take the write that marks the event", NAN);
    } else {
        k->again_ns = bus_now(bus) + AWAIT_EVERY_NS;
    }
}

static void state_done(struct bus *bus, struct capturing *k, const struct job *job, double state)
{
    switch (k->step) {
    case STEP_ARMED:
        armed_done(bus, k, job, state);
        break;
    case STEP_WATCH:
        (void)follow(bus, k, job, state);
        if (k->step == STEP_WATCH)
            capturing_go(bus, k, STEP_WATCH, LOOK_EVERY_NS);
        break;
    case STEP_AWAIT:
        if (follow(bus, k, job, state))
            begin_about(bus, k);
        else if (k->step == STEP_AWAIT) {
            k->tries = 0;
            k->again_ns = bus_now(bus) + AWAIT_EVERY_NS;
        }
        break;
    case STEP_LAST_STATE:
        last_state_done(bus, k, state);
        break;
    default:
        break;
    }
}

void bus_capture_done(struct bus *bus, struct job *job, struct outcome *out)
{
    struct capturing *k = &bus->captures[job->block];
    double value = NAN;
    if (k->running != k->step) { /* an order came while the answer was on its way */
        device_aside_failed(bus, k->dev, out);
        return;
    }
    switch (k->step) {
    case STEP_REST:
        break;
    case STEP_ARM:
    case STEP_TRIGGER:
        order_done(bus, k, job, out);
        break;
    case STEP_PIECE:
        piece_done(bus, k, out);
        break;
    case STEP_NUMBER:
        if (value_of(bus, k, out, &k->number_before))
            capturing_go(bus, k, STEP_ARM, 0);
        break;
    case STEP_ABOUT:
        if (value_of(bus, k, out, &value))
            about_done(bus, k, job, value);
        break;
    case STEP_LAST_NUMBER:
        if (!value_of(bus, k, out, &value))
            break;
        if (is(value, k->number))
            capturing_deliver(bus, k);
        else
            capturing_give_up(bus, k, CAPTURE_OVERWRITTEN, "another capture began while it was read, number", value);
        break;
    default:
        if (value_of(bus, k, out, &value))
            state_done(bus, k, job, value);
        break;
    }
    device_aside_failed(bus, k->dev, out);
}
