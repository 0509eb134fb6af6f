/* Time: crossings, the four times of a cycle, sliding windows, own capability. */
#include <math.h>
#include <string.h>

#include "capability.h"
#include "cycle.h"
#include "sliding.h"
#include "suite.h"
#include "survey.h"

#define SECOND INT64_C(1000000000)

static struct cycle_setup setup_for(double i2_uncertainty_a, int64_t refresh_ns)
{
    struct rating_point point = {.process = PROCESS_TIG, .current_a = 160, .percent_on = 40};
    struct bench_limits limits;
    bench_limits_default(&limits);
    struct bench_signal i2 = {.refresh_ns = refresh_ns, .stale_after_ns = 2 * SECOND};
    struct bench_signal u2 = {.stale_after_ns = 2 * SECOND};
    struct cycle_setup setup;
    struct error err;
    ck_assert_int_eq(cycle_setup_for(&point, 16.4, i2_uncertainty_a, &limits, &i2, &u2, &setup, &err), 0);
    return setup;
}

struct sample {
    enum cycle_signal signal;
    int64_t stamp_ns;
    double value;
    enum quality quality;
};

enum { SAMPLES_MAX = 20000 };

struct feed {
    struct sample items[SAMPLES_MAX];
    int count;
};

static void add(struct feed *f, enum cycle_signal signal, double at_s, double value)
{
    ck_assert_int_lt(f->count, SAMPLES_MAX);
    f->items[f->count++] =
        (struct sample){signal, (int64_t)(at_s * 1e9), value, isnan(value) ? QUALITY_STALE : QUALITY_GOOD};
}

static void run_feed(const struct cycle_setup *setup, const struct feed *f, int64_t end_ns, struct cycle_figures *out)
{
    static struct cycle c; /* large; each test runs in a process of its own */
    struct error err;
    ck_assert_int_eq(cycle_begin(&c, setup, 0, &err), 0);
    cycle_end(&c, end_ns);
    for (int i = 0; i < f->count; i++) {
        const struct sample *s = &f->items[i];
        cycle_feed(&c, s->signal, s->stamp_ns, 2000000, s->value, s->quality);
    }
    cycle_figures(&c, end_ns, out);
}

static void check_bounded(struct bounded_time t)
{
    ck_assert_int_le(t.low_ns, t.best_ns);
    ck_assert_int_le(t.best_ns, t.high_ns);
}

#define ck_time(t, expected_s, tol_s) ck_assert_double_eq_tol((double)(t) / 1e9, expected_s, tol_s)

START_TEST(four_times_of_a_plain_cycle)
{
    /* 240 s at 162 A and 16.6 V, read ten times a second: 24 s to spare beyond nothing; then off to 600 s */
    static struct feed f;
    for (int k = 0; k <= 6000; k++) {
        double t = k * 0.1, on = t > 1.05 && t < 241.05;
        add(&f, CYCLE_I2, t, on != 0 ? 162 : 0.2);
        add(&f, CYCLE_U2, t, on != 0 ? 16.6 : 9.0);
    }
    struct cycle_setup setup = setup_for(1.2, 0);
    struct cycle_figures g;
    run_feed(&setup, &f, 600 * SECOND, &g);
    check_bounded(g.conducting);
    check_bounded(g.at_rated);
    check_bounded(g.in_band);
    ck_time(g.conducting.best_ns, 240, 0.1);
    ck_time(g.at_rated.best_ns, 240, 0.1);
    ck_time(g.in_band.best_ns, 237, 0.15); /* 3 s to settle are kept out */
    ck_time(g.conducting.high_ns - g.conducting.low_ns, 0.2, 1e-6);
    ck_assert(g.began && g.ended);
    ck_assert_int_eq(g.ends, 1);
    ck_time(g.begin.at_ns, 1.05, 0.06);
    ck_time(g.end.at_ns, 241.05, 0.06);
    ck_assert_int_le(g.end.earliest_ns, (int64_t)(241.05e9));
    ck_assert_int_ge(g.end.latest_ns, (int64_t)(241.05e9));
    ck_assert_double_eq_tol(g.current_a.mean, 162, 1e-9);
    ck_assert_double_eq_tol(g.voltage_v.mean, 16.6, 1e-9);
    ck_assert_int_eq(g.unseen_ns, 0);
    ck_assert(!g.overflowed);
}
END_TEST

