/* Numbers that stand still, both ways: what is in doubt and what is only quiet; and a controller that tells its restart
 * by its uptime. Through the whole chain on the virtual bench, on the bench of fault_table_test. Limits:
 * docs/judgement.md, common practice, no published source. */
#include <check.h>
#include <stdio.h>
#include <string.h>

#include "harness.h"
#include "suite_run.h"

static const char scenario[] =
    "scenario: still\nseed: %d\nepoch_s: 1767600000\nrate: 1\nroom: {t_degc: 22}\n"
    "circuits:\n  - {name: c1, voltage_v: 230, loop_ohm: 0.25, breaker: {rated_a: 32, curve: C}}\n"
    "units:\n  - serial: HQ-0147\n    control: trigger\n    set_a: 161\n    ref_v: 16.4\n    slope_a_per_v: 0.1\n"
    "    no_load_v: 72\n    losses: {idle_w: 20, on_w: 60, per_a_w: 1.5, per_a2_w: 0.012}\n"
    "    thermal: {c_a: 2140, c_b: 4290, g_ab: 14.3, g_fan: 6.43, g_still: 1.5, share_a: 0.7}\n"
    "channels:\n  - name: A\n    unit: HQ-0147\n    circuit: c1\n    lead: {ohm: 0.0039}\n"
    "    steps: [{ohm: 0.16, power_w: 12000}, {ohm: 0.32, power_w: 6000}, {ohm: 0.64, power_w: 3000},\n"
    "            {ohm: 1.28, power_w: 1500}, {ohm: 2.56, power_w: 750}]\n"
    "buses:\n  - {name: rack, kind: modbus-rtu, baud: 115200}\n  - {name: supply, kind: modbus-rtu, baud: 19200}\n"
    "  - {name: leads, kind: modbus-rtu, baud: 19200}\n"
    "devices:\n  - {name: bank, bus: rack, server: 1, kind: stepped-bank, channels: [A], watchdog: {after_s: 10},\n"
    "     meters: {%s}}\n"
    "  - {name: supply1, bus: supply, server: 1, kind: supply-meter, of: c1, meters: {%s}}\n"
    "  - {name: scanner, bus: leads, server: 3, kind: thermocouple-scanner, inputs: [A.t_lead],\n"
    "     meters: {refresh_s: 1, noise: 0.05, resolution: 0.1}}\n";

static const char noisy[] = "refresh_s: 0.2, averaging_s: 0.2, noise_of_reading: 0.0005, resolution: 0.01";
static const char noisy_supply[] = "refresh_s: 0.5, averaging_s: 0.5, noise_of_reading: 0.001";

struct bench_of {
    int64_t refresh_ns; /* of i2 and u2; 0: as it is */
};

static void own_limits(struct config *config, void *ctx)
{
    const struct bench_of *of = ctx;
    struct bench *b = &config->bench;
    b->limits.beat_ns = H_SECOND / 2;
    b->limits.lease_ns = 2 * H_SECOND;
    for (int i = 0; i < b->signal_count; i++)
        if (of->refresh_ns > 0 && (b->signals[i].kind == SIG_I2 || b->signals[i].kind == SIG_U2)) {
            b->signals[i].refresh_ns = of->refresh_ns;
            b->signals[i].stale_after_ns = 4 * of->refresh_ns;
        }
}

static struct harness *bench_with(int seed, const char *bank, const char *supply, int64_t refresh_ns)
{
    char text[4096];
    struct bench_of of = {refresh_ns};
    ck_assert_int_lt(snprintf(text, sizeof text, scenario, seed, bank, supply), (int)sizeof text);
    struct harness *h = harness_new(&(struct harness_setup){
        .bench = "tests/faults/fault-bench", .scenario = text, .edit_for = own_limits, .edit_ctx = &of});
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    return h;
}

static void start(struct harness *h, enum procedure procedure)
{
    struct input_operator a = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, procedure);
    a.run.soak_ns = H_HOUR / 2;
    a.run.cap_ns = 9 * H_MINUTE;
    a.run.consent_past_rating = true;
    text_copy(a.run.accepts, sizeof a.run.accepts, "time-to-open protection start");
    harness_start(h, &a);
}

static int doubts(struct harness *h)
{
    return harness_count_events(h, EVENT_METER_DOUBT, NULL, -1);
}

