#include "bench_clock.h"

#include <assert.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { SECOND_NS = 1000000000 };

/* Scaled and virtual time begin at one second, so that 0 can mean "never". */
static const int64_t base_ns = SECOND_NS;
static const int64_t anchor_tolerance_ns = SECOND_NS / 2;

struct bench_clock {
    enum bench_clock_kind kind;
    double rate;
    int64_t start_real_ns;
    int64_t start_utc_ns;
    int64_t real_share;
    _Atomic int64_t virtual_ns;
    _Atomic int64_t utc_set_ns, slept_ns; /* virtual: by bench_clock_disturb */
    int64_t start_slept_ns;               /* scaled: the computer's sleep before */
};

static int64_t system_ns(clockid_t id)
{
    struct timespec ts = {0};
    int failed = clock_gettime(id, &ts);
    assert(!failed);
    (void)failed;
    return (int64_t)ts.tv_sec * SECOND_NS + ts.tv_nsec;
}

static struct bench_clock *clock_new(enum bench_clock_kind kind, double rate, int64_t start_utc_ns)
{
    struct bench_clock *c = calloc(1, sizeof *c);
    if (!c)
        return NULL;
    c->kind = kind;
    c->rate = rate;
    c->start_real_ns = system_ns(CLOCK_MONOTONIC);
    c->start_utc_ns = start_utc_ns;
    c->start_slept_ns = system_ns(CLOCK_BOOTTIME) - c->start_real_ns;
    atomic_init(&c->virtual_ns, base_ns);
    return c;
}

struct bench_clock *bench_clock_new_real(void)
{
    return clock_new(BENCH_CLOCK_REAL, 1, 0);
}

struct bench_clock *bench_clock_new_scaled(double rate, int64_t start_utc_ns)
{
    assert(rate > 0);
    return clock_new(BENCH_CLOCK_SCALED, rate, start_utc_ns);
}

struct bench_clock *bench_clock_new_virtual(int64_t start_utc_ns, int real_share)
{
    assert(real_share >= 1);
    struct bench_clock *c = clock_new(BENCH_CLOCK_VIRTUAL, 1, start_utc_ns);
    if (c)
        c->real_share = real_share;
    return c;
}

void bench_clock_free(struct bench_clock *clock)
{
    free(clock);
}

enum bench_clock_kind bench_clock_kind(const struct bench_clock *clock)
{
    return clock->kind;
}

int64_t bench_clock_now_ns(const struct bench_clock *clock)
{
    if (clock->kind == BENCH_CLOCK_VIRTUAL)
        return atomic_load(&clock->virtual_ns);
    int64_t real_ns = system_ns(CLOCK_MONOTONIC);
    if (clock->kind == BENCH_CLOCK_REAL)
        return real_ns;
    return base_ns + (int64_t)((double)(real_ns - clock->start_real_ns) * clock->rate);
}

/* Sleep of the computer that the clock does not count, since it was made: bench time stands still meanwhile. */
static int64_t slept_ns(const struct bench_clock *clock)
{
    if (clock->kind == BENCH_CLOCK_VIRTUAL)
        return atomic_load(&clock->slept_ns);
    int64_t all_ns = system_ns(CLOCK_BOOTTIME) - system_ns(CLOCK_MONOTONIC) - clock->start_slept_ns;
    return all_ns > SECOND_NS / 4 ? all_ns : 0; /* less is the time between the two readings */
}

int64_t bench_clock_utc_ns(const struct bench_clock *clock)
{
    if (clock->kind == BENCH_CLOCK_REAL)
        return system_ns(CLOCK_REALTIME);
    int64_t went_on_ns = clock->kind == BENCH_CLOCK_SCALED ? slept_ns(clock) : 0;
    return clock->start_utc_ns + bench_clock_now_ns(clock) - base_ns + atomic_load(&clock->utc_set_ns) + went_on_ns;
}