START_TEST(trade_figures_of_percent_on)
{
    /* common practice, no published source: 35 % is 3.5 min and 60 % is 6 min of ten */
    ck_assert_double_eq_tol(percent_on_of(210 * SECOND, 600 * SECOND), 35, 1e-12);
    ck_assert_double_eq_tol(percent_on_of(360 * SECOND, 600 * SECOND), 60, 1e-12);
    ck_assert(isnan(percent_on_of(1, 0)));
}
END_TEST

START_TEST(above_the_band_is_on_load_but_not_in_the_band)
{
    static struct feed f;
    for (int k = 0; k <= 1000; k++) {
        add(&f, CYCLE_I2, k * 0.1, 178); /* 111 % */
        add(&f, CYCLE_U2, k * 0.1, 16.4);
    }
    struct cycle_setup setup = setup_for(1.2, 0);
    struct cycle_figures g;
    run_feed(&setup, &f, 100 * SECOND, &g);
    ck_time(g.at_rated.low_ns, 100, 1e-6);
    ck_assert_int_eq(g.in_band.high_ns, 0);
    /* 158 A is inside the band and below rated less 1.2 A */
    f.count = 0;
    for (int k = 0; k <= 1000; k++) {
        add(&f, CYCLE_I2, k * 0.1, 158);
        add(&f, CYCLE_U2, k * 0.1, 16.4);
    }
    run_feed(&setup, &f, 100 * SECOND, &g);
    ck_assert_int_eq(g.at_rated.high_ns, 0);
    ck_assert_double_gt((double)g.in_band.low_ns, 96e9);
}
END_TEST

START_TEST(ramp_is_crossed_where_the_line_says)
{
    /* current rises from 0 to 200 A over 20 s, one reading a second, and falls the same way: at or above the entering
     * level on the way up, above the leaving level on the way down */
    static struct feed f;
    for (int k = 0; k <= 40; k++)
        add(&f, CYCLE_I2, k, k <= 20 ? 10.0 * k : 10.0 * (40 - k));
    struct cycle_setup setup = setup_for(4, 0);
    struct cycle_figures g;
    run_feed(&setup, &f, 40 * SECOND, &g);
    ck_time(g.at_rated.best_ns, (40 - 15.6) - 15.7, 1e-6);
    ck_time(g.conducting.best_ns, (40 - 0.48) - 0.8, 1e-6);
}
END_TEST

static void check_same(const struct cycle_figures *a, const struct cycle_figures *b)
{
    ck_assert_mem_eq(&a->commanded, &b->commanded, sizeof a->commanded);
    ck_assert_mem_eq(&a->conducting, &b->conducting, sizeof a->conducting);
    ck_assert_mem_eq(&a->at_rated, &b->at_rated, sizeof a->at_rated);
    ck_assert_mem_eq(&a->in_band, &b->in_band, sizeof a->in_band);
    ck_assert_mem_eq(&a->begin, &b->begin, sizeof a->begin);
    ck_assert_mem_eq(&a->end, &b->end, sizeof a->end);
    ck_assert_mem_eq(&a->current_a, &b->current_a, sizeof a->current_a);
    ck_assert_mem_eq(&a->voltage_v, &b->voltage_v, sizeof a->voltage_v);
    ck_assert_int_eq(a->unseen_ns, b->unseen_ns);
}

