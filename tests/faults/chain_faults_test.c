/* Faults in the chain, in process on the virtual clock, each judged by what the virtual bench's contactors really did:
 * lost buses and signals, a disk that fails, a daemon that is gone from one moment to the next. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "suite_run.h"

static void tight_limits(struct config *config)
{
    /* The example is made for fast scaled time; in process the times of a real bench will do. */
    config->bench.limits.beat_ns = H_SECOND / 2;
    config->bench.limits.lease_ns = 2 * H_SECOND;
    config->bench.limits.stale_ns[CLASS_SAFETY] = 2 * H_SECOND;
    config->bench.limits.stale_ns[CLASS_JUDGEMENT] = 10 * H_SECOND;
    config->bench.limits.stale_ns[CLASS_INFORMATIVE] = H_MINUTE;
    for (int i = 0; i < config->bench.signal_count; i++) {
        struct bench_signal *s = &config->bench.signals[i];
        if (s->cls == CLASS_SAFETY)
            s->stale_after_ns = 2 * H_SECOND;
    }
}

static struct harness *on_load(void)
{
    return harness_soaking(&(struct harness_setup){.bench = "config/examples/two-units", .edit = tight_limits},
                           H_MINUTE);
}

static unsigned closed_mask(struct harness *h)
{
    struct vbench_channel_state state;
    vbench_advance(h->vb, bench_clock_now_ns(h->clock));
    ck_assert(vbench_channel(h->vb, 0, &state));
    return state.closed_mask;
}

static bool is_open(struct harness *h, void *ctx)
{
    (void)ctx;
    return closed_mask(h) == 0;
}

static int bus_named(struct harness *h, const char *name)
{
    for (int i = 0; i < h->config->bench.bus_count; i++)
        if (strcmp(h->config->bench.bus_names[i], name) == 0)
            return i;
    ck_abort_msg("no bus %s", name);
}

/* Time until the load is open, in seconds; fails when it takes longer than within_ns. */
static double opens_within(struct harness *h, int64_t within_ns)
{
    int64_t began_ns = bench_clock_now_ns(h->clock);
    ck_assert(closed_mask(h) != 0);
    ck_assert_msg(harness_run_until(h, is_open, NULL, within_ns), "still closed after %.1f s", (double)within_ns / 1e9);
    return (double)(bench_clock_now_ns(h->clock) - began_ns) / 1e9;
}

static void check_undecided(struct harness *h, enum shutoff_cause cause)
{
    struct verdict v;
    harness_run_for(h, 2 * H_MINUTE);
    ck_assert(harness_verdict(h, 1, &v));
    ck_assert_msg(v.kind == VERDICT_UNDECIDED, "%s: %s", verdict_kind_name(v.kind), v.reason);
    if (cause != CAUSE_NONE)
        ck_assert_msg(v.cause == cause, "%s, not %s", shutoff_cause_name(v.cause), shutoff_cause_name(cause));
    ck_assert_uint_gt(strlen(v.reason), 20);
}

START_TEST(a_controller_that_answers_no_more_opens_by_its_watchdog)
{
    struct harness *h = on_load();
    h->bus_silent[bus_named(h, "rack")] = true;
    opens_within(h, 13 * H_SECOND); /* watchdog_time: 10 s, and the contactor's travel */
    check_undecided(h, CAUSE_NONE);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    /* It stays locked when the link is back, until somebody resets it with a reason. */
    h->bus_silent[bus_named(h, "rack")] = false;
    harness_run_for(h, 5 * H_MINUTE);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_uint_eq(closed_mask(h), 0);
    struct input_operator reset = {.verb = VERB_RESET, .channel = 0, .device = -1};
    text_copy(reset.text, sizeof reset.text, "plug of the controller was loose");
    harness_order_done(h, &reset, H_MINUTE, NULL);
    ck_assert(harness_in_state(h, "A", STATE_FREE));
    harness_free(h);
}
END_TEST

