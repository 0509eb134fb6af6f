/* Leads and connectors watched through the whole chain on the virtual bench: what gets hot is told before it opens. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "suite_run.h"

static void real_time(struct config *c)
{
    c->bench.rate = 1;
}

static void no_bank_volts(struct config *c)
{
    real_time(c);
    c->bench.channels[0].signal[SIG_U_BANK] = -1;
}

static struct harness *soaking(void (*edit)(struct config *), int64_t *run)
{
    struct harness_setup setup = {.bench = "config/examples/two-units", .edit = edit};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    struct input_operator order = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_SOAK);
    order.run.soak_ns = 2 * H_HOUR;
    *run = harness_start(h, &order);
    harness_run_for(h, 90 * H_SECOND);
    return h;
}

static bool finding_has(struct harness *h, const char *words)
{
    struct event e;
    harness_run_for(h, 2 * H_SECOND);
    return harness_find_event(h, EVENT_FINDING, "A", &e) && strstr(e.text, words) != NULL;
}

/* 3.9 milliohm at 160 A is 100 W in ten metres of cable; 1 milliohm more in a connector is 26 W. */
START_TEST(a_connector_that_heats_is_told_before_it_opens)
{
    int64_t run;
    struct harness *h = soaking(real_time, &run);
    harness_happen(h, "{do: lead-ohm, channel: A, ohm: 0.0045}"); /* copper that warms: not worth a word */
    harness_run_for(h, 60 * H_SECOND);
    ck_assert_int_eq(harness_count_events(h, EVENT_FINDING, "A", -1), 0);
    harness_happen(h, "{do: lead-ohm, channel: A, ohm: 0.0068}");
    harness_run_for(h, 40 * H_SECOND);
    ck_assert(finding_has(h, "has risen from"));
    ck_assert_int_eq(harness_count_events(h, EVENT_FINDING, "A", -1), 1);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    harness_happen(h, "{do: lead-open, channel: A}");
    harness_run_until_done(h, "A", 30 * H_MINUTE);
    harness_run_for(h, 2 * H_SECOND);
    struct event shutoff;
    ck_assert(harness_find_event(h, EVENT_SHUTOFF, "A", &shutoff));
    ck_assert_int_eq(shutoff.code, CAUSE_LOAD_PATH_OPEN);
    ck_assert_msg(strstr(shutoff.text, "between unit and bank; its resistance had been rising") != NULL, "%s",
                  shutoff.text);
    harness_free(h);
}
END_TEST

START_TEST(a_connector_that_burns_ends_the_run)
{
    int64_t run;
    struct verdict v;
    struct harness *h = soaking(real_time, &run);
    harness_happen(h, "{do: lead-ohm, channel: A, ohm: 0.0095}");
    harness_run_until_done(h, "A", 2 * H_MINUTE);
    harness_run_for(h, 2 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_msg(strstr(v.reason, "burning") != NULL, "%s", v.reason);
    harness_free(h);
}
END_TEST

/* Without volts at the bank nothing is claimed; without anything wrong nothing is told. */
START_TEST(nothing_is_told_without_cause)
{
    int64_t run;
    struct harness *h = soaking(no_bank_volts, &run);
    harness_happen(h, "{do: lead-ohm, channel: A, ohm: 0.0068}");
    harness_run_for(h, 2 * H_MINUTE);
    ck_assert_int_eq(harness_count_events(h, EVENT_FINDING, "A", -1), 0);
    harness_free(h);
    h = soaking(real_time, &run);
    harness_run_for(h, H_HOUR);
    ck_assert_int_eq(harness_count_events(h, EVENT_FINDING, "A", -1), 0);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine leads");
    TCase *t = tcase_create("leads");
    tcase_set_timeout(t, 100);
    tcase_add_test(t, a_connector_that_heats_is_told_before_it_opens);
    tcase_add_test(t, a_connector_that_burns_ends_the_run);
    tcase_add_test(t, nothing_is_told_without_cause);
    suite_add_tcase(s, t);
    return suite_run(s);
}