/* A wandering run with interruptions. */
static void wander(struct feed *f, unsigned long long *seed)
{
    f->count = 0;
    double t = 0.01, i = 0, u = 0;
    int on = 0;
    while (t < 120) {
        t += 0.05 + 0.2 * random_share(seed);
        if (random_share(seed) < 0.03)
            on = !on;
        i = on ? i + 0.5 * (155 + 20 * random_share(seed) - i) : 0.3 * i;
        u = on ? 15.8 + 2 * random_share(seed) : 0.1;
        add(f, CYCLE_I2, t, i);
        add(f, CYCLE_U2, t + 0.02, u);
    }
}

START_TEST(batching_changes_nothing_to_the_bit)
{
    static struct feed f, g;
    unsigned long long seed = 7;
    for (int round = 0; round < 50; round++) {
        wander(&f, &seed);
        /* the same readings, U2 of up to 20 readings after the I2 of the same time */
        g.count = 0;
        for (int from = 0; from < f.count;) {
            int to = from + 2 + (int)(random_share(&seed) * 38);
            for (int signal = 0; signal < 2; signal++) {
                for (int k = from; k < to && k < f.count; k++) {
                    if ((int)f.items[k].signal == (round % 2 == 0 ? signal : 1 - signal))
                        g.items[g.count++] = f.items[k];
                }
            }
            from = to;
        }
        ck_assert_int_eq(f.count, g.count);
        struct cycle_setup setup = setup_for(1.2, 0);
        struct cycle_figures a, b;
        run_feed(&setup, &f, 120 * SECOND, &a);
        run_feed(&setup, &g, 120 * SECOND, &b);
        check_same(&a, &b);
        ck_assert(!b.overflowed);
    }
}
END_TEST

static void check_nested(struct bounded_time inner, struct bounded_time outer)
{
    check_bounded(inner);
    check_bounded(outer);
    ck_assert_int_le(outer.low_ns, inner.low_ns);
    ck_assert_int_ge(outer.high_ns, inner.high_ns);
}

START_TEST(gaps_give_nested_bounds)
{
    static struct feed f, g;
    unsigned long long seed = 11;
    for (int round = 0; round < 200; round++) {
        wander(&f, &seed);
        g.count = 0;
        int lost = 0, vanish = 0;
        for (int k = 0; k < f.count; k++) {
            if (lost == 0 && random_share(&seed) < 0.01) {
                lost = 1 + (int)(random_share(&seed) * 60);
                vanish = random_share(&seed) < 0.5 && lost > 50; /* so long that no reading at all is a gap too */
            }
            struct sample s = f.items[k];
            if (lost > 0) {
                lost--;
                if (vanish)
                    continue;
                s.quality = random_share(&seed) < 0.5 ? QUALITY_LINK_LOST : QUALITY_GOOD;
                s.value = NAN; /* a good one that is no number counts as bad */
            }
            g.items[g.count++] = s;
        }
        struct cycle_setup setup = setup_for(1.2, 0);
        setup.gap_ns[CYCLE_I2] = setup.gap_ns[CYCLE_U2] = SECOND;
        struct cycle_figures a, b;
        run_feed(&setup, &f, 120 * SECOND, &a);
        run_feed(&setup, &g, 120 * SECOND, &b);
        check_nested(a.conducting, b.conducting);
        check_nested(a.at_rated, b.at_rated);
        check_nested(a.in_band, b.in_band);
        ck_assert_int_ge(b.unseen_ns, a.unseen_ns);
    }
}
END_TEST

START_TEST(repeated_values_are_one_reading)
{
    /* a panel meter that makes a value a second, polled ten times a second: the figures are those of its own values */
    static struct feed polled, own;
    for (int k = 0; k < 600; k++) {
        double v = k < 100 ? 0 : k < 340 ? 160 + (k / 10 % 7) * 0.3 : 0;
        double shown = k < 100 ? 0 : k < 340 ? 160 + (k / 10 % 7) * 0.3 : 0;
        add(&polled, CYCLE_I2, k * 0.1, shown);
        if (k % 10 == 0)
            add(&own, CYCLE_I2, k * 0.1, v);
    }
    struct cycle_setup setup = setup_for(1.2, SECOND);
    struct cycle_figures a, b;
    run_feed(&setup, &polled, 59 * SECOND, &a);
    run_feed(&setup, &own, 59 * SECOND, &b);
    check_same(&a, &b);
    /* and the shutoff is uncertain by the refresh, not by the poll */
    ck_assert_int_gt(a.end.half_width_ns, SECOND * 9 / 10);
}
END_TEST

