/* After a crash: the run is closed undecided, everything is opened after identity, nothing begins before a person has
 * looked and said so, and what begins then begins from where the unit really stands: warm. In process. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "suite_run.h"

static void real_limits(struct config *config)
{
    config->bench.rate = 1;
    for (int i = 0; i < config->bench.device_count; i++)
        config->bench.devices[i].worst_open_ns = H_SECOND + 200 * H_SECOND / 1000;
}

static struct harness *on_load(void)
{
    return harness_soaking(&(struct harness_setup){.bench = "config/examples/two-units", .edit = real_limits},
                           2 * H_MINUTE);
}

static unsigned closed(struct harness *h)
{
    struct vbench_channel_state state;
    vbench_advance(h->vb, bench_clock_now_ns(h->clock));
    ck_assert(vbench_channel(h->vb, 0, &state));
    return state.closed_mask;
}

static int try_start(struct harness *h, enum start_condition start, const char *accepts, char *words)
{
    struct input_operator a = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    a.run.cycles = 1;
    a.run.start = start;
    text_copy(a.run.accepts, sizeof a.run.accepts, accepts);
    a.run.run_no = runtime_next_run_no(h->rt);
    return harness_order(h, &a, words);
}

START_TEST(a_person_confirms_and_it_goes_on_from_a_rest)
{
    char words[TEXT_CAP];
    struct verdict v;
    struct event started;
    struct harness *h = on_load();
    harness_crash_and_restart(h, H_MINUTE);
    harness_run_for(h, 30 * H_SECOND);
    ck_assert_uint_eq(closed(h), 0);
    ck_assert(harness_verdict(h, 1, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    harness_rig(h, "A");
    ck_assert_int_eq(try_start(h, START_WARM, "start time-to-open", words), 1);
    ck_assert_msg(strncmp(words, "interruption", 12) == 0, "%s", words);
    ck_assert_uint_eq(closed(h), 0);
    struct input_operator confirm = {.verb = VERB_CONTINUE, .channel = 0, .device = -1};
    text_copy(confirm.text, sizeof confirm.text, "power cut; looked at bench and leads");
    ck_assert_int_eq(harness_order(h, &confirm, words), 0);
    ck_assert_msg(try_start(h, START_WARM, "start time-to-open", words) != 1, "%s", words);
    ck_assert(harness_find_event(h, EVENT_RUN_START, "A", &started));
    harness_run_for(h, H_MINUTE);
    ck_assert(harness_find_event(h, EVENT_RUN_START, "A", &started));
    ck_assert_msg(strstr(started.text, "start warm") != NULL, "%s", started.text);
    ck_assert_uint_ne(closed(h), 0);
    harness_free(h);
}
END_TEST

START_TEST(what_was_locked_before_the_crash_is_locked_after)
{
    struct harness *h = on_load();
    harness_happen(h, "{do: press-estop}");
    harness_run_for(h, 5 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    harness_crash_and_restart(h, H_MINUTE);
    harness_run_for(h, 10 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_uint_eq(closed(h), 0);
    harness_free(h);
}
END_TEST

/* A controller that lost its supply too: its watchdog has to be proved again before anything goes on. */
START_TEST(a_power_cut_voids_the_proof_of_the_watchdog)
{
    char words[TEXT_CAP];
    struct harness *h = on_load();
    harness_happen(h, "{do: power-cycle, device: bank}");
    harness_crash_and_restart(h, H_MINUTE);
    harness_run_for(h, 30 * H_SECOND);
    ck_assert_uint_eq(closed(h), 0);
    struct input_operator confirm = {.verb = VERB_CONTINUE, .channel = -1, .device = -1};
    ck_assert_int_eq(harness_order(h, &confirm, words), 0);
    harness_rig(h, "A");
    ck_assert_int_eq(try_start(h, START_WARM, "start time-to-open", words), 1);
    ck_assert_msg(strncmp(words, "watchdog", 8) == 0, "%s", words);
    harness_prove_watchdogs(h);
    ck_assert_msg(try_start(h, START_WARM, "start time-to-open", words) != 1, "%s", words);
    harness_free(h);
}
END_TEST

START_TEST(ten_crashes_in_a_row_close_ten_runs)
{
    struct harness *h = on_load();
    for (int i = 0; i < 10; i++) {
        struct verdict v;
        char words[TEXT_CAP];
        struct input_operator confirm = {.verb = VERB_CONTINUE, .channel = -1, .device = -1};
        harness_run_for(h, (i + 1) * H_SECOND); /* at another moment each time */
        harness_crash_and_restart(h, (i % 2 ? 1 : 30) * H_SECOND);
        harness_run_for(h, 30 * H_SECOND);
        ck_assert_uint_eq(closed(h), 0);
        ck_assert(harness_verdict(h, i + 1, &v));
        ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
        ck_assert_int_eq(harness_order(h, &confirm, words), 0);
        harness_rig(h, "A");
        ck_assert_msg(try_start(h, START_WARM, "start time-to-open", words) != 1, "%s", words);
        ck_assert_int_eq(runtime_next_run_no(h->rt), i + 3);
    }
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("night interruption");
    TCase *t = tcase_create("night interruption");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_person_confirms_and_it_goes_on_from_a_rest);
    tcase_add_test(t, what_was_locked_before_the_crash_is_locked_after);
    tcase_add_test(t, a_power_cut_voids_the_proof_of_the_watchdog);
    tcase_add_test(t, ten_crashes_in_a_row_close_ten_runs);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
