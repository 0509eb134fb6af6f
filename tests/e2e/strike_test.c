/* Units that do not start on the steps of their rating point, through the whole chain in process on the virtual clock:
 * with and without a strike, and with something going wrong at each of its moves. What the units really did is asked of
 * the virtual bench, which shares no code with the daemon. How such units behave: common practice, no published source.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "replay_check.h"
#include "suite_run.h"

enum { A, B };

#define LIFT "config/examples/units/hq-0166.yaml"
#define REDUCED "config/examples/units/hq-0178.yaml"

static struct harness *bench_with(void (*edit)(struct config *config))
{
    struct harness_setup setup = {.bench = "config/examples/lift-start", .edit = edit};
    return harness_proved(&setup);
}

static struct input_operator proof(struct harness *h, const char *channel, const char *unit, int cycles)
{
    harness_rig(h, channel);
    struct input_operator order = harness_start_order(h, channel, unit, 0, PROCEDURE_PROOF);
    order.run.cycles = cycles;
    return order;
}

static struct verdict end_of(struct harness *h, const char *channel, int64_t run)
{
    struct verdict v;
    harness_run_until_done(h, channel, 60 * H_MINUTE);
    harness_run_for(h, 10 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_uint_eq(harness_truth(h, channel[0] - 'A').closed_mask, 0);
    return v;
}

/* ---- events of a kind, in order ---- */

struct told {
    const char *channel;
    enum event_kind kind;
    struct event all[64];
    int count;
};

static int keep(void *ctx, const struct journal_event *je)
{
    struct told *t = ctx;
    if (je->event.kind == t->kind && strcmp(je->channel, t->channel) == 0 && t->count < 64)
        t->all[t->count++] = je->event;
    return 0;
}

