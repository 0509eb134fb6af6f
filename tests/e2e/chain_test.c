/* The main job, in process on the virtual clock: two units side by side on an eight-hour soak. One holds and meets its
 * rating at equilibrium; the other holds from cold and is cut out hot. What the units really did is asked of the
 * virtual bench, which shares no code with the daemon. The record is then judged again, to the bit. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "harness.h"
#include "journal_read.h"
#include "replay_check.h"
#include "suite_run.h"
#include "worker_job.h"

static struct harness *two_units(int real_share)
{
    struct harness_setup setup = {.bench = "config/examples/two-units", .real_share = real_share};
    return harness_new(&setup);
}

static struct input_operator soak(struct harness *h, const char *channel, const char *unit, int64_t soak_ns)
{
    struct input_operator order = harness_start_order(h, channel, unit, 0, PROCEDURE_SOAK);
    order.run.soak_ns = soak_ns;
    order.run.to_equilibrium = true;
    order.run.soak_cap_ns = soak_ns + 4 * H_HOUR;
    return order;
}

struct night {
    int64_t run_a, run_b;
    struct verdict a, b;
    char inputs[65], events[65];
};

/* One night: both units rigged in the evening, eight hours of soak, read in the morning. */
static void run_night(struct harness *h, struct night *night)
{
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    harness_rig(h, "B");
    struct input_operator a = soak(h, "A", "config/examples/units/hq-0147.yaml", 8 * H_HOUR);
    struct input_operator b = soak(h, "B", "config/examples/units/hq-0152.yaml", 8 * H_HOUR);
    night->run_a = harness_start(h, &a);
    night->run_b = harness_start(h, &b);
    harness_run_until_done(h, "A", 13 * H_HOUR);
    harness_run_until_done(h, "B", 13 * H_HOUR);
    harness_finish(h);
    ck_assert(harness_verdict(h, night->run_a, &night->a));
    ck_assert(harness_verdict(h, night->run_b, &night->b));
    harness_input_digest(h, night->inputs);
    harness_event_digest(h, night->events);
}

/* First of a kind that the virtual bench saw on a channel, in seconds of the scenario; NAN: none. */
static double happened_s(struct harness *h, enum vbench_trip what, int channel)
{
    struct vbench_happening all[256];
    size_t count = vbench_happenings(h->vb, all, 256);
    for (size_t i = 0; i < count; i++)
        if (all[i].what == what && all[i].channel == channel)
            return (double)all[i].at_ns / 1e9;
    return NAN;
}

struct foretold {
    const char *channel;
    double values[32][EVENT_VALUES_MAX];
    int64_t at_ns[32];
    int count;
};

static int keep_estimate(void *ctx, const struct journal_event *je)
{
    struct foretold *f = ctx;
    if (je->event.kind == EVENT_ESTIMATE && je->event.code == JOB_HOLDS && strcmp(je->channel, f->channel) == 0 &&
        f->count < 32) {
        memcpy(f->values[f->count], je->event.values, sizeof f->values[0]);
        f->at_ns[f->count++] = je->event.seen_ns;
    }
    return 0;
}

struct hottest {
    int64_t run_no, from_ns;
    double case_degc;
};

static int keep_hottest(void *ctx, const struct journal_reading *r)
{
    struct hottest *h = ctx;
    if (r->stamp_ns >= h->from_ns && r->values[SIG_T_CASE] > h->case_degc)
        h->case_degc = r->values[SIG_T_CASE];
    return 0;
}

/* What the heating foretold of A after an hour and a half, against what came in the last hour of the night. The unit of
 * the virtual bench never reaches its trip point, so every percent-on is "at least", and what it held has to lie
 * within.
 */