START_TEST(shutoff_lies_within_its_half_width)
{
    /* a meter that averages over 0.4 s, filters with 0.3 s, makes a value each 0.5 s and is polled each 0.1 s */
    struct cycle_setup setup = setup_for(1.2, SECOND / 2);
    setup.timing[CYCLE_I2].averaging_ns = SECOND * 4 / 10;
    setup.timing[CYCLE_I2].damping_ns = SECOND * 3 / 10;
    unsigned long long seed = 3;
    for (int round = 0; round < 100; round++) {
        static struct feed f;
        f.count = 0;
        double off_s = 20 + 5 * random_share(&seed), phase = 0.5 * random_share(&seed);
        double mean = 160, damped = 160, shown = 160;
        double window[40];
        for (int k = 0; k < 40; k++)
            window[k] = 160;
        for (int k = 0; k < 4000; k++) {
            double t = k * 0.01;
            mean += ((t < off_s ? 160 : 0) - window[k % 40]) / 40;
            window[k % 40] = t < off_s ? 160 : 0;
            damped += (mean - damped) * (1 - exp(-0.01 / 0.3));
            if (fmod(t + phase, 0.5) < 0.01)
                shown = damped;
            if (k % 10 == 0)
                add(&f, CYCLE_I2, t, shown);
        }
        struct cycle_figures g;
        run_feed(&setup, &f, 40 * SECOND, &g);
        ck_assert(g.ended);
        ck_assert_double_le(fabs((double)g.end.at_ns / 1e9 - off_s), (double)g.end.half_width_ns / 1e9 + 0.011);
        /* and is not wider than refresh + averaging + lag + two polls ask for */
        ck_assert_double_lt((double)g.end.half_width_ns / 1e9, (0.5 + 0.4 + 0.3 * 3.7 + 0.6) / 2 + 0.1);
    }
}
END_TEST

START_TEST(cycles_that_follow_lose_nothing)
{
    static struct cycle first, second;
    struct cycle_setup setup = setup_for(1.2, 0);
    struct error err;
    struct cycle_figures a, b;
    ck_assert_int_eq(cycle_begin(&first, &setup, 0, &err), 0);
    cycle_command(&first, 0, 0, true);
    for (int k = 0; k <= 99; k++)
        cycle_feed(&first, CYCLE_I2, k * SECOND / 10 + 50000000, 0, 160, QUALITY_GOOD);
    cycle_end(&first, 10 * SECOND);
    cycle_begin_after(&second, &first, 10 * SECOND);
    for (int k = 100; k <= 199; k++) {
        cycle_feed(&first, CYCLE_I2, k * SECOND / 10 + 50000000, 0, 160, QUALITY_GOOD);
        cycle_feed(&second, CYCLE_I2, k * SECOND / 10 + 50000000, 0, 160, QUALITY_GOOD);
    }
    cycle_figures(&first, INT64_MAX, &a);
    cycle_figures(&second, 19 * SECOND + 950000000, &b);
    ck_assert_int_eq(a.conducting.low_ns, 10 * SECOND - 50000000); /* the first 50 ms nobody saw */
    ck_assert_int_eq(a.conducting.high_ns, 10 * SECOND);
    ck_assert_int_eq(a.commanded.best_ns, 10 * SECOND);
    ck_assert_int_eq(b.conducting.low_ns, 9 * SECOND + 950000000);
    ck_assert_int_eq(b.commanded.best_ns, 9 * SECOND + 950000000);
}
END_TEST

