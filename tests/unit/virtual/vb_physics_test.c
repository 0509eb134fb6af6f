/* The simulated physics against closed forms and published limits. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "suite_run.h"
#include "vb_fixture.h"

#define MAINS "voltage_v: 230"
/* One thermal node: 100 W of heat with the output on and no other loss, 10 W/K, 6000 J/K: tau 600 s, rise 10 K. */
#define ONE_NODE                                                                                                \
    "output: cc, set_a: 100, ref_v: 10, losses: {idle_w: 0, on_w: 100, per_a_w: 0, per_a2_w: 0}, fan: {w: 0}, " \
    "thermal: {c_a: 6000, c_b: 0, g_fan: 10, g_still: 10}"

START_TEST(single_node_heats_as_the_exponential)
{
    struct vbench *vb = one_channel(ONE_NODE, MAINS, "");
    beat_until(vb, 1);
    ck_assert_int_eq(write_coil(vb, 1, TRIGGER_A, true), 0);
    double from = 1.02; /* the trigger relay's travel */
    for (int minute = 5; minute <= 60; minute += 5) {
        beat_until(vb, 60 * minute);
        double want = 20 + 10 * (1 - exp(-(60 * minute - from) / 600));
        ck_assert_double_eq_tol(state_of(vb, "A").t_a_degc, want, 1e-3);
    }
    vbench_free(vb);
}
END_TEST

/* Textbook periodic solution of a first-order body: tau 10 min, cycle 10 min, on 35 %: peak 0.467176563, trough
 * 0.243887552, mid-load 0.365276097 of the continuous rise. */
START_TEST(single_node_settles_to_the_periodic_solution)
{
    struct vbench *vb = one_channel(ONE_NODE, MAINS, "");
    for (int cycle = 0; cycle < 30; cycle++) {
        double t = 600 * cycle;
        beat_until(vb, t);
        if (cycle == 29)
            ck_assert_double_eq_tol(state_of(vb, "A").t_a_degc, 20 + 2.43887552, 2e-3);
        write_coil(vb, 1, TRIGGER_A, true);
        beat_until(vb, t + 105);
        if (cycle == 29)
            ck_assert_double_eq_tol(state_of(vb, "A").t_a_degc, 20 + 3.65276097, 2e-3);
        beat_until(vb, t + 210);
        if (cycle == 29)
            ck_assert_double_eq_tol(state_of(vb, "A").t_a_degc, 20 + 4.67176563, 2e-3);
        write_coil(vb, 1, TRIGGER_A, false);
    }
    vbench_free(vb);
}
END_TEST

/* Two nodes in equilibrium: heat q enters a, all of it goes a -> b -> air. Series conductances. */
START_TEST(two_nodes_reach_their_steady_state)
{
    struct vbench *vb = one_channel("output: cc, set_a: 100, ref_v: 10, losses: {idle_w: 0, on_w: 100, per_a_w: 0, "
                                    "per_a2_w: 0}, fan: {w: 0}, "
                                    "thermal: {c_a: 500, c_b: 1000, g_ab: 20, g_fan: 5, share_a: 0.6}",
                                    MAINS, "");
    write_register(vb, 1, BEAT, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 7200);
    ck_assert_double_eq_tol(state_of(vb, "A").t_b_degc, 20 + 100.0 / 5, 1e-3);
    ck_assert_double_eq_tol(state_of(vb, "A").t_a_degc, 20 + 100.0 / 5 + 60.0 / 20, 1e-3);
    vbench_free(vb);
}
END_TEST

START_TEST(ohms_law_holds_at_the_bank)
{
    struct vbench *vb = one_channel("output: cc, set_a: 150, ref_v: 16", MAINS, "");
    write_register(vb, 1, BEAT, 1);
    ck_assert_int_eq(write_register(vb, 1, STEPS_A, 3), 0);
    ck_assert_int_eq(write_coil(vb, 1, TRIGGER_A, true), 0);
    beat_until(vb, 5);
    struct vbench_channel_state s = state_of(vb, "A");
    ck_assert_uint_eq(s.closed_mask, 3);
    ck_assert_double_eq_tol(s.load_ohm, 0.1 * 0.2 / 0.3, 1e-12);
    ck_assert_double_eq_tol(s.i2_a, 150, 1e-6);
    ck_assert_double_eq_tol(s.u2_v, 150 * 0.2 / 3, 1e-6);
    /* The source cannot give more than its no-load voltage drives through everything. */
    write_register(vb, 1, STEPS_A, 0);
    beat_until(vb, 6);
    ck_assert_double_eq_tol(state_of(vb, "A").u2_v, 65, 1e-9);
    ck_assert_double_eq(state_of(vb, "A").i2_a, 0);
    vbench_free(vb);
}
END_TEST

START_TEST(constant_voltage_output_follows_its_droop)
{
    struct vbench *vb = one_channel("output: cv, set_v: 28, droop_ohm: 0.02, no_load_v: 36", MAINS, "");
    write_register(vb, 1, BEAT, 1);
    write_register(vb, 1, STEPS_A, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 5);
    ck_assert_double_eq_tol(state_of(vb, "A").i2_a, 28 / 0.12, 1e-6);
    ck_assert_double_eq_tol(state_of(vb, "A").u2_v, 28 / 1.2, 1e-6);
    vbench_free(vb);
}
END_TEST

