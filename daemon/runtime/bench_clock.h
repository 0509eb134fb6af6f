/* The only clock of the daemon: real, scaled or virtual behind one interface. Nothing outside this room reads a clock.
 *
 *   real     bench time is CLOCK_MONOTONIC, UTC is CLOCK_REALTIME.
 *   scaled   bench time = base + (monotonic - start) * rate; UTC = start UTC + the same. For a bench whose devices all
 *            say that they are virtual and run at that rate.
 *   virtual  bench time stands still until bench_clock_advance; one thread, no waiting: hours pass in seconds.
 *
 * Bench time is what stamps, timetables, timers and leases use. Real time (bench_clock_real_ns) is what a disk and a
 * socket need: it is never scaled; on the virtual clock it is bench time divided by a whole number of choice. All times
 * are nanoseconds. Reading is safe from any thread; advancing is for the one thread that owns a virtual clock. */
#ifndef BENCH_CLOCK_H
#define BENCH_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

#include "input.h"

enum bench_clock_kind { BENCH_CLOCK_REAL, BENCH_CLOCK_SCALED, BENCH_CLOCK_VIRTUAL };

struct bench_clock;

/* New clock; NULL when memory is out. The caller frees it with bench_clock_free. */
struct bench_clock *bench_clock_new_real(void);

/* rate > 0; start_utc_ns is the UTC that bench time begins with. */
struct bench_clock *bench_clock_new_scaled(double rate, int64_t start_utc_ns);

/* real_share: how many bench seconds count as one second of real time, from 1. */
struct bench_clock *bench_clock_new_virtual(int64_t start_utc_ns, int real_share);
void bench_clock_free(struct bench_clock *clock);

enum bench_clock_kind bench_clock_kind(const struct bench_clock *clock);

/* Bench time now; never runs backwards. */
int64_t bench_clock_now_ns(const struct bench_clock *clock);

/* UTC now, as the bench counts it. On the real clock this may step when the system's clock is set. */
int64_t bench_clock_utc_ns(const struct bench_clock *clock);

/* Unscaled monotonic time. */
int64_t bench_clock_real_ns(const struct bench_clock *clock);

/* How long to wait in real time until bench time reaches until_ns; 0 when it has. */
int64_t bench_clock_wait_ns(const struct bench_clock *clock, int64_t until_ns);

/* The bench time, as it stands now, at which real time will reach real_ns. */
int64_t bench_clock_at_real_ns(const struct bench_clock *clock, int64_t real_ns);

/* Take an anchor: UTC, monotonic and boot time of one moment. suspended and stepped are set against previous (NULL:
 * neither): boot time that ran ahead of monotonic time by more than 500 ms is a suspend, UTC that moved against
 * monotonic time by more than 500 ms without one is a step. */
void bench_clock_anchor(const struct bench_clock *clock, const struct input_anchor *previous,
                        struct input_anchor *anchor);

/* On a virtual clock: from now on UTC is utc_ns ahead of what it would have been (the wall clock was set; either way),
 * and the computer has slept for slept_ns more, which monotonic time does not count. Only anchors and
 * bench_clock_utc_ns show it. */
void bench_clock_disturb(struct bench_clock *clock, int64_t utc_ns, int64_t sleep_ns);

/* Move a virtual clock forward to to_ns (earlier times are ignored). */
void bench_clock_advance(struct bench_clock *clock, int64_t to_ns);

#endif
