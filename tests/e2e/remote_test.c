/* Units whose remote control the bench writes, through the whole chain in process on the virtual clock: surveys and
 * `setting` without anybody. What the units really gave is asked of the virtual bench, which shares no code with the
 * daemon. */
#include <check.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "replay_check.h"
#include "suite_run.h"

enum { A, B };

#define STRAIGHT "config/examples/units/hq-0147.yaml" /* its remote control does what its line says */
#define ASKEW "config/examples/units/hq-0152.yaml"    /* gives a tenth more */

static struct harness *bench_with(void (*edit)(struct config *config))
{
    struct harness_setup setup = {.bench = "config/examples/remote-control", .edit = edit};
    return harness_proved(&setup);
}

static struct input_operator survey(struct harness *h, const char *channel, const char *unit, double a, double b)
{
    harness_rig(h, channel);
    struct input_operator order = harness_start_order(h, channel, unit, 0, PROCEDURE_SURVEY);
    order.run.consent_past_rating = true;
    order.run.survey_count = 2;
    order.run.survey_a[0] = a;
    order.run.survey_a[1] = b;
    order.run.survey_rest_ns = 5 * H_MINUTE;
    order.run.cap_ns = 2 * H_MINUTE; /* no cut-out in that time: bounded from below */
    order.run.unattended = true;
    order.run.night = harness_night(h);
    (void)text_copy(order.run.accepts, sizeof order.run.accepts, "time-to-open cutouts load-path circuit bank");
    return order;
}

struct seen {
    struct event points[8];
    int count, anew;
};

static int look(void *ctx, const struct journal_event *je)
{
    struct seen *s = ctx;
    if (je->event.kind == EVENT_SURVEY_POINT && s->count < 8)
        s->points[s->count++] = je->event;
    s->anew += je->event.kind == EVENT_NOTE && strstr(je->event.text, "to be set anew") != NULL;
    return 0;
}

static struct seen events_of(struct harness *h)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct seen s = {.count = 0};
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_events(r, &filter, look, &s, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    return s;
}

/* With the load open the remote control is at its safe end, but for the seconds in which the next closing waits for it:
 * looked at each second. */
static void run_and_watch(struct harness *h, const char *channel, int64_t most_ns)
{
    int at = channel[0] - 'A', set_for = 0, safe = 0;
    for (int64_t t = 0; t < most_ns && !harness_in_state(h, channel, STATE_DONE); t += H_SECOND) {
        harness_run_for(h, H_SECOND);
        struct vbench_channel_state now = harness_truth(h, at);
        set_for = now.closed_mask == 0 && now.remote_v != 0 ? set_for + 1 : 0;
        safe += now.closed_mask == 0 && now.remote_v == 0;
        ck_assert_msg(set_for < 10, "remote control at %g V with the load open", now.remote_v);
    }
    ck_assert_int_gt(safe, 100);
    ck_assert(harness_in_state(h, channel, STATE_DONE));
    harness_run_for(h, 10 * H_SECOND);
    ck_assert_double_eq(harness_truth(h, at).remote_v, 0);
}

