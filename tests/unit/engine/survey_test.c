/* A survey through the whole chain on the virtual bench, against the unit's true map: its own thermal equations
 * integrated here with an ideal thermostat, not the engine's arithmetic and not the bench's stepping. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "replay_check.h"
#include "suite_run.h"
#include "survey_papers.h"

/* HQ-0147 of config/examples/two-units-scenario.yaml. */
static const double c_a = 2140, c_b = 4290, g_ab = 14.3, g_fan = 6.43, share_a = 0.7, trip = 115, reset = 85;

struct body {
    double a, b;
};

static void heat_for(struct body *t, double watts, double air, double dt)
{
    double through = g_ab * (t->a - t->b);
    t->a += dt * (watts * share_a - through) / c_a;
    t->b += dt * (watts * (1 - share_a) + through - g_fan * (t->b - air)) / c_b;
}

/* True percent-on of cut-out and reset for ever; 100 when it is never cut out. */
static double true_percent_on(double amps, double air)
{
    const double dt = 0.02, idle = 10; /* half of its standing losses heat the hot part */
    double loss = 60 + 1.5 * amps + 0.012 * amps * amps + idle, on = 0, off = 0;
    struct body t = {air, air};
    for (int cycle = 0; cycle < 12; cycle++) {
        for (on = 0; t.a < trip; on += dt) {
            heat_for(&t, loss, air, dt);
            if (on > 40000)
                return 100;
        }
        for (off = 0; t.a > reset; off += dt)
            heat_for(&t, idle, air, dt);
    }
    return 100 * on / (on + off);
}

static void long_parts(struct config *c)
{
    c->bench.rate = 1;
    for (int i = 0; i < c->bench.device_count; i++) { /* hours of readings: fewer of them will do */
        c->bench.devices[i].poll_ns *= 4;
        c->devices[i].poll_ns *= 4;
    }
    c->bench.limits.max_on_load_ns = 130 * H_MINUTE;
}

static struct harness *bench_of(void)
{
    struct harness_setup setup = {.bench = "config/examples/two-units", .edit = long_parts};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    return h;
}

static struct input_operator survey_order(struct harness *h, int count, const double *amps)
{
    struct input_operator order =
        harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_SURVEY);
    order.run.consent_past_rating = true;
    order.run.survey_count = count;
    for (int i = 0; i < count; i++)
        order.run.survey_a[i] = amps[i];
    order.run.survey_rest_ns = 40 * H_MINUTE;
    (void)text_copy(order.run.accepts, sizeof order.run.accepts, "time-to-open cutouts load-path");
    return order;
}

static bool asks_for_somebody(struct harness *h, void *ctx)
{
    (void)ctx;
    return strstr(harness_channel(h, "A")->doing, "go to the bench") != NULL || harness_in_state(h, "A", STATE_DONE);
}

static bool is_setting(struct harness *h, void *ctx)
{
    (void)ctx;
    return harness_in_state(h, "A", STATE_SETTING);
}

static void say_set(struct harness *h)
{
    struct input_operator order = {.verb = VERB_SET, .channel = 0, .device = -1};
    char text[TEXT_CAP];
    ck_assert_msg(harness_order(h, &order, text) == 0, "%s", text);
}

/* The operator: comes, closes the load, turns the unit, says that it is set. */
static void turn_to(struct harness *h, double amps, bool first)
{
    char event[96];
    if (!first) {
        ck_assert(harness_run_until(h, asks_for_somebody, NULL, 12 * H_HOUR));
        ck_assert(!harness_in_state(h, "A", STATE_DONE));
        ck_assert_uint_eq(harness_channel(h, "A")->mask_closed, 0);
        say_set(h);
    }
    ck_assert(harness_run_until(h, is_setting, NULL, H_MINUTE));
    harness_run_for(h, 8 * H_SECOND);
    (void)text_format(event, sizeof event, "{do: set-current, unit: HQ-0147, a: %g}", amps);
    harness_happen(h, event);
    harness_run_for(h, 8 * H_SECOND);
    say_set(h);
}

struct collected {
    int count;
    struct event points[SURVEY_POINTS_MAX];
};

static int collect(void *ctx, const struct journal_event *row)
{
    struct collected *c = ctx;
    if (row->event.kind == EVENT_SURVEY_POINT && c->count < SURVEY_POINTS_MAX)
        c->points[c->count++] = row->event;
    return 0;
}

static struct collected points_of(struct harness *h, int64_t run_no)
{
    struct collected c = {0};
    struct error err;
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_ptr_nonnull(r);
    struct row_filter filter = row_filter_any();
    filter.run_no = run_no;
    ck_assert_int_eq(journal_reader_events(r, &filter, collect, &c, &err), 0);
    journal_reader_close(r);
    return c;
}

/* One that is carried for ever, then from the same start one that is not; a third in the long form: seconds of
 * computing for each, since a survey is hours of readings. */
START_TEST(intervals_cover_the_true_map)
{
    static const double amps[] = {100, 190, 160};
    int count = getenv("SOAKBENCH_LONG") ? 3 : 2;
    struct harness *h = bench_of();
    struct input_operator order = survey_order(h, count, amps);
    int64_t run = harness_start(h, &order);
    for (int i = 0; i < count; i++)
        turn_to(h, amps[i], i == 0);
    harness_run_until_done(h, "A", 12 * H_HOUR);
    harness_run_for(h, 2 * H_SECOND);
    struct verdict v;
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_uint_eq(v.deviations, 0);
    ck_assert_msg(strstr(v.reason, count == 3 ? "3 of 3 currents" : "2 of 2 currents") != NULL, "%s", v.reason);
    struct collected c = points_of(h, run);
    ck_assert_int_eq(c.count, count);
    for (int i = 0; i < count; i++) {
        const double *p = c.points[i].values;
        double truth = true_percent_on(p[SURVEY_CURRENT_A], p[SURVEY_INTAKE_DEGC]);
        printf("%s; true %.2f %%\n", c.points[i].text, truth);
        ck_assert_int_eq(c.points[i].code, i + 1);
        ck_assert_double_eq_tol(p[SURVEY_CURRENT_A], amps[i], 0.01 * amps[i]);
        /* the square law of the plate, 160 A at 40 % */
        double law = 40 * 160 * 160 / (p[SURVEY_CURRENT_A] * p[SURVEY_CURRENT_A]);
        ck_assert_double_eq_tol(p[SURVEY_LAW], law < 100 ? law : 100, 1e-9);
        if (truth >= 100) {
            ck_assert_int_eq(c.points[i].code2, SURVEY_AT_LEAST);
            ck_assert_double_eq(p[SURVEY_LOW], 100);
            ck_assert(isnan(p[SURVEY_HIGH]));
            continue;
        }
        ck_assert_msg(c.points[i].code2 == SURVEY_OWN, "%s", c.points[i].text);
        ck_assert_msg(p[SURVEY_LOW] <= truth && truth <= p[SURVEY_HIGH], "%s; true %.2f %%", c.points[i].text, truth);
        ck_assert_double_lt(p[SURVEY_HIGH] - p[SURVEY_LOW], 12); /* and not by being wide */
    }
    replay_check(h, run, 0);
    if (count == 2)
        survey_leaves_the_journal(h->journal_path, h->folder, run, count);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("survey");
    TCase *tc = tcase_create("survey");
    tcase_set_timeout(tc, 900);
    tcase_add_test(tc, intervals_cover_the_true_map);
    suite_add_tcase(s, tc);
    return suite_run(s);
}