static void check_estimates(struct harness *h, const struct night *night)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct foretold f = {.channel = "A"};
    struct hottest hot = {.case_degc = -273};
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    filter.epoch = runtime_epoch(h->rt);
    ck_assert_msg(journal_reader_events(r, &filter, keep_estimate, &f, &err) == 0, "%s", err.text);
    ck_assert_int_ge(f.count, 5);
    hot.from_ns = f.at_ns[f.count - 1] - H_HOUR;
    filter.run_no = night->run_a;
    ck_assert_msg(journal_reader_readings(r, &filter, keep_hottest, &hot, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    int early = 0;
    while (early < f.count - 1 && f.at_ns[early] - h->start_ns < 90 * H_MINUTE)
        early++;
    const double *v = f.values[early];
    ck_assert_msg(fabs(v[0] - hot.case_degc) <= v[1] + 1, "foretold %.2f +/- %.2f degC, came %.2f", v[0], v[1],
                  hot.case_degc);
    const double *last = f.values[f.count - 1];
    ck_assert_double_le(last[3], 40 + 1);  /* it held 40 %: the lower end is no more than that and its guard */
    ck_assert_double_eq(last[4], 100);     /* nobody has seen its limit: at least */
    ck_assert_double_lt(last[5], last[2]); /* hotter air, fewer percent */
    ck_assert_double_eq_tol(last[2], 40, 4);
}

START_TEST(a_night_of_two_units)
{
    struct harness *h = two_units(60);
    struct night night = {0};
    run_night(h, &night);
    /* HQ-0147, tig 160 A at 40 %: holds. Its verdict rests on equilibrium at the intake temperature that was seen. */
    ck_assert_msg(night.a.kind == VERDICT_MET, "A is %s: %s", verdict_kind_name(night.a.kind), night.a.reason);
    ck_assert_int_eq(night.a.basis, BASIS_EQUILIBRIUM);
    ck_assert_int_eq(night.a.cause, CAUSE_NONE);
    ck_assert_double_eq_tol(night.a.rated_on_s, 240, 1e-9); /* 40 % of ten minutes */
    ck_assert_double_eq_tol(night.a.current_a, 160, 160 * 0.02);
    /* IEC 60974-1: conventional load voltage of TIG, U2 = 10 + 0.04 I2. */
    ck_assert_double_eq_tol(night.a.load_voltage_v, 10 + 0.04 * 160, 0.7);
    ck_assert_double_eq_tol(night.a.intake_degc, 22, 4);
    ck_assert(isnan(happened_s(h, VBENCH_TRIP_CUTOUT, 0)));
    /* HQ-0152, mma 140 A at 35 %: the first cycle from cold is whole, then the unit's cut-out acts. */
    double truth_s = happened_s(h, VBENCH_TRIP_CUTOUT, 1);
    ck_assert(!isnan(truth_s));
    ck_assert_msg(night.b.kind == VERDICT_NOT_MET, "B is %s: %s", verdict_kind_name(night.b.kind), night.b.reason);
    ck_assert_int_eq(night.b.cause, CAUSE_THERMAL_CUTOUT);
    ck_assert_double_lt(night.b.shutoff_s, night.b.rated_on_s);
    struct event shutoff;
    ck_assert(harness_find_event(h, EVENT_SHUTOFF, "B", &shutoff));
    double seen_s = (double)(shutoff.at_ns - h->start_ns) / 1e9;
    double allowed_s = (double)shutoff.half_width_ns / 1e9 + 1;
    ck_assert_double_eq_tol(seen_s, truth_s, allowed_s);
    ck_assert_int_ge(harness_count_events(h, EVENT_CYCLE, "B", -1), 2);
    check_estimates(h, &night);
    /* Judged again from the record. */
    replay_check(h, night.run_a, 8);
    replay_check(h, night.run_b, 1);
    harness_free(h);
}
END_TEST

START_TEST(the_same_seed_gives_the_same_bytes)
{
    struct night first = {0}, second = {0};
    struct harness *h = two_units(60);
    run_night(h, &first);
    harness_free(h);
    h = two_units(60);
    run_night(h, &second);
    harness_free(h);
    ck_assert_str_eq(first.inputs, second.inputs);
    ck_assert_str_eq(first.events, second.events);
}
END_TEST

/* Eight hours of bench time must stay a matter of seconds, or nobody runs the tests. */
START_TEST(hours_pass_in_seconds)
{
    struct harness *h = two_units(60);
    struct night night = {0};
    clock_t began = clock();
    run_night(h, &night);
    double cpu_s = (double)(clock() - began) / CLOCKS_PER_SEC;
    ck_assert_msg(cpu_s < 30, "%.1f s of processor time", cpu_s);
    harness_free(h);
}
END_TEST

START_TEST(an_operator_ends_a_run)
{
    struct harness *h = two_units(1);
    struct verdict v;
    struct vbench_channel_state state;
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    struct input_operator a = soak(h, "A", "config/examples/units/hq-0147.yaml", H_HOUR);
    int64_t run = harness_start(h, &a);
    harness_run_for(h, H_MINUTE);
    ck_assert(vbench_channel(h->vb, 0, &state));
    ck_assert_double_gt(state.i2_a, 150);
    struct input_operator end = {.verb = VERB_END, .channel = 0, .device = -1};
    harness_order_done(h, &end, 30 * H_SECOND, NULL);
    ck_assert(vbench_channel(h->vb, 0, &state));
    ck_assert_uint_eq(state.closed_mask, 0);
    harness_run_until_done(h, "A", 5 * H_MINUTE);
    harness_run_for(h, 5 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(v.cause, CAUSE_OPERATOR);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("chain");
    TCase *t = tcase_create("chain");
    tcase_set_timeout(t, 400);
    tcase_add_test(t, a_night_of_two_units);
    tcase_add_test(t, the_same_seed_gives_the_same_bytes);
    tcase_add_test(t, hours_pass_in_seconds);
    tcase_add_test(t, an_operator_ends_a_run);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