START_TEST(a_signal_that_stays_away_widens_the_band)
{
    static struct feed f;
    for (int k = 0; k <= 1000; k++)
        add(&f, CYCLE_I2, k * 0.1, 160);
    struct cycle_setup setup = setup_for(1.2, 0);
    struct cycle_figures g;
    run_feed(&setup, &f, 100 * SECOND, &g);
    ck_assert_int_eq(g.in_band.low_ns, 0);
    ck_time(g.in_band.high_ns, 97, 3.1);
    ck_time(g.at_rated.low_ns, 100, 1e-6);
    ck_assert(isnan(g.voltage_v.mean));
}
END_TEST

START_TEST(stamps_out_of_order_are_dropped)
{
    struct crossing c;
    struct stretch out[STRETCHES_PER_READING];
    struct range r = range_at_least(10, 9);
    struct meter_timing quick = {0, 0, 0};
    struct error err;
    ck_assert_int_eq(crossing_begin(&c, &r, &quick, 0, 0, &err), 0);
    ck_assert_int_eq(crossing_feed(&c, 5, 0, 11, QUALITY_GOOD, out), 1);
    ck_assert_int_eq(crossing_feed(&c, 5, 0, 11, QUALITY_GOOD, out), 0);
    ck_assert_int_eq(crossing_feed(&c, 4, 0, 0, QUALITY_GOOD, out), 0);
    ck_assert_int_eq(crossing_out_of_order(&c), 2);
    ck_assert_int_eq(crossing_state(&c), RANGE_INSIDE);
    struct range bad = {1, 2, 3, 3};
    ck_assert_int_eq(crossing_begin(&c, &bad, &quick, 0, 0, &err), -1);
    bad = (struct range){NAN, 0, 1, 1};
    ck_assert_int_eq(crossing_begin(&c, &bad, &quick, 0, 0, &err), -1);
    struct meter_timing odd = {-1, 0, 0};
    ck_assert_int_eq(crossing_begin(&c, &r, &odd, 0, 0, &err), -1);
}
END_TEST

START_TEST(bad_setups_are_refused)
{
    struct rating_point p = {.process = PROCESS_TIG, .current_a = 160};
    struct bench_limits limits;
    bench_limits_default(&limits);
    struct bench_signal s = {.stale_after_ns = SECOND};
    struct cycle_setup setup;
    struct error err;
    ck_assert_int_eq(cycle_setup_for(&p, 16.4, 200, &limits, &s, &s, &setup, &err), -1);
    ck_assert_int_eq(cycle_setup_for(&p, NAN, 1, &limits, &s, &s, &setup, &err), -1);
    ck_assert_int_eq(cycle_setup_for(&p, 16.4, -1, &limits, &s, &s, &setup, &err), -1);
    p.current_a = -160;
    ck_assert_int_eq(cycle_setup_for(&p, 16.4, 1, &limits, &s, &s, &setup, &err), -1);
}
END_TEST

/* ---- sliding window ---- */

START_TEST(sliding_window_of_a_timetable)
{
    /* 3.5 min on, 6.5 min off, again and again: every whole ten minutes hold exactly 35 % */
    struct sliding s;
    struct sliding_result r;
    struct error err;
    ck_assert_int_eq(sliding_begin(&s, 600 * SECOND, 0, &err), 0);
    sliding_feed(&s, 210 * SECOND, true);
    sliding_figures(&s, &r);
    ck_assert(!r.any && isnan(r.least_percent_on)); /* no whole window yet */
    for (int k = 0; k < 5; k++) {
        sliding_feed(&s, (k * 600 + 210) * SECOND, true);
        sliding_feed(&s, (k + 1) * 600 * SECOND, false);
    }
    sliding_figures(&s, &r);
    ck_assert(r.any);
    ck_assert_double_eq_tol(r.least_percent_on, 35, 1e-12);
    ck_assert_double_eq_tol(r.most_percent_on, 35, 1e-12);
    /* one pause cut short by 2 min: some ten minutes now hold 5.5 min */
    sliding_feed(&s, (5 * 600 + 210) * SECOND, true);
    sliding_feed(&s, (5 * 600 + 480) * SECOND, false);
    sliding_feed(&s, (5 * 600 + 480 + 210) * SECOND, true);
    sliding_figures(&s, &r);
    ck_assert_double_eq_tol(r.most_percent_on, 55, 1e-9);
}
END_TEST

