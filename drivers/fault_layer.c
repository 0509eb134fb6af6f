#include "fault_layer.h"

#include <stdlib.h>
#include <string.h>

#include "relay.h"

#define SPLIT_PAUSE_NS INT64_C(1000000)

struct fault_layer {
    struct fault_plan plan;
    uint32_t random;
};

const char *fault_kind_name(enum fault_kind kind)
{
    static const char *const names[FAULT_KINDS] = {"drop",         "delay",       "duplicate", "truncate", "flip",
                                                   "noise-before", "noise-after", "split",     "hang-up"};
    return kind < FAULT_KINDS ? names[kind] : "none";
}

/* xorshift: what the seed decides must not depend on the C library. */
static uint32_t draw(struct fault_layer *f, uint32_t below)
{
    uint32_t x = f->random;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    f->random = x;
    return (uint32_t)((uint64_t)x * below >> 32);
}

static enum fault_kind choose(struct fault_layer *f)
{
    unsigned sum = 0;
    for (int i = 0; i < FAULT_KINDS; i++)
        sum += f->plan.weight[i];
    if (sum == 0)
        return (enum fault_kind)draw(f, FAULT_KINDS);
    unsigned at = draw(f, sum);
    int kind = 0;
    while (at >= f->plan.weight[kind])
        at -= f->plan.weight[kind++];
    return (enum fault_kind)kind;
}

static void noise(struct fault_layer *f, struct relay *r, enum relay_way way)
{
    uint8_t bytes[8];
    uint32_t n = 1 + draw(f, sizeof bytes);
    for (uint32_t i = 0; i < n; i++)
        bytes[i] = (uint8_t)draw(f, 256);
    relay_say(r, way, bytes, n);
}

static void flip(struct fault_layer *f, uint8_t *bytes, size_t size)
{
    if (f->plan.flip_bytes > 0 && (size_t)f->plan.flip_bytes < size)
        size = (size_t)f->plan.flip_bytes;
    const uint8_t may = f->plan.flip_bits != 0 ? f->plan.flip_bits : 0xFF;
    for (uint32_t n = 1 + draw(f, 3); n > 0; n--) {
        uint8_t *at = &bytes[draw(f, (uint32_t)size)];
        uint8_t bit;
        do
            bit = (uint8_t)(1u << draw(f, 8));
        while ((bit & may) == 0);
        *at ^= bit;
    }
}

static void say_split(struct relay *r, enum relay_way way, const uint8_t *bytes, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        relay_say(r, way, bytes + i, 1);
        if (i % 4 == 3)
            relay_pause(r, SPLIT_PAUSE_NS);
    }
}

static bool fits_requests(enum fault_kind kind)
{
    return kind == FAULT_DROP || kind == FAULT_TRUNCATE || kind == FAULT_FLIP || kind == FAULT_HANG_UP;
}

static void do_fault(struct fault_layer *f, struct relay *r, enum relay_way way, enum fault_kind kind, uint8_t *bytes,
                     size_t size)
{
    switch (kind) {
    case FAULT_DROP:
        break;
    case FAULT_DELAY:
        relay_pause(r, (int64_t)((double)f->plan.delay_ns * draw(f, 1000) / 1000));
        relay_say(r, way, bytes, size);
        break;
    case FAULT_DUPLICATE:
        relay_say(r, way, bytes, size);
        relay_say(r, way, bytes, size);
        break;
    case FAULT_TRUNCATE:
        relay_say(r, way, bytes, draw(f, (uint32_t)size));
        break;
    case FAULT_FLIP:
        flip(f, bytes, size);
        relay_say(r, way, bytes, size);
        break;
    case FAULT_NOISE_BEFORE:
        noise(f, r, way);
        relay_say(r, way, bytes, size);
        break;
    case FAULT_NOISE_AFTER:
        relay_say(r, way, bytes, size);
        noise(f, r, way);
        break;
    case FAULT_SPLIT:
        say_split(r, way, bytes, size);
        break;
    default:
        relay_hang_up(r);
        break;
    }
}

static void pass(void *ctx, struct relay *r, enum relay_way way, const uint8_t *bytes, size_t size)
{
    struct fault_layer *f = ctx;
    bool fault = (way == FROM_DEVICE || f->plan.to_device) && draw(f, 100) < f->plan.share_pct;
    enum fault_kind kind = fault ? choose(f) : FAULT_KINDS;
    if (!fault || (way == TO_DEVICE && !fits_requests(kind))) {
        relay_say(r, way, bytes, size);
        if (f->plan.log != NULL)
            atomic_fetch_add(&f->plan.log->passed, 1);
        return;
    }
    uint8_t copy[1024];
    size = size < sizeof copy ? size : sizeof copy;
    memcpy(copy, bytes, size);
    if (f->plan.log != NULL)
        atomic_fetch_add(&f->plan.log->done[kind], 1);
    do_fault(f, r, way, kind, copy, size);
}

struct transport *fault_layer_over(struct transport *inner, const struct fault_plan *plan)
{
    struct fault_layer *f = calloc(1, sizeof *f);
    if (f == NULL) {
        transport_free(inner);
        return NULL;
    }
    f->plan = *plan;
    f->random = plan->seed != 0 ? plan->seed : UINT32_C(2463534242);
    struct relay_hands hands = {.pass = pass, .free = free, .ctx = f};
    /* The relay owns f from here on, also when it fails. */
    // cppcheck-suppress memleak
    return relay_over(inner, &hands);
}