int64_t bench_clock_real_ns(const struct bench_clock *clock)
{
    if (clock->kind == BENCH_CLOCK_VIRTUAL)
        return base_ns + (bench_clock_now_ns(clock) - base_ns) / clock->real_share;
    return system_ns(CLOCK_MONOTONIC);
}

int64_t bench_clock_at_real_ns(const struct bench_clock *clock, int64_t real_ns)
{
    switch (clock->kind) {
    case BENCH_CLOCK_VIRTUAL:
        return base_ns + (real_ns - base_ns) * clock->real_share;
    case BENCH_CLOCK_SCALED:
        return base_ns + (int64_t)((double)(real_ns - clock->start_real_ns) * clock->rate);
    case BENCH_CLOCK_REAL:
        break;
    }
    return real_ns;
}

int64_t bench_clock_wait_ns(const struct bench_clock *clock, int64_t until_ns)
{
    int64_t now_ns = bench_clock_now_ns(clock), left_ns;
    if (until_ns <= now_ns)
        return 0;
    if (__builtin_sub_overflow(until_ns, now_ns, &left_ns))
        return INT64_MAX; /* "never" is further away than can be counted */
    if (clock->kind != BENCH_CLOCK_SCALED)
        return left_ns;
    /* One more, so that a wait never ends just before the moment it waits for. */
    return (int64_t)((double)left_ns / clock->rate) + 1;
}

void bench_clock_anchor(const struct bench_clock *clock, const struct input_anchor *previous,
                        struct input_anchor *anchor)
{
    *anchor = (struct input_anchor){0};
    if (clock->kind == BENCH_CLOCK_REAL) {
        /* UTC is read between two readings of monotonic time; a pre-empted try is taken again. */
        for (int attempt = 0; attempt < 5; attempt++) {
            int64_t before_ns = system_ns(CLOCK_MONOTONIC);
            anchor->utc_ns = system_ns(CLOCK_REALTIME);
            anchor->boottime_ns = system_ns(CLOCK_BOOTTIME);
            int64_t after_ns = system_ns(CLOCK_MONOTONIC);
            anchor->monotonic_ns = before_ns + (after_ns - before_ns) / 2;
            if (after_ns - before_ns < SECOND_NS / 10000)
                break;
        }
    } else {
        anchor->monotonic_ns = bench_clock_now_ns(clock);
        int64_t went_on_ns = slept_ns(clock);
        anchor->boottime_ns = anchor->monotonic_ns + went_on_ns;
        anchor->utc_ns = clock->start_utc_ns + anchor->monotonic_ns - base_ns + atomic_load(&clock->utc_set_ns) +
                         (clock->kind == BENCH_CLOCK_SCALED ? went_on_ns : 0);
    }
    if (!previous)
        return;
    int64_t elapsed_ns = anchor->monotonic_ns - previous->monotonic_ns;
    int64_t new_sleep_ns = anchor->boottime_ns - previous->boottime_ns - elapsed_ns;
    int64_t moved_ns = anchor->utc_ns - previous->utc_ns - elapsed_ns;
    anchor->suspended = new_sleep_ns > anchor_tolerance_ns;
    if (anchor->suspended)
        moved_ns -= new_sleep_ns;
    anchor->stepped = moved_ns > anchor_tolerance_ns || moved_ns < -anchor_tolerance_ns;
    anchor->slept_ns = anchor->suspended ? new_sleep_ns : 0;
    anchor->moved_ns = anchor->stepped ? moved_ns : 0;
}

void bench_clock_disturb(struct bench_clock *clock, int64_t utc_ns, int64_t sleep_ns)
{
    assert(clock->kind == BENCH_CLOCK_VIRTUAL);
    atomic_fetch_add(&clock->utc_set_ns, utc_ns);
    atomic_fetch_add(&clock->slept_ns, sleep_ns);
}

void bench_clock_advance(struct bench_clock *clock, int64_t to_ns)
{
    assert(clock->kind == BENCH_CLOCK_VIRTUAL);
    if (to_ns > atomic_load(&clock->virtual_ns))
        atomic_store(&clock->virtual_ns, to_ns);
}