START_TEST(a_survey_that_needs_nobody)
{
    struct harness *h = bench_with(NULL);
    struct input_operator order = survey(h, "A", STRAIGHT, 100, 140);
    int64_t run = harness_start(h, &order);
    run_and_watch(h, "A", 60 * H_MINUTE);
    struct seen s = events_of(h);
    ck_assert_int_eq(s.count, 2);
    ck_assert_double_eq_tol(s.points[0].values[SURVEY_CURRENT_A], 100, 3);
    ck_assert_double_eq_tol(s.points[1].values[SURVEY_CURRENT_A], 140, 4);
    ck_assert_int_eq(s.anew, 0);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* What it gives is measured, and the next write corrected, with the load open in between. */
START_TEST(a_line_that_is_off_is_corrected)
{
    struct harness *h = bench_with(NULL);
    struct input_operator order = survey(h, "B", ASKEW, 90, 130);
    int64_t run = harness_start(h, &order);
    run_and_watch(h, "B", 60 * H_MINUTE);
    struct seen s = events_of(h);
    ck_assert_int_eq(s.count, 2);
    ck_assert_double_eq_tol(s.points[0].values[SURVEY_CURRENT_A], 90, 3);
    ck_assert_double_eq_tol(s.points[1].values[SURVEY_CURRENT_A], 130, 4);
    ck_assert_int_eq(s.anew, 2); /* once at each current */
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

START_TEST(setting_that_needs_nobody)
{
    struct harness *h = bench_with(NULL);
    struct verdict v;
    harness_rig(h, "A");
    struct input_operator order = harness_start_order(h, "A", STRAIGHT, 0, PROCEDURE_PROOF);
    order.run.cycles = 2;
    order.run.setting = true;
    int64_t run = harness_start(h, &order);
    harness_run_until_done(h, "A", 40 * H_MINUTE);
    harness_run_for(h, 10 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_double_eq_tol(v.current_a, 160, 160 * 0.02);
    ck_assert_double_eq(harness_truth(h, A).remote_v, 0);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* What A writes goes to another unit's socket. */
static void plug_out(struct config *c)
{
    c->load_points[A].remote = c->load_points[B].remote;
}

/* The plug is not in: the unit gives what its own knob says, and is not driven any further. */
START_TEST(a_remote_control_that_does_nothing)
{
    struct harness *h = bench_with(plug_out);
    struct verdict v;
    struct input_operator order = survey(h, "A", STRAIGHT, 60, 100);
    int64_t run = harness_start(h, &order);
    harness_run_until_done(h, "A", 30 * H_MINUTE);
    harness_run_for(h, 10 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_msg(strstr(v.reason, "the remote control gives 159 A where 60 A are wanted") != NULL, "%s", v.reason);
    /* 161 A at 16.4 V, less 0.1 A a volt: 159.4 A into the load for 60 A, 0.2067 ohm */
    ck_assert_double_lt(harness_truth(h, A).i2_a, 0.1);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

static void no_remote(struct config *c)
{
    c->bench.channels[A].remote.fitted = false;
}

START_TEST(what_cannot_be_is_refused)
{
    struct harness *h = bench_with(NULL);
    char words[TEXT_CAP] = "";
    struct input_operator order = survey(h, "A", STRAIGHT, 100, 171);
    order.run.run_no = runtime_next_run_no(h->rt);
    ck_assert_int_eq(harness_order(h, &order, words), 1);
    ck_assert_msg(strstr(words, "does not reach this current") != NULL, "%s", words);
    harness_free(h);
    h = bench_with(no_remote);
    order = survey(h, "A", STRAIGHT, 100, 140);
    order.run.run_no = runtime_next_run_no(h->rt);
    ck_assert_int_eq(harness_order(h, &order, words), 1);
    ck_assert_msg(strstr(words, "a survey is attended") != NULL, "%s", words);
    harness_free(h);
}
END_TEST

/* The record stops while the unit is set: everything opens, and the remote control goes back with it. */
START_TEST(a_record_that_stops_while_it_is_set)
{
    struct harness *h = bench_with(NULL);
    struct input_operator order = survey(h, "A", STRAIGHT, 100, 140);
    (void)harness_start(h, &order);
    for (int s = 0; s < 60 && harness_truth(h, A).i2_a < 50; s++)
        harness_run_for(h, H_SECOND);
    ck_assert_double_gt(harness_truth(h, A).i2_a, 50);
    ck_assert_double_gt(harness_truth(h, A).remote_v, 5);
    h->disk_fails = true;
    harness_run_for(h, 30 * H_SECOND);
    ck_assert_uint_eq(harness_truth(h, A).closed_mask, 0);
    ck_assert_double_eq(harness_truth(h, A).remote_v, 0);
    h->disk_fails = false;
    harness_run_for(h, 10 * H_SECOND);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("remote control");
    TCase *t = tcase_create("remote control");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, a_survey_that_needs_nobody);
    tcase_add_test(t, a_line_that_is_off_is_corrected);
    tcase_add_test(t, setting_that_needs_nobody);
    tcase_add_test(t, a_remote_control_that_does_nothing);
    tcase_add_test(t, what_cannot_be_is_refused);
    tcase_add_test(t, a_record_that_stops_while_it_is_set);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