/* Meters that are quiet for a good reason: half an hour without a doubt. */
static const struct {
    const char *name, *bank, *supply;
    double refresh_s;
} quiet[] = {
    {"noise of many digits", noisy, noisy_supply, 0},
    {"no noise at all", "refresh_s: 0.2, resolution: 0.01", "refresh_s: 0.5", 0},
    {"a last digit that flickers now and then", "refresh_s: 0.2, noise: 0.02, resolution: 0.1",
     "refresh_s: 0.5, noise: 0.3, resolution: 1", 0},
    {"coarse: whole amperes and tenths of a volt", "refresh_s: 0.2, noise: 0.3, resolution: 1",
     "refresh_s: 0.5, noise: 0.5, resolution: 1", 0},
    {"slow to make a new value", "refresh_s: 2, averaging_s: 2, noise_of_reading: 0.001, resolution: 0.01",
     noisy_supply, 2},
    {"damped", "refresh_s: 0.1, damping_s: 0.3, noise: 0.02, resolution: 0.01", noisy_supply, 0},
};

START_TEST(what_is_only_quiet_is_in_no_doubt)
{
    for (int seed = 1; seed <= 3; seed++) {
        struct harness *h = bench_with(seed, quiet[_i].bank, quiet[_i].supply, (int64_t)(quiet[_i].refresh_s * 1e9));
        start(h, PROCEDURE_SOAK);
        harness_run_for(h, H_HOUR / 2 + 10 * H_MINUTE);
        struct event e = {.text = ""};
        (void)harness_last_event(h, EVENT_METER_DOUBT, NULL, NULL, &e);
        ck_assert_msg(doubts(h) == 0, "%s, seed %d: %s", quiet[_i].name, seed, e.text);
        ck_assert_int_eq(harness_count_events(h, EVENT_INTERLOCK, "A", -1), 0);
        harness_free(h);
    }
}
END_TEST

/* Noise that is gone: told once, and told again when it happens again. */
START_TEST(noise_that_is_gone_is_told_once)
{
    struct harness *h = bench_with(1, noisy, noisy_supply, 0);
    struct event e;
    start(h, PROCEDURE_SOAK);
    harness_run_for(h, H_MINUTE);
    harness_happen(h, "{do: fault, kind: frozen, device: supply1, for_s: 60}");
    harness_run_for(h, 20 * H_SECOND);
    ck_assert_int_eq(doubts(h), 0); /* not in a hurry: 24 readings, a second apart */
    harness_run_for(h, 50 * H_SECOND);
    int told = doubts(h); /* voltage and current of the supply, once each */
    ck_assert_int_eq(told, 2);
    ck_assert(harness_last_event(h, EVENT_METER_DOUBT, "A", "u1 has read the same", &e));
    harness_run_for(h, 70 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    ck_assert_int_eq(doubts(h), told);
    harness_free(h);
}
END_TEST

/* The load is closed, and a meter saw nothing of it. */
START_TEST(a_switching_that_was_not_seen_is_a_doubt)
{
    struct harness *h = bench_with(1, noisy, "refresh_s: 0.5, resolution: 0.01", 0);
    struct event e;
    harness_happen(h, "{do: fault, kind: stuck, device: supply1, table: input, register: 22}"); /* current of c1 */
    start(h, PROCEDURE_SOAK);
    harness_run_for(h, H_MINUTE);
    ck_assert_int_eq(doubts(h), 1);
    ck_assert(harness_last_event(h, EVENT_METER_DOUBT, "A", "i1 has read the same", &e));
    ck_assert_ptr_nonnull(strstr(e.text, "load was closed"));
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD)); /* informative: told, no more */
    harness_free(h);
}
END_TEST

/* i2 that does not follow the load: safety. */
START_TEST(a_current_that_does_not_follow_is_told)
{
    struct harness *h = bench_with(1, noisy, noisy_supply, 0);
    struct event e;
    harness_happen(h, "{do: fault, kind: stuck, device: bank, table: input, register: 21}");
    start(h, PROCEDURE_SOAK);
    harness_run_for(h, H_MINUTE);
    ck_assert(harness_last_event(h, EVENT_METER_DOUBT, "A", "i2 has read the same", &e));
    ck_assert(!harness_in_state(h, "A", STATE_ON_LOAD));
    harness_free(h);
}
END_TEST