START_TEST(sliding_window_against_the_slow_way)
{
    unsigned long long seed = 5;
    for (int round = 0; round < 100; round++) {
        static bool on[3000];
        int64_t window = 100 + (int64_t)(random_share(&seed) * 900);
        bool now = false;
        for (int k = 0; k < 3000; k++) {
            if (random_share(&seed) < 0.02)
                now = !now;
            on[k] = now;
        }
        struct sliding a, b;
        struct sliding_result ra, rb;
        struct error err;
        ck_assert_int_eq(sliding_begin(&a, window, 0, &err), 0);
        ck_assert_int_eq(sliding_begin(&b, window, 0, &err), 0);
        for (int k = 0; k < 3000; k++) {
            sliding_feed(&a, k + 1, on[k]); /* a step at a time, and in whole stretches */
            if (k == 2999 || on[k] != on[k + 1])
                sliding_feed(&b, k + 1, on[k]);
        }
        int64_t least = INT64_MAX, most = 0;
        for (int64_t from = 0; from + window <= 3000; from++) {
            int64_t sum = 0;
            for (int64_t k = from; k < from + window; k++)
                sum += on[k];
            least = sum < least ? sum : least;
            most = sum > most ? sum : most;
        }
        sliding_figures(&a, &ra);
        sliding_figures(&b, &rb);
        ck_assert_int_eq(ra.least_on_ns, least);
        ck_assert_int_eq(ra.most_on_ns, most);
        ck_assert_int_eq(rb.least_on_ns, least);
        ck_assert_int_eq(rb.most_on_ns, most);
    }
}
END_TEST

START_TEST(sliding_window_with_too_many_changes)
{
    struct sliding s;
    struct sliding_result r;
    struct error err;
    ck_assert_int_eq(sliding_begin(&s, 10000, 0, &err), 0);
    for (int k = 0; k < 20000; k++)
        sliding_feed(&s, k + 1, k % 2 == 0);
    sliding_figures(&s, &r);
    ck_assert_int_gt(r.dropped, 0);
    ck_assert_int_le(r.most_on_ns, 10000);
    ck_assert_int_ge(r.least_on_ns, 0);
    ck_assert_int_eq(sliding_begin(&s, 0, 0, &err), -1);
}
END_TEST

/* ---- own capability ---- */

START_TEST(capability_of_settled_cycles)
{
    /* cold first, then settled at 3 min on and 6 min to reset: 33.3 %. On-time over on-time and cooling time is how
     * limited-duty plates state it (IEC 60974-6 style plates, quoted in two manuals). */
    const struct cutout_cycle cycles[] = {{420, 360}, {181, 360}, {180, 360}, {179, 360}, {180, 360}};
    struct capability c;
    struct error err;
    ck_assert_int_eq(capability_find(cycles, 5, 5, &c, &err), 0);
    ck_assert_int_eq(c.first_settled, 1);
    ck_assert_int_eq(c.settled, 4);
    ck_assert_double_eq_tol(c.percent_on, 33.33, 0.02);
    ck_assert_double_lt(c.uncertainty_pct, 0.1);
    const struct cutout_cycle falling[] = {{420, 360}, {300, 360}, {200, 360}, {120, 360}, {60, 360}};
    ck_assert_int_eq(capability_find(falling, 5, 5, &c, &err), -1);
    ck_assert_int_eq(capability_find(cycles, 2, 5, &c, &err), -1);
    const struct cutout_cycle bad[] = {{420, 360}, {-1, 360}, {200, 360}};
    ck_assert_int_eq(capability_find(bad, 3, 5, &c, &err), -1);
    const struct cutout_cycle nan_[] = {{420, 360}, {200, NAN}, {200, 360}};
    ck_assert_int_eq(capability_find(nan_, 3, 5, &c, &err), -1);
}
END_TEST