START_TEST(a_lost_connection_comes_back_with_drop_all)
{
    struct harness *h = on_load();
    int rack = bus_named(h, "rack");
    h->bus_gone[rack] = true;
    harness_run_for(h, 3 * H_SECOND);
    h->bus_gone[rack] = false;
    /* Back before the watchdog acted: the first write after a reconnect opens everything. */
    harness_run_for(h, 7 * H_SECOND);
    ck_assert_uint_eq(closed_mask(h), 0);
    check_undecided(h, CAUSE_NONE);
    harness_free(h);
}
END_TEST

/* A safety signal that is silent for 63 s opens the load and stays latched ... */
START_TEST(silence_of_a_safety_signal_opens)
{
    struct harness *h = on_load();
    harness_happen(h, "{do: fault, kind: silence, device: bank, for_s: 63}");
    opens_within(h, 13 * H_SECOND);
    harness_run_for(h, 63 * H_SECOND);
    check_undecided(h, CAUSE_NONE);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    harness_free(h);
}
END_TEST

/* One safety signal alone has no value for 63 s, everything else of the same controller goes on: opened, and latched.
 */
START_TEST(one_safety_signal_alone_opens_and_latches)
{
    struct harness *h = on_load();
    h->no_value.on = true;
    h->no_value.bus = bus_named(h, "rack");
    h->no_value.server = 1;
    h->no_value.first = 10; /* t_bank of maps/stepped-bank.yaml */
    double took_s = opens_within(h, 5 * H_SECOND);
    ck_assert_double_ge(took_s, 1.0); /* its class bears 2 s, counted from the last good reading */
    harness_run_for(h, 60 * H_SECOND);
    h->no_value.on = false;
    harness_run_for(h, 5 * H_MINUTE);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_uint_eq(closed_mask(h), 0);
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", INTERLOCK_SIGNAL_LOST), 1);
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", INTERLOCK_LINK), 0);
    check_undecided(h, CAUSE_NONE);
    harness_free(h);
}
END_TEST

