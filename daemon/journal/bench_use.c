#include "bench_use.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Where a channel stands while its events go by; beside its use, by the same index. */
struct channel_place {
    uint64_t epoch; /* a state lasts no longer than its session */
    int64_t since_us;
    uint32_t closed;
};

struct counter {
    struct bench_use *use;
    struct channel_place *places;
    bool out_of_memory;
};

static size_t channel_index(struct counter *c, const char *name)
{
    struct bench_use *use = c->use;
    for (size_t i = 0; i < use->count; i++) {
        if (strcmp(use->channels[i].name, name) == 0)
            return i;
    }
    if (use->count == use->cap) {
        size_t cap = use->cap ? use->cap * 2 : 8;
        struct channel_use *channels = realloc(use->channels, cap * sizeof *channels);
        if (channels)
            use->channels = channels;
        struct channel_place *places = realloc(c->places, cap * sizeof *places);
        if (places)
            c->places = places;
        if (!channels || !places) {
            c->out_of_memory = true;
            return SIZE_MAX;
        }
        use->cap = cap;
    }
    use->channels[use->count] = (struct channel_use){.held_s = 0};
    c->places[use->count] = (struct channel_place){.epoch = 0};
    (void)text_copy(use->channels[use->count].name, NAME_CAP, name);
    return use->count++;
}

static void count_state(struct channel_use *use, struct channel_place *place, const struct journal_event *e)
{
    enum channel_state left = (enum channel_state)e->event.code2, entered = (enum channel_state)e->event.code;
    if (place->epoch == e->epoch && left != STATE_FREE) {
        double lasted_s = (double)(e->utc_us - place->since_us) / 1e6;
        use->held_s += lasted_s;
        if (left == STATE_RIGGING || left == STATE_SETTING)
            use->hands_s += lasted_s;
    }
    place->epoch = e->epoch;
    place->since_us = e->utc_us;
    if (entered != STATE_ON_LOAD && entered != STATE_SETTING)
        place->closed = 0;
}

static void count_closings(struct channel_use *use, struct channel_place *place, uint32_t mask)
{
    for (int i = 0; i < STEPS_MAX; i++) {
        if ((mask & ~place->closed) >> i & 1)
            use->closings[i]++;
    }
    place->closed = mask;
}

static void count_cycle(struct channel_use *use, const double *values)
{
    double on_s = values[CYCLE_CONDUCTING_S], power_w = values[CYCLE_CURRENT_A] * values[CYCLE_LOAD_V];
    if (!isfinite(on_s))
        return;
    use->on_load_s += on_s;
    if (isfinite(power_w))
        use->load_j += power_w * on_s;
}

static int count_event(void *ctx, const struct journal_event *e)
{
    struct counter *c = ctx;
    if (e->event.kind != EVENT_STATE && e->event.kind != EVENT_STEPS && e->event.kind != EVENT_CYCLE)
        return 0;
    size_t at = channel_index(c, e->channel);
    if (at == SIZE_MAX)
        return 1;
    if (e->event.kind == EVENT_STATE)
        count_state(&c->use->channels[at], &c->places[at], e);
    else if (e->event.kind == EVENT_STEPS)
        count_closings(&c->use->channels[at], &c->places[at], (uint32_t)e->event.code);
    else if (e->event.value_count > CYCLE_LOAD_V)
        count_cycle(&c->use->channels[at], e->event.values);
    return 0;
}

int bench_use_load(struct journal_reader *r, const struct row_filter *filter, struct bench_use *use, struct error *err)
{
    struct counter c = {.use = use};
    *use = (struct bench_use){.count = 0};
    int rc = journal_reader_events(r, filter, count_event, &c, err);
    free(c.places);
    if (c.out_of_memory)
        return error_set(err, "memory is short");
    return rc;
}

void bench_use_free(struct bench_use *use)
{
    free(use->channels);
    *use = (struct bench_use){.count = 0};
}

int64_t channel_use_most_closings(const struct channel_use *use)
{
    int64_t most = 0;
    for (int i = 0; i < STEPS_MAX; i++) {
        if (use->closings[i] > most)
            most = use->closings[i];
    }
    return most;
}