/* A body with one time constant between reset and trip, from the closed form: on = tau ln((hot - reset) / (hot -
 * trip)), off = tau ln(trip / reset), temperatures over the air. Parts that begin late have to keep the truth inside.
 */
START_TEST(survey_interval_holds_the_closed_form)
{
    const double tau = 600, hot = 150, trip = 90, reset = 60;
    double truth_on = tau * log((hot - reset) / (hot - trip)), truth_off = tau * log(trip / reset);
    double truth = 100 * truth_on / (truth_on + truth_off);
    unsigned long long seed = 20261127;
    for (int trial = 0; trial < 200; trial++) {
        struct survey_part parts[6];
        double before = 0, late = 0;
        for (int i = 0; i < 6; i++) {
            double seen = 15 * random_share(&seed), half = 15; /* the reset is looked for every half minute */
            parts[i] = (struct survey_part){.pause_s = i ? truth_off + late : NAN,
                                            .on_s = tau * log((hot - before) / (hot - trip)),
                                            .on_half_s = 0.3,
                                            .reset_s = truth_off + seen,
                                            .reset_half_s = half};
            late = seen + 5 + 30 * random_share(&seed);
            before = trip * exp(-(truth_off + late) / tau);
        }
        struct survey_share share;
        struct error err;
        ck_assert_int_eq(survey_share_find(parts, 6, 20, 0.5, &share, &err), 0);
        ck_assert_msg(share.low <= truth && truth <= share.high, "%g to %g, true %g", share.low, share.high, truth);
        ck_assert_double_le(share.low, share.percent_on);
        ck_assert_double_le(share.percent_on, share.high);
        ck_assert_double_lt(share.high - share.low, 25);
    }
}
END_TEST

/* Without scatter and with edges known the interval is that of the current alone: twice its share (square law). */
START_TEST(survey_current_counts_twice)
{
    struct survey_part parts[4];
    struct survey_share share;
    struct error err;
    for (int i = 0; i < 4; i++)
        parts[i] = (struct survey_part){.pause_s = i ? 360 : NAN, .on_s = 240, .reset_s = 360};
    ck_assert_int_eq(survey_share_find(parts, 4, 5, 1, &share, &err), 0);
    ck_assert_double_eq_tol(share.percent_on, 40, 1e-9);
    ck_assert_double_eq_tol(share.low, 39.2, 1e-9);
    ck_assert_double_eq_tol(share.high, 40.8, 1e-9);
    ck_assert_int_eq(share.settled, 3);
    parts[3].on_s = 400; /* no two that agree */
    ck_assert_int_eq(survey_share_find(parts, 4, 5, 1, &share, &err), -1);
    ck_assert_ptr_nonnull(strstr(err.text, "settled"));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("time");
    tcase_add_test(t, four_times_of_a_plain_cycle);
    tcase_add_test(t, trade_figures_of_percent_on);
    tcase_add_test(t, above_the_band_is_on_load_but_not_in_the_band);
    tcase_add_test(t, ramp_is_crossed_where_the_line_says);
    tcase_add_test(t, batching_changes_nothing_to_the_bit);
    tcase_add_test(t, gaps_give_nested_bounds);
    tcase_add_test(t, repeated_values_are_one_reading);
    tcase_add_test(t, shutoff_lies_within_its_half_width);
    tcase_add_test(t, cycles_that_follow_lose_nothing);
    tcase_add_test(t, a_signal_that_stays_away_widens_the_band);
    tcase_add_test(t, stamps_out_of_order_are_dropped);
    tcase_add_test(t, bad_setups_are_refused);
    tcase_add_test(t, sliding_window_of_a_timetable);
    tcase_add_test(t, sliding_window_against_the_slow_way);
    tcase_add_test(t, sliding_window_with_too_many_changes);
    tcase_add_test(t, capability_of_settled_cycles);
    tcase_add_test(t, survey_interval_holds_the_closed_form);
    tcase_add_test(t, survey_current_counts_twice);
    return suite_main(t);
}