/* Constant power behind a loop resistance: U1 = (E + sqrt(E^2 - 4 R P / pf)) / 2. */
START_TEST(supply_sags_as_constant_power_demands)
{
    struct vbench *vb =
        one_channel("output: cc, set_a: 150, ref_v: 10, power_factor: 0.7, losses: {idle_w: 0, on_w: 0, "
                    "per_a_w: 0, per_a2_w: 0}, fan: {w: 0}",
                    "voltage_v: 230, loop_ohm: 0.8", "");
    write_register(vb, 1, BEAT, 1);
    write_register(vb, 1, STEPS_A, 3);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 20);
    double p = 150 * 150 * 0.2 / 3, u1 = (230 + sqrt(230 * 230 - 4 * 0.8 * p / 0.7)) / 2;
    ck_assert_double_eq_tol(state_of(vb, "A").u1_v, u1, 1e-3);
    ck_assert_double_eq_tol(state_of(vb, "A").i1_a, p / 0.7 / u1, 1e-3);
    vbench_free(vb);
}
END_TEST

/* Seconds until the breaker opens with a multiple of its rated current of 16 A, from `heat`; -1: not in an hour. */
static double trip_after(double multiple, double heat)
{
    char unit[300], circuit[200];
    snprintf(unit, sizeof unit,
             "output: cc, set_a: 100, ref_v: 10, power_factor: 1, losses: {idle_w: %.3f, on_w: 0}, fan: {w: 0}, "
             "thermal: {c_a: 1e9}",
             230 * 16 * multiple);
    snprintf(circuit, sizeof circuit, "voltage_v: 230, breaker: {rated_a: 16, curve: C, heat: %.6f}", heat);
    struct vbench *vb = one_channel(unit, circuit, "");
    const struct vbench_happening *h = NULL;
    for (int s = 1; s <= 3600 && !h; s++) {
        vbench_advance(vb, s * SECOND);
        h = happened(vb, VBENCH_TRIP_BREAKER);
        if (!h)
            h = happened(vb, VBENCH_TRIP_BREAKER_FAST);
    }
    double at = h ? (double)h->at_ns / 1e9 : -1;
    vbench_free(vb);
    return at;
}

/* IEC 60898-1 up to 63 A, as two secondary texts tabulate it: 1.13 In cold must not trip within 1 h; 1.45 In straight
 * after it must trip within 1 h; 2.55 In cold trips in 1 to 60 s (up to 32 A); curve C must not trip at once at 5 In
 * (0.1 s) and must at 10 In. */
START_TEST(breaker_stays_within_the_standard)
{
    ck_assert_double_lt(trip_after(1.13, 0), 0);
    double at = trip_after(1.45, 1.13 * 1.13);
    ck_assert(at > 0 && at < 3600);
    at = trip_after(2.55, 0);
    ck_assert(at >= 1 && at <= 60);
    at = trip_after(5, 0);
    ck_assert(at > 0.1);
    at = trip_after(10, 0);
    ck_assert(at >= 0 && at <= 0.1);
}
END_TEST

START_TEST(breaker_keeps_its_heat_from_the_last_run)
{
    ck_assert_double_lt(trip_after(1.6, 1.2), 0.6 * trip_after(1.6, 0));
}
END_TEST

/* A lead of 6 mohm at 150 A: 135 W, 2 K/W, tau 600 s. */
START_TEST(lead_heats_and_burns_open)
{
    struct vbench *vb = bench_from("scenario: lead\nroom: {t_degc: 20}\n"
                                   "circuits: [{name: c1}]\nunits: [{serial: U, set_a: 150, ref_v: 10}]\n"
                                   "channels: [{name: A, unit: U, circuit: c1, steps: [{ohm: 0.1}],\n"
                                   "  lead: {ohm: 0.006, k_per_w: 2, tau_s: 600, alpha: 0, burn_degc: 200}}]\n"
                                   "buses: [{name: rack}]\n"
                                   "devices: [{name: bank, bus: rack, channels: [A], kind: stepped-bank}]\n");
    write_register(vb, 1, BEAT, 1);
    write_register(vb, 1, STEPS_A, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 300);
    ck_assert_double_eq_tol(state_of(vb, "A").t_lead_degc, 20 + 270 * (1 - exp(-0.5)), 0.1);
    ck_assert_double_eq_tol(state_of(vb, "A").u2_v - state_of(vb, "A").u_bank_v, 0.9, 1e-3);
    beat_until(vb, 900);
    const struct vbench_happening *h = happened(vb, VBENCH_TRIP_LEAD_OPEN);
    ck_assert_ptr_nonnull(h);
    ck_assert_double_eq_tol((double)h->at_ns / 1e9, -600 * log(1 - 180.0 / 270), 1);
    ck_assert_double_eq_tol(state_of(vb, "A").u2_v, 65, 1e-6); /* the unit shows its no-load voltage */
    ck_assert_double_eq_tol(state_of(vb, "A").u_bank_v, 0, 1e-6);
    vbench_free(vb);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: physics");
    TCase *t = tcase_create("physics");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, single_node_heats_as_the_exponential);
    tcase_add_test(t, single_node_settles_to_the_periodic_solution);
    tcase_add_test(t, two_nodes_reach_their_steady_state);
    tcase_add_test(t, ohms_law_holds_at_the_bank);
    tcase_add_test(t, constant_voltage_output_follows_its_droop);
    tcase_add_test(t, supply_sags_as_constant_power_demands);
    tcase_add_test(t, breaker_stays_within_the_standard);
    tcase_add_test(t, breaker_keeps_its_heat_from_the_last_run);
    tcase_add_test(t, lead_heats_and_burns_open);
    suite_add_tcase(s, t);
    return suite_run(s);
}