/* ... and two seconds of an informative or judgement signal neither open nor latch. */
START_TEST(two_seconds_of_an_informative_signal_are_borne)
{
    struct harness *h = on_load();
    int meters = bus_named(h, "meters");
    h->bus_silent[meters] = true;
    harness_run_for(h, 2 * H_SECOND);
    h->bus_silent[meters] = false;
    harness_run_for(h, 20 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    ck_assert(closed_mask(h) != 0);
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", -1), 0);
    harness_free(h);
}
END_TEST

START_TEST(a_disk_that_fails_opens_within_its_limit)
{
    struct harness *h = on_load();
    h->disk_fails = true;
    double took_s = opens_within(h, 20 * H_SECOND);
    /* journal_open, 5 s by default, then the lease that is not renewed, and one transaction. */
    double limit_s = (double)(h->config->bench.limits.journal_open_ns + h->config->bench.limits.lease_ns) / 1e9 + 2;
    ck_assert_double_le(took_s, limit_s);
    harness_run_for(h, H_MINUTE);
    ck_assert_uint_eq(closed_mask(h), 0);
    /* Nothing goes on load while the record is not healthy, and nothing was lost when it is again. */
    h->disk_fails = false;
    check_undecided(h, CAUSE_NONE);
    ck_assert_int_ge(harness_count_events(h, EVENT_INTERLOCK, "A", INTERLOCK_JOURNAL), 1);
    harness_free(h);
}
END_TEST

START_TEST(nothing_closes_while_the_record_is_not_healthy)
{
    char words[TEXT_CAP] = "";
    struct harness_setup setup = {.bench = "config/examples/two-units", .edit = tight_limits};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    struct input_operator a = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    a.run.cycles = 1;
    a.run.run_no = runtime_next_run_no(h->rt);
    h->disk_fails = true;
    harness_run_for(h, 3 * H_SECOND);
    harness_order(h, &a, words);
    harness_run_for(h, H_MINUTE);
    ck_assert_uint_eq(closed_mask(h), 0);
    harness_free(h);
}
END_TEST

START_TEST(a_killed_daemon_leaves_an_open_bench_and_an_undecided_run)
{
    struct harness *h = on_load();
    harness_run_for(h, 2 * H_SECOND); /* what has happened is on disk */
    harness_crash_and_restart(h, H_MINUTE);
    ck_assert_uint_eq(closed_mask(h), 0); /* the watchdog opened, nobody else was there */
    harness_run_for(h, 10 * H_MINUTE);
    ck_assert_uint_eq(closed_mask(h), 0); /* nothing goes on load by itself */
    ck_assert(!harness_in_state(h, "A", STATE_ON_LOAD));
    struct verdict v;
    ck_assert(harness_verdict(h, 1, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_ptr_nonnull(strstr(v.reason, "stopped"));
    ck_assert_int_eq(runtime_next_run_no(h->rt), 2);
    harness_free(h);
}
END_TEST

/* Restarted so fast that the watchdog has not acted yet: identity is read, then the first write opens everything. */
START_TEST(a_restarted_daemon_opens_first)
{
    struct harness *h = on_load();
    harness_run_for(h, 2 * H_SECOND);
    harness_crash_and_restart(h, H_SECOND);
    ck_assert(closed_mask(h) != 0);
    opens_within(h, 3 * H_SECOND);
    harness_free(h);
}
END_TEST

START_TEST(a_clean_end_opens_and_says_so)
{
    struct harness *h = on_load();
    harness_finish(h);
    ck_assert_uint_eq(closed_mask(h), 0);
    struct verdict v;
    ck_assert(harness_verdict(h, 1, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(v.cause, CAUSE_OPERATOR);
    harness_free(h);
}
END_TEST

/* What a wall clock that is set must not move: the verdict and the stamps of the curve. */
struct curve {
    uint64_t count;
    int64_t first_utc_us, last_utc_us, sum_utc_us;
};

static int take_stamp(void *ctx, const struct journal_reading *m)
{
    struct curve *c = ctx;
    if (!c->count++)
        c->first_utc_us = m->utc_us;
    ck_assert_int_ge(m->utc_us, c->first_utc_us);
    c->last_utc_us = m->utc_us;
    c->sum_utc_us += m->utc_us - c->first_utc_us;
    return 0;
}

static void judged_run(int64_t first_set_ns, int64_t then_set_ns, struct verdict *verdict, struct curve *curve)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct harness *h = on_load();
    bench_clock_disturb(h->clock, first_set_ns, 0);
    harness_run_for(h, 20 * H_MINUTE);
    bench_clock_disturb(h->clock, then_set_ns, 0);
    harness_run_until_done(h, "A", 3 * H_HOUR);
    ck_assert_int_eq(harness_count_events(h, EVENT_CLOCK, NULL, 1), first_set_ns ? 2 : 0);
    harness_finish(h);
    ck_assert(harness_verdict(h, 1, verdict));
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_readings(r, &filter, take_stamp, curve, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    harness_free(h);
}

START_TEST(a_clock_that_is_set_moves_no_stamp_and_no_verdict)
{
    struct verdict quiet, set;
    struct curve quiet_curve = {0}, set_curve = {0};
    uint8_t quiet_bytes[4096], set_bytes[4096];
    judged_run(0, 0, &quiet, &quiet_curve);
    judged_run(5 * H_HOUR, -9 * H_HOUR, &set, &set_curve);
    struct writer a = writer_over(quiet_bytes, sizeof quiet_bytes), b = writer_over(set_bytes, sizeof set_bytes);
    put_verdict(&a, &quiet);
    put_verdict(&b, &set);
    ck_assert(!a.bad && a.used == b.used);
    ck_assert_int_eq(memcmp(quiet_bytes, set_bytes, a.used), 0);
    ck_assert_uint_gt(quiet_curve.count, 1000);
    ck_assert_int_eq(quiet_curve.first_utc_us, set_curve.first_utc_us);
    ck_assert_int_eq(quiet_curve.last_utc_us, set_curve.last_utc_us);
    ck_assert_int_eq(quiet_curve.sum_utc_us, set_curve.sum_utc_us);
}
END_TEST

static int latest_clock(void *ctx, const struct journal_event *e)
{
    if (e->event.kind == EVENT_CLOCK)
        *(double *)ctx = e->event.values[0];
    return 0;
}

static double last_clock_s(struct harness *h)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    double s = 0;
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_events(r, &filter, latest_clock, &s, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    return s;
}

START_TEST(a_computer_that_slept_opens)
{
    struct event slept;
    struct harness *h = on_load();
    bench_clock_disturb(h->clock, 90 * H_MINUTE, 90 * H_MINUTE);
    double took_s = opens_within(h, 3 * H_SECOND); /* anchors are taken each second */
    ck_assert_double_le(took_s, 2);
    ck_assert_int_eq(harness_count_events(h, EVENT_CLOCK, NULL, 1), 0); /* UTC went on by itself: it was not set */
    check_undecided(h, CAUSE_NONE);
    ck_assert_int_eq(harness_count_events(h, EVENT_CLOCK, NULL, 2), 1);
    ck_assert(harness_find_event(h, EVENT_CLOCK, NULL, &slept));
    ck_assert_double_eq_tol(slept.values[0], 5400, 0.5);
    ck_assert_uint_eq(closed_mask(h), 0);
    harness_free(h);
}
END_TEST

static int try_warm(struct harness *h, const char *accepts, char *words)
{
    struct input_operator a = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    a.run.start = START_WARM;
    a.run.run_no = runtime_next_run_no(h->rt);
    text_copy(a.run.accepts, sizeof a.run.accepts, accepts);
    return harness_order(h, &a, words);
}

/* What a sleep leaves: each is told by its own length and not by all sleep since the computer was switched on; a person
 * confirms, by the reset where a run was ended, by `continue` where none was; the record's time of day lags. */
START_TEST(after_a_sleep_a_person_goes_first)
{
    char words[TEXT_CAP];
    struct event slept;
    struct input_operator reset = {.verb = VERB_RESET, .channel = 0, .device = -1, .text = "lid was closed by mistake"};
    struct input_operator go_on = {
        .verb = VERB_CONTINUE, .channel = 0, .device = -1, .text = "looked at bench and leads"};
    struct harness *h = on_load();
    bench_clock_disturb(h->clock, 90 * H_MINUTE, 90 * H_MINUTE);
    harness_run_for(h, 20 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_int_eq(harness_order(h, &reset, words), 0);
    harness_rig(h, "A");
    ck_assert_int_eq(try_warm(h, "time-to-open", words), 1);
    ck_assert_msg(strncmp(words, "clock: ", 7) == 0, "%s", words);
    ck_assert_msg(strstr(words, "-5400 s") != NULL, "%s", words);
    bench_clock_disturb(h->clock, 10 * H_MINUTE, 10 * H_MINUTE);
    harness_run_for(h, 20 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_RIGGING)); /* nothing was in use: nothing latches */
    ck_assert(harness_find_event(h, EVENT_CLOCK, NULL, &slept));
    ck_assert_double_eq_tol(slept.values[0], 5400, 0.5); /* the first one */
    ck_assert_int_eq(harness_count_events(h, EVENT_CLOCK, NULL, 2), 2);
    ck_assert_double_eq_tol(last_clock_s(h), 600, 0.5);
    ck_assert_int_eq(try_warm(h, "time-to-open clock", words), 1);
    ck_assert_msg(strncmp(words, "interruption", 12) == 0, "%s", words);
    ck_assert_int_eq(harness_order(h, &go_on, words), 0);
    ck_assert_msg(try_warm(h, "time-to-open clock", words) != 1, "%s", words);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("chain faults");
    TCase *t = tcase_create("chain faults");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_controller_that_answers_no_more_opens_by_its_watchdog);
    tcase_add_test(t, a_lost_connection_comes_back_with_drop_all);
    tcase_add_test(t, silence_of_a_safety_signal_opens);
    tcase_add_test(t, one_safety_signal_alone_opens_and_latches);
    tcase_add_test(t, a_clock_that_is_set_moves_no_stamp_and_no_verdict);
    tcase_add_test(t, a_computer_that_slept_opens);
    tcase_add_test(t, after_a_sleep_a_person_goes_first);
    tcase_add_test(t, two_seconds_of_an_informative_signal_are_borne);
    tcase_add_test(t, a_disk_that_fails_opens_within_its_limit);
    tcase_add_test(t, nothing_closes_while_the_record_is_not_healthy);
    tcase_add_test(t, a_killed_daemon_leaves_an_open_bench_and_an_undecided_run);
    tcase_add_test(t, a_restarted_daemon_opens_first);
    tcase_add_test(t, a_clean_end_opens_and_says_so);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
