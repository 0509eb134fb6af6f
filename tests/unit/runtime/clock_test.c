/* The clock behind its one interface, and the anchors by which suspends and set clocks are told apart. */
#include <check.h>
#include <stdlib.h>

#include "bench_clock.h"
#include "suite_run.h"

static const int64_t s_ns = INT64_C(1000000000);

START_TEST(virtual_time_moves_only_when_told)
{
    struct bench_clock *c = bench_clock_new_virtual(5 * s_ns, 1);
    int64_t t0 = bench_clock_now_ns(c);
    ck_assert_int_gt(t0, 0);
    ck_assert_int_eq(bench_clock_utc_ns(c), 5 * s_ns);
    ck_assert_int_eq(bench_clock_now_ns(c), t0);
    bench_clock_advance(c, t0 + 3 * s_ns);
    bench_clock_advance(c, t0 + s_ns); /* never back */
    ck_assert_int_eq(bench_clock_now_ns(c), t0 + 3 * s_ns);
    ck_assert_int_eq(bench_clock_utc_ns(c), 8 * s_ns);
    ck_assert_int_eq(bench_clock_real_ns(c), bench_clock_now_ns(c));
    bench_clock_free(c);
}
END_TEST

START_TEST(virtual_real_time_can_be_a_share)
{
    struct bench_clock *c = bench_clock_new_virtual(0, 60);
    int64_t t0 = bench_clock_now_ns(c);
    int64_t r0 = bench_clock_real_ns(c);
    for (int64_t wait = 1; wait < 3 * s_ns; wait = wait * 7 + 1) {
        int64_t at = bench_clock_at_real_ns(c, r0 + wait);
        ck_assert_int_eq(at - t0, 60 * wait);
    }
    bench_clock_advance(c, bench_clock_at_real_ns(c, r0 + s_ns));
    ck_assert_int_eq(bench_clock_real_ns(c), r0 + s_ns);
    bench_clock_free(c);
}
END_TEST

START_TEST(scaled_time_runs_at_its_rate)
{
    struct bench_clock *c = bench_clock_new_scaled(60, 1000 * s_ns);
    int64_t real0 = bench_clock_real_ns(c), bench0 = bench_clock_now_ns(c);
    while (bench_clock_real_ns(c) - real0 < s_ns / 20)
        ;
    int64_t bench1 = bench_clock_now_ns(c), real1 = bench_clock_real_ns(c);
    /* bench1 was read between the two readings of real time, give or take how long a reading takes. */
    ck_assert_int_ge(bench1 - bench0, 60 * (s_ns / 20) - s_ns / 10);
    ck_assert_int_le(bench1 - bench0, 60 * (real1 - real0) + s_ns / 10);
    ck_assert_int_eq(bench_clock_wait_ns(c, 0), 0);
    int64_t wait = bench_clock_wait_ns(c, bench_clock_now_ns(c) + 60 * s_ns);
    ck_assert(wait > s_ns * 9 / 10 && wait <= s_ns + 1);
    bench_clock_free(c);
}
END_TEST

START_TEST(real_time_never_runs_back)
{
    struct bench_clock *c = bench_clock_new_real();
    int64_t last = 0;
    for (int i = 0; i < 100000; i++) {
        int64_t now = bench_clock_now_ns(c);
        ck_assert_int_ge(now, last);
        last = now;
    }
    bench_clock_free(c);
}
END_TEST

START_TEST(anchors_tell_a_step_from_a_suspend)
{
    struct bench_clock *c = bench_clock_new_real();
    struct input_anchor now, next;
    bench_clock_anchor(c, NULL, &now);
    ck_assert(!now.suspended && !now.stepped);

    struct input_anchor quiet = now;
    bench_clock_anchor(c, &quiet, &next);
    ck_assert(!next.suspended && !next.stepped);

    struct input_anchor slept = now; /* an hour of sleep: boot time and UTC went on, monotonic time did not */
    slept.boottime_ns -= 3600 * s_ns;
    slept.utc_ns -= 3600 * s_ns;
    bench_clock_anchor(c, &slept, &next);
    ck_assert(next.suspended && !next.stepped);

    struct input_anchor set = now; /* UTC was put back by ten minutes */
    set.utc_ns += 600 * s_ns;
    bench_clock_anchor(c, &set, &next);
    ck_assert(!next.suspended && next.stepped);

    struct input_anchor both = now; /* slept, and UTC was set meanwhile */
    both.boottime_ns -= 60 * s_ns;
    bench_clock_anchor(c, &both, &next);
    ck_assert(next.suspended && next.stepped);

    struct input_anchor slew = now; /* a clock that is being slewed is no step */
    slew.utc_ns += s_ns / 10;
    bench_clock_anchor(c, &slew, &next);
    ck_assert(!next.stepped);
    bench_clock_free(c);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("clock");
    TCase *t = tcase_create("clock");
    tcase_add_test(t, virtual_time_moves_only_when_told);
    tcase_add_test(t, virtual_real_time_can_be_a_share);
    tcase_add_test(t, scaled_time_runs_at_its_rate);
    tcase_add_test(t, real_time_never_runs_back);
    tcase_add_test(t, anchors_tell_a_step_from_a_suspend);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