static struct told told(struct harness *h, const char *channel, enum event_kind kind)
{
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct told t = {.channel = channel, .kind = kind};
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_msg(journal_reader_events(r, &filter, keep, &t, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    return t;
}

/* ---- without ---- */

static void no_strike(struct config *c)
{
    c->bench.channels[A].load.strike.fitted = c->bench.channels[B].load.strike.fitted = false;
}

/* 20 A into a tenth of an ohm are 2 V: the unit believes that it still touches, for ever. That is no word on the
 * unit. */
START_TEST(a_lift_start_hangs_on_a_fixed_bank)
{
    struct harness *h = bench_with(no_strike);
    struct event never;
    struct input_operator order = proof(h, "A", LIFT, 1);
    (void)strcpy(order.run.accepts, "time-to-open set-up safety-test strike");
    order.run.setup_confirmed = order.run.control_at_maximum = true;
    int64_t run = harness_start(h, &order);
    struct verdict v = end_of(h, "A", run);
    ck_assert_msg(v.kind == VERDICT_UNDECIDED, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_msg(strstr(v.reason, "waits for its arc") != NULL, "%s", v.reason);
    ck_assert(harness_find_event(h, EVENT_NEVER_REACHED, "A", &never));
    ck_assert_double_eq_tol(never.values[0], 20, 2);
    ck_assert_int_eq(harness_count_events(h, EVENT_STRIKE, "A", -1), 0);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

START_TEST(a_reducing_device_hangs_on_a_fixed_bank)
{
    struct harness *h = bench_with(NULL);
    struct input_operator order = proof(h, "B", REDUCED, 1);
    (void)strcpy(order.run.accepts, "time-to-open set-up safety-test strike");
    order.run.strike = STRIKE_LEFT_OUT;
    int64_t run = harness_start(h, &order);
    struct verdict v = end_of(h, "B", run);
    ck_assert_msg(v.kind == VERDICT_UNDECIDED, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_int_eq(harness_count_events(h, EVENT_NEVER_REACHED, "B", -1), 1);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* ---- with ---- */

/* The masks that were closed, and before each of them the intent to. */
static void check_moves(struct harness *h, const char *channel, const uint32_t *masks, int count)
{
    struct told steps = told(h, channel, EVENT_STEPS), intents = told(h, channel, EVENT_INTENT);
    ck_assert_int_ge(steps.count, count);
    int from = intents.count - steps.count; /* the proof of the watchdog has an intent of its own */
    ck_assert_int_ge(from, 0);
    for (int i = 0; i < count; i++) {
        ck_assert_uint_eq((uint32_t)steps.all[steps.count - count + i].code, masks[i]);
        ck_assert_uint_eq((uint32_t)intents.all[intents.count - count + i].code, masks[i]);
        ck_assert_int_lt(intents.all[intents.count - count + i].seen_ns, steps.all[steps.count - count + i].seen_ns);
    }
}

static void check_started(struct harness *h, const char *channel, int times)
{
    struct told t = told(h, channel, EVENT_STRIKE);
    ck_assert_int_eq(t.count, times);
    for (int i = 0; i < times; i++) {
        ck_assert_int_eq(t.all[i].code, 1); /* at the first attempt */
        ck_assert_int_eq(t.all[i].code2, STRIKE_STARTED);
    }
}

START_TEST(a_strike_starts_the_lift_start)
{
    /* 0.16, 0.32 and 1.28 ohm make 0.0985 ohm, with the leads the 0.1025 ohm of 16.4 V at 160 A; 1.28 ohm of these
     * alone is the high one, these and 0.64 ohm the low one. */
    static const uint32_t masks[] = {0x0f, 0x08, 0x0b};
    struct harness *h = bench_with(NULL);
    struct input_operator order = proof(h, "A", LIFT, 2);
    unsigned worn = harness_truth(h, A).operations, broken = harness_truth(h, A).broken_live;
    int64_t run = harness_start(h, &order);
    struct verdict v = end_of(h, "A", run);
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_double_eq_tol(v.current_a, 160, 160 * 0.02);
    ck_assert_double_eq_tol(v.load_voltage_v, 10 + 0.04 * 160, 0.5); /* IEC 60974-1, TIG */
    ck_assert_int_eq(v.cycles_valid, 2);
    ck_assert_int_eq(v.cycles_void, 0);
    check_started(h, "A", 2);
    struct told strikes = told(h, "A", EVENT_STRIKE);
    ck_assert_double_eq_tol(strikes.all[0].values[STRIKE_LOW_A], 20, 2);
    ck_assert_double_gt(strikes.all[0].values[STRIKE_HIGH_V], 12);
    check_moves(h, "A", masks, 3);
    /* Kept out of the figures: what was commanded begins with the point's own steps; 240 s and the guard. */
    ck_assert_double_ge(v.at_rated_s, 240);
    ck_assert_double_le(v.commanded_s, 240 + 5 + 3);
    /* Wear, counted where it happens. In each cycle four contactors close, three open under current, two close, and
     * three open without. */
    ck_assert_uint_eq(harness_truth(h, A).operations - worn, 2 * (4 + 3 + 2 + 3));
    ck_assert_uint_eq(harness_truth(h, A).broken_live - broken, 2 * 3);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

START_TEST(a_strike_releases_the_reducing_device)
{
    struct harness *h = bench_with(NULL);
    struct input_operator order = proof(h, "B", REDUCED, 1);
    int64_t run = harness_start(h, &order);
    struct verdict v = end_of(h, "B", run);
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    check_started(h, "B", 1);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

static void by_release(struct config *c)
{
    c->bench.channels[A].load.strike.released = true;
    c->bench.channels[A].load.breaks_dc_v = c->bench.channels[A].load.breaks_a = 0;
}

static const char remembers[] = "touch_s: 0.2, remember_s: 5}";

/* Contactors that may break nothing: the torch switch is released while the steps change. A unit that remembers the
 * touch starts; no opening is under current. */
START_TEST(with_the_torch_switch_released_no_current_is_broken)
{
    static char text[32768];
    char path[PATH_CAP];
    FILE *f = fopen(harness_source_path(path, "config/examples/lift-start-scenario.yaml"), "r");
    ck_assert_ptr_nonnull(f);
    size_t n = fread(text, 1, sizeof text - 64, f);
    ck_assert_int_eq(fclose(f), 0);
    text[n] = '\0';
    char *at = strstr(text, "touch_s: 0.2}");
    ck_assert_ptr_nonnull(at);
    memmove(at + sizeof remembers - 1, at + strlen("touch_s: 0.2}"), strlen(at + strlen("touch_s: 0.2}")) + 1);
    memcpy(at, remembers, sizeof remembers - 1);
    struct harness_setup setup = {.bench = "config/examples/lift-start", .edit = by_release, .scenario = text};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    struct input_operator order = proof(h, "A", LIFT, 1);
    int64_t run = harness_start(h, &order);
    struct verdict v = end_of(h, "A", run);
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    check_started(h, "A", 1);
    ck_assert_uint_eq(harness_truth(h, A).broken_live, 0);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

static void breaks_nothing(struct config *c)
{
    c->bench.channels[A].load.breaks_dc_v = c->bench.channels[A].load.breaks_a = 0;
}

START_TEST(contactors_that_may_break_nothing_are_refused)
{
    struct harness *h = bench_with(breaks_nothing);
    char words[TEXT_CAP] = "";
    struct input_operator order = proof(h, "A", LIFT, 1);
    order.run.run_no = runtime_next_run_no(h->rt);
    ck_assert_int_eq(harness_order(h, &order, words), 1);
    ck_assert_msg(strstr(words, "opens steps while current flows") != NULL, "%s", words);
    harness_free(h);
}
END_TEST

/* The strike is counted as heat: after `setting` the rest is as long as setting and strike together ask for. */
START_TEST(setting_begins_by_a_strike_too)
{
    struct harness *h = bench_with(NULL);
    struct input_operator order = proof(h, "A", LIFT, 1);
    order.run.setting = true;
    int64_t run = harness_start(h, &order);
    harness_run_for(h, 30 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_SETTING));
    ck_assert_double_gt(harness_truth(h, A).i2_a, 150);
    struct input_operator set = {.verb = VERB_SET, .channel = A, .device = -1};
    ck_assert_int_eq(harness_order(h, &set, NULL), 0);
    struct verdict v = end_of(h, "A", run);
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    check_started(h, "A", 2);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* ---- it does not start ---- */

static void too_low(struct config *c)
{
    c->bench.channels[A].load.strike.high.resistance_ohm = 0.2; /* 20 A make 4 V of it */
    c->bench.channels[A].load.strike.high.for_ns = H_SECOND;
}

START_TEST(a_strike_that_does_not_start_it_ends_after_its_attempts)
{
    struct harness *h = bench_with(too_low);
    struct input_operator order = proof(h, "A", LIFT, 1);
    order.run.setup_confirmed = order.run.control_at_maximum = true;
    int64_t run = harness_start(h, &order);
    struct verdict v = end_of(h, "A", run);
    ck_assert_msg(v.kind == VERDICT_UNDECIDED, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_msg(strstr(v.reason, "strike tried 3 times") != NULL, "%s", v.reason);
    struct told t = told(h, "A", EVENT_STRIKE);
    ck_assert_int_eq(t.count, 3);
    for (int i = 0; i < 3; i++) {
        ck_assert_int_eq(t.all[i].code, i + 1);
        ck_assert_int_eq(t.all[i].code2, STRIKE_NOT_STARTED);
        /* rest between them: 5 s */
        ck_assert(i == 0 || t.all[i].seen_ns - t.all[i - 1].seen_ns > 5 * H_SECOND);
    }
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* ---- something goes wrong at a move ---- */

/* Feedback shows this mask on A for the first time. */
struct moment {
    uint32_t mask;
};

static bool at_moment(struct harness *h, void *ctx)
{
    const struct moment *m = ctx;
    return harness_truth(h, A).closed_mask == m->mask && harness_truth(h, A).i2_a > 1;
}

static void go_to(struct harness *h, int64_t *run, uint32_t mask)
{
    struct moment m = {mask};
    struct input_operator order = proof(h, "A", LIFT, 1);
    *run = harness_start(h, &order);
    ck_assert(harness_run_until(h, at_moment, &m, 2 * H_MINUTE));
}

static const uint32_t low_high_final[] = {0x0f, 0x08, 0x0b};

START_TEST(emergency_stop_at_each_move)
{
    struct harness *h = bench_with(NULL);
    int64_t run;
    go_to(h, &run, low_high_final[_i]);
    harness_happen(h, "{do: press-estop}");
    harness_run_for(h, 3 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", INTERLOCK_ESTOP), 1);
    struct verdict v = end_of(h, "A", run);
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(v.cause, CAUSE_BENCH_INTERLOCK);
    ck_assert_double_lt(harness_truth(h, A).i2_a, 0.1);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

START_TEST(link_lost_at_each_move)
{
    struct harness *h = bench_with(NULL);
    int64_t run;
    go_to(h, &run, low_high_final[_i]);
    for (int b = 0; b < h->config->bench.bus_count; b++)
        if (strcmp(h->config->bench.bus_names[b], "rack") == 0)
            h->bus_gone[b] = true;
    struct verdict v;
    harness_run_for(h, 60 * H_SECOND); /* the controller's own watchdog: 45 s */
    ck_assert_uint_eq(harness_truth(h, A).closed_mask, 0);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* A contactor does not follow: at low it does not close, at high one of low's is welded, at the end one of the point's
 * does not close. */
START_TEST(a_contactor_sticks_at_each_move)
{
    static const char *const faults[] = {"{do: stick-open, channel: A, step: 2}", "{do: weld, channel: A, step: 2}",
                                         "{do: stick-open, channel: A, step: 0}"}; /* counted from 0 */
    struct harness *h = bench_with(NULL);
    struct input_operator order = proof(h, "A", LIFT, 1);
    struct verdict v;
    struct moment high = {low_high_final[1]};
    if (_i == 0)
        harness_happen(h, faults[0]);
    int64_t run = harness_start(h, &order);
    if (_i == 1) {
        struct moment low = {low_high_final[0]};
        ck_assert(harness_run_until(h, at_moment, &low, 2 * H_MINUTE));
        harness_happen(h, faults[1]);
    } else if (_i == 2) {
        ck_assert(harness_run_until(h, at_moment, &high, 2 * H_MINUTE));
        harness_happen(h, faults[2]);
    }
    harness_run_for(h, 2 * H_MINUTE);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", INTERLOCK_NOT_CLOSED), 1);
    ck_assert_double_lt(harness_truth(h, A).i2_a,
                        0.1); /* a welded one: the torch switch, and the unit's supply is tripped */
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* The record is slow in the middle of it: what is closed may not stay so, and the attempt counts as one. */
START_TEST(a_record_that_stops_at_each_move)
{
    struct harness *h = bench_with(NULL);
    int64_t run;
    go_to(h, &run, low_high_final[_i]);
    h->disk_fails = true;
    harness_run_for(h, 30 * H_SECOND);
    ck_assert_uint_eq(harness_truth(h, A).closed_mask, 0);
    ck_assert_double_lt(harness_truth(h, A).i2_a, 0.1);
    h->disk_fails = false;
    harness_run_for(h, 30 * H_SECOND);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

START_TEST(ended_by_the_operator_at_each_move)
{
    struct harness *h = bench_with(NULL);
    int64_t run;
    go_to(h, &run, low_high_final[_i]);
    struct input_operator end = {.verb = VERB_END, .channel = A, .device = -1};
    harness_order_done(h, &end, 30 * H_SECOND, NULL);
    struct verdict v = end_of(h, "A", run);
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(v.cause, CAUSE_OPERATOR);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("strike");
    TCase *t = tcase_create("strike");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, a_lift_start_hangs_on_a_fixed_bank);
    tcase_add_test(t, a_reducing_device_hangs_on_a_fixed_bank);
    tcase_add_test(t, a_strike_starts_the_lift_start);
    tcase_add_test(t, a_strike_releases_the_reducing_device);
    tcase_add_test(t, with_the_torch_switch_released_no_current_is_broken);
    tcase_add_test(t, contactors_that_may_break_nothing_are_refused);
    tcase_add_test(t, setting_begins_by_a_strike_too);
    tcase_add_test(t, a_strike_that_does_not_start_it_ends_after_its_attempts);
    tcase_add_loop_test(t, emergency_stop_at_each_move, 0, 3);
    tcase_add_loop_test(t, link_lost_at_each_move, 0, 3);
    tcase_add_loop_test(t, a_contactor_sticks_at_each_move, 0, 3);
    tcase_add_loop_test(t, a_record_that_stops_at_each_move, 0, 3);
    tcase_add_loop_test(t, ended_by_the_operator_at_each_move, 0, 3);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