/* A bank that takes kilowatts for minutes and gets no warmer: look at its sensor. Told, not opened: temperatures may
 * stand still, and the hard-wired thermostat is there. */
START_TEST(a_bank_that_gets_no_warmer_is_told)
{
    for (int stuck = 0; stuck <= 1; stuck++) {
        struct harness *h = bench_with(1, noisy, noisy_supply, 0);
        struct event e;
        if (stuck)
            harness_happen(h, "{do: fault, kind: stuck, device: bank, table: input, register: 10}");
        start(h, PROCEDURE_TO_CUTOUT);
        harness_run_for(h, 8 * H_MINUTE);
        ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
        ck_assert_int_eq(doubts(h), stuck);
        ck_assert(!stuck || harness_last_event(h, EVENT_METER_DOUBT, "A", "t_bank has read the same", &e));
        harness_free(h);
    }
}
END_TEST

/* ---- a controller that counts its uptime in place of its starts ---- */

static void count_uptime(struct config *c, void *ctx)
{
    own_limits(c, ctx);
    for (int d = 0; d < c->bench.device_count; d++) {
        struct device_map *m = &c->maps[c->devices[d].map];
        if (!c->bench.devices[d].is_load)
            continue;
        struct map_point *p = &m->points[m->power_up_point];
        p->register_ = 12; /* the virtual controller's uptime, u32 in seconds */
        p->type = TYPE_U32;
        m->power_up_kind = POWER_UP_UPTIME;
    }
}

static struct harness *with_uptime(void)
{
    static struct bench_of of;
    struct harness *h = harness_soaking(
        &(struct harness_setup){.bench = "tests/faults/fault-bench", .edit_for = count_uptime, .edit_ctx = &of},
        H_MINUTE);
    return h;
}

START_TEST(an_uptime_that_begins_anew_voids_the_proof)
{
    struct harness *h = with_uptime();
    struct event e;
    char words[TEXT_CAP];
    harness_happen(h, "{do: power-cycle, device: bank}");
    harness_run_for(h, 20 * H_SECOND);
    ck_assert(harness_last_event(h, EVENT_LINK, NULL, "the proof of its watchdog is void", &e));
    ck_assert_int_eq(e.code, 1);
    ck_assert(harness_in_state(h, "A", STATE_LOCKED));
    struct input_operator reset = {.verb = VERB_RESET, .channel = 0, .device = -1};
    text_copy(reset.text, sizeof reset.text, "controller had lost its supply");
    harness_order_done(h, &reset, H_MINUTE, NULL);
    harness_rig(h, "A");
    struct input_operator again = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    ck_assert_int_eq(harness_order(h, &again, words), 1);
    ck_assert_msg(strstr(words, "watchdog") != NULL, "%s", words);
    harness_free(h);
}
END_TEST

/* The line was lost and is back, and the controller has been up all the time: what was proved holds. */
START_TEST(an_uptime_that_goes_on_keeps_the_proof)
{
    struct harness *h = with_uptime();
    struct event e;
    harness_happen(h, "{do: fault, kind: silence, device: bank, for_s: 8}");
    harness_run_for(h, 30 * H_SECOND);
    ck_assert(harness_last_event(h, EVENT_LINK, NULL, "bank up", &e));
    ck_assert_ptr_null(strstr(e.text, "void"));
    ck_assert(harness_last_event(h, EVENT_LINK, NULL, "bank lost", &e));
    ck_assert(!harness_last_event(h, EVENT_LINK, NULL, "void", &e));
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("numbers that stand still");
    TCase *t = tcase_create("still");
    tcase_set_timeout(t, 300);
    tcase_add_loop_test(t, what_is_only_quiet_is_in_no_doubt, 0, (int)(sizeof quiet / sizeof quiet[0]));
    tcase_add_test(t, noise_that_is_gone_is_told_once);
    tcase_add_test(t, a_switching_that_was_not_seen_is_a_doubt);
    tcase_add_test(t, a_current_that_does_not_follow_is_told);
    tcase_add_test(t, a_bank_that_gets_no_warmer_is_told);
    tcase_add_test(t, an_uptime_that_begins_anew_voids_the_proof);
    tcase_add_test(t, an_uptime_that_goes_on_keeps_the_proof);
    suite_add_tcase(s, t);
    return suite_run(s);
}
