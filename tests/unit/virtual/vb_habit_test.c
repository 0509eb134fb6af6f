/* Habits of real units (common practice, no published source): each leaves its own trace in current and voltage. */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "suite_run.h"
#include "vb_fixture.h"

#define MAINS "voltage_v: 230"

static struct vbench *loaded(const char *unit, const char *circuit, unsigned mask)
{
    struct vbench *vb = one_channel(unit, circuit, "");
    write_register(vb, 1, BEAT, 1);
    write_coil(vb, 1, FAN, true);
    ck_assert_int_eq(write_register(vb, 1, STEPS_A, (int)mask), 0);
    ck_assert_int_eq(write_coil(vb, 1, TRIGGER_A, true), 0);
    return vb;
}

#define AT(what) (state_of(vb, "A").what)

START_TEST(hot_start_and_up_slope)
{
    struct vbench *vb = loaded("set_a: 100, ref_v: 10, hot_start: {factor: 1.4, for_s: 1}", MAINS, 1);
    beat_until(vb, 0.6);
    ck_assert_double_eq_tol(AT(i2_a), 140, 1e-3);
    beat_until(vb, 2);
    ck_assert_double_eq_tol(AT(i2_a), 100, 1e-3);
    vbench_free(vb);
    vb = loaded("set_a: 100, ref_v: 10, up_slope_s: 2", MAINS, 1);
    beat_until(vb, 1.06);
    ck_assert_double_eq_tol(AT(i2_a), 50, 3);
    vbench_free(vb);
}
END_TEST

START_TEST(cut_out_with_hysteresis_resets_by_itself)
{
    struct vbench *vb = loaded("set_a: 150, ref_v: 15, thermal: {c_a: 300, c_b: 600, g_ab: 10, g_fan: 5}, "
                               "cutout: {trip_degc: 80, reset_degc: 60}",
                               MAINS, 1);
    for (int s = 1; s < 1200 && !AT(cut_out); s++)
        beat_until(vb, s);
    ck_assert(AT(cut_out));
    beat_until(vb, (double)vbench_elapsed_ns(vb) / 1e9 + 2);
    ck_assert_double_eq(AT(i2_a), 0);
    ck_assert(AT(lamp));
    ck_assert_double_gt(AT(u1_v), 229);
    ck_assert_double_gt(AT(i1_a), 0.1); /* fan and electronics stay on */
    bool seen_low = false;
    for (int s = 1; s < 3600 && AT(cut_out); s++) {
        beat_until(vb, (double)vbench_elapsed_ns(vb) / 1e9 + 1);
        seen_low = seen_low || AT(t_a_degc) < 60.5;
    }
    ck_assert(seen_low);
    beat_until(vb, (double)vbench_elapsed_ns(vb) / 1e9 + 1);
    ck_assert_double_gt(AT(i2_a), 149);
    vbench_free(vb);
}
END_TEST

START_TEST(thermostat_in_the_primary_takes_the_fan_along)
{
    struct vbench *vb = loaded("set_a: 150, ref_v: 15, thermal: {c_a: 300, c_b: 600, g_ab: 10, g_fan: 5}, "
                               "cutout: {trip_degc: 80, reset_degc: 60, primary: true}",
                               MAINS, 1);
    for (int s = 1; s < 1200 && !AT(cut_out); s++)
        beat_until(vb, s);
    beat_until(vb, (double)vbench_elapsed_ns(vb) / 1e9 + 2);
    ck_assert_double_eq(AT(i1_a), 0);
    ck_assert(!AT(lamp));
    vbench_free(vb);
}
END_TEST

START_TEST(voltage_reducing_device)
{
    struct vbench *vb =
        loaded("set_a: 100, ref_v: 10, no_load_v: 70, vrd: {low_v: 12, release_ohm: 200, delay_s: 0.3}", MAINS, 1);
    beat_until(vb, 2);
    ck_assert_double_eq_tol(AT(i2_a), 100, 1e-6); /* the bank releases it */
    vbench_do(vb, "{do: lead-open, channel: A}", NULL);
    vbench_advance(vb, 2200 * SECOND / 1000);
    ck_assert_double_eq_tol(AT(u2_v), 70, 1e-6); /* no-load voltage for a moment */
    beat_until(vb, 4);
    ck_assert_double_eq_tol(AT(u2_v), 12, 1e-6);
    ck_assert_double_eq(vbench_probe(vb, "A.u2_peak"), 70); /* the latched peak remembers it for two seconds */
    vbench_free(vb);
}
END_TEST

START_TEST(anti_stick_takes_both_to_zero)
{
    struct vbench *vb =
        loaded("set_a: 100, ref_v: 10, control: always-live, anti_stick: {below_v: 8, after_s: 1.2}", MAINS, 1);
    beat_until(vb, 5);
    ck_assert_double_eq_tol(AT(i2_a), 100, 1e-6);
    vbench_do(vb, "{do: lead-short, channel: A}", NULL);
    beat_until(vb, 6);
    ck_assert_double_lt(AT(u2_v), 1);
    ck_assert_double_ge(AT(i2_a), 100 - 1e-6);
    beat_until(vb, 7);
    ck_assert_double_eq_tol(AT(i2_a), 0, 1e-6);
    ck_assert_int_eq(AT(last_trip), VBENCH_TRIP_ANTI_STICK);
    vbench_free(vb);
}
END_TEST

START_TEST(arc_loss_waits_for_the_trigger)
{
    struct vbench *vb = loaded("set_a: 100, ref_v: 10, arc_loss: {after_s: 0.4}", MAINS, 1);
    beat_until(vb, 3);
    vbench_do(vb, "{do: lead-open, channel: A}", NULL);
    vbench_advance(vb, 3200 * SECOND / 1000);
    ck_assert_double_eq_tol(AT(u2_v), 65, 1e-6);
    beat_until(vb, 5);
    ck_assert_double_eq_tol(AT(u2_v), 0, 1e-6);
    vbench_do(vb, "{do: lead-mend, channel: A}", NULL);
    beat_until(vb, 6);
    ck_assert_double_eq(AT(i2_a), 0);
    write_coil(vb, 1, TRIGGER_A, false);
    beat_until(vb, 7);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 8);
    ck_assert_double_eq_tol(AT(i2_a), 100, 1e-6);
    vbench_free(vb);
}
END_TEST

START_TEST(foldback_lowers_current_with_heat_at_steady_supply)
{
    struct vbench *vb = loaded("set_a: 150, ref_v: 15, thermal: {c_a: 300, c_b: 600, g_ab: 10, g_fan: 5}, "
                               "foldback: {from_degc: 70, per_k: 0.02, least: 0.5}",
                               MAINS, 1);
    beat_until(vb, 1200);
    ck_assert_double_lt(AT(i2_a), 140);
    ck_assert_double_ge(AT(i2_a), 75 - 1e-6);
    ck_assert_double_eq_tol(AT(i2_a), 150 * fmax(0.5, 1 - 0.02 * (AT(t_a_degc) - 70)), 0.5);
    vbench_free(vb);
}
END_TEST

START_TEST(undervoltage_lockout_comes_back_in_seconds)
{
    struct vbench *vb = loaded("set_a: 150, ref_v: 15, low_voltage: {off_share: 0.85, on_share: 0.9, wait_s: 3}",
                               "voltage_v: 230, loop_ohm: 2.2", 1);
    beat_until(vb, 2);
    ck_assert_ptr_nonnull(happened(vb, VBENCH_TRIP_UNDERVOLTAGE));
    ck_assert_double_eq_tol(AT(i2_a), 0, 1e-3);
    ck_assert_double_gt(AT(u1_v), 220); /* the sag went with the load */
    double longest = 0;
    for (int s = 3; s < 9; s++) {
        beat_until(vb, s);
        longest = fmax(longest, AT(i2_a));
    }
    ck_assert_double_gt(longest, 0);
    vbench_free(vb);
}
END_TEST

START_TEST(sleeping_unit_wakes_by_its_load)
{
    struct vbench *vb =
        loaded("set_a: 100, ref_v: 10, control: always-live, sleep: {after_s: 60, wake_s: 0.5}", MAINS, 0);
    beat_until(vb, 30);
    ck_assert_double_eq_tol(AT(u2_v), 65, 1e-6);
    beat_until(vb, 70);
    ck_assert_double_eq_tol(AT(u2_v), 0, 1e-6);
    write_register(vb, 1, STEPS_A, 1);
    vbench_advance(vb, 70300 * SECOND / 1000);
    ck_assert_double_eq(AT(i2_a), 0);
    beat_until(vb, 72);
    ck_assert_double_eq_tol(AT(i2_a), 100, 1e-6);
    vbench_free(vb);
}
END_TEST

START_TEST(tapped_transformer_sags_hot_and_with_its_supply)
{
    const char *unit = "output: cv, set_v: 28, droop_ohm: 0.02, transformer: {sag_per_k: 0.001}, "
                       "thermal: {c_a: 300, c_b: 600, g_ab: 10, g_fan: 5}";
    struct vbench *vb = loaded(unit, MAINS, 1);
    beat_until(vb, 3);
    double cold = AT(i2_a), u_cold = AT(u2_v);
    beat_until(vb, 1500);
    ck_assert_double_lt(AT(i2_a), 0.97 * cold);
    ck_assert_double_eq_tol(AT(i2_a) / cold, AT(u2_v) / u_cold, 1e-3); /* both fall together */
    vbench_do(vb, "{do: supply-voltage, circuit: c1, voltage_v: 207}", NULL);
    double before = AT(i2_a);
    beat_until(vb, 1502);
    ck_assert_double_eq_tol(AT(i2_a) / before, 0.9, 0.01);
    vbench_free(vb);
}
END_TEST

START_TEST(alternating_output_reads_nothing_on_a_mean_meter)
{
    struct vbench *vb = loaded("set_a: 120, ref_v: 12, ac: true", MAINS, 1);
    beat_until(vb, 3);
    ck_assert_double_eq_tol(vbench_probe(vb, "A.i2"), 120, 1e-6);
    ck_assert_double_eq_tol(vbench_probe(vb, "A.i2_mean"), 0, 1e-6);
    vbench_free(vb);
    vb = loaded("set_a: 120, ref_v: 12, ac: true, balance: 0.65", MAINS, 1);
    beat_until(vb, 3);
    ck_assert_double_eq_tol(vbench_probe(vb, "A.i2_mean"), 120 * 0.3, 1e-6);
    vbench_free(vb);
}
END_TEST

START_TEST(phase_loss_unbalances_the_supply)
{
    struct vbench *vb = loaded("set_a: 150, ref_v: 15, supply_v: 400, phases: 3", "voltage_v: 400, phases: 3", 1);
    beat_until(vb, 3);
    ck_assert_double_eq_tol(vbench_probe(vb, "A.i1_a"), vbench_probe(vb, "A.i1_c"), 1e-9);
    ck_assert_double_eq_tol(vbench_probe(vb, "c1.u1_a"), 400 / sqrt(3), 0.5);
    vbench_do(vb, "{do: phase-loss, circuit: c1}", NULL);
    beat_until(vb, 5);
    ck_assert_double_eq_tol(AT(i2_a), 150 * 0.58, 1e-3);
    ck_assert_double_eq(vbench_probe(vb, "A.i1_c"), 0);
    ck_assert_double_gt(vbench_probe(vb, "A.i1_a"), 0);
    /* Phasors by hand: with c gone two of the three voltages between lines are those of a phase to neutral. */
    double line_v = vbench_probe(vb, "c1.u1_a") * sqrt(3);
    ck_assert_double_eq_tol(vbench_probe(vb, "c1.u1"), line_v * (1 + 2 / sqrt(3)) / 3, 1e-6);
    vbench_do(vb, "{do: phase-back, circuit: c1}", NULL);
    vbench_do(vb, "{do: phase-voltage, circuit: c1, phase: b, share: 0.9}", NULL);
    beat_until(vb, 8);
    ck_assert_double_eq_tol(AT(i2_a), 150, 1e-3);
    ck_assert_double_eq_tol(vbench_probe(vb, "c1.u1_b"), 0.9 * vbench_probe(vb, "c1.u1_a"), 1e-9);
    ck_assert_double_lt(vbench_probe(vb, "A.i1_b"), vbench_probe(vb, "A.i1_c"));
    vbench_free(vb);
}
END_TEST

START_TEST(engine_idles_down_and_stops)
{
    struct vbench *vb = loaded("set_a: 120, ref_v: 12, control: always-live, no_load_v: 80, "
                               "engine: {rated_rpm: 3000, idle_rpm: 2000, idle_after_s: 8, speed_up_s: 1}",
                               MAINS, 0);
    beat_until(vb, 20);
    ck_assert_double_eq_tol(vbench_probe(vb, "A.engine_speed"), 2000, 5);
    ck_assert_double_eq_tol(AT(u2_v), 80 * 2.0 / 3, 0.5);
    write_register(vb, 1, STEPS_A, 1);
    beat_until(vb, 30);
    ck_assert_double_eq_tol(AT(i2_a), 120, 0.5);
    ck_assert_double_eq(AT(i1_a), 0);
    vbench_do(vb, "{do: engine-stop, unit: U}", NULL);
    beat_until(vb, 40);
    ck_assert_double_lt(AT(i2_a), 1);
    ck_assert_double_lt(vbench_probe(vb, "A.engine_speed"), 10);
    vbench_free(vb);
}
END_TEST

START_TEST(lift_start_hangs_on_a_low_resistance)
{
    const char *unit = "set_a: 150, ref_v: 15, lift: {current_a: 20, release_v: 3}";
    struct vbench *vb = loaded(unit, MAINS, 1); /* 20 A in 0.1 ohm are 2 V: it thinks that it still touches */
    beat_until(vb, 5);
    ck_assert_double_eq_tol(AT(i2_a), 20, 1e-3);
    write_register(vb, 1, STEPS_A, 2); /* 4 V in 0.2 ohm release it */
    beat_until(vb, 7);
    ck_assert_double_eq_tol(AT(i2_a), 150, 1e-3);
    vbench_free(vb);
}
END_TEST

/* One that wants to see the touch: a high resistance alone does not start it, low and then high does. */
START_TEST(lift_start_that_wants_a_touch_first)
{
    const char *unit = "set_a: 150, ref_v: 15, lift: {current_a: 20, release_v: 3, touch_v: 2.5, touch_s: 0.3}";
    struct vbench *vb = loaded(unit, MAINS, 2); /* 20 A in 0.2 ohm are 4 V: never below the touch */
    beat_until(vb, 5);
    ck_assert_double_eq_tol(AT(i2_a), 20, 1e-3);
    write_register(vb, 1, STEPS_A, 3); /* 0.067 ohm: 1.3 V */
    beat_until(vb, 5.2);
    write_register(vb, 1, STEPS_A, 2);
    beat_until(vb, 7);
    ck_assert_double_eq_tol(AT(i2_a), 20, 1e-3); /* too short a touch */
    write_register(vb, 1, STEPS_A, 3);
    beat_until(vb, 8);
    write_register(vb, 1, STEPS_A, 2);
    beat_until(vb, 10);
    ck_assert_double_eq_tol(AT(i2_a), 150, 1e-3);
    write_coil(vb, 1, TRIGGER_A, false);
    beat_until(vb, 11);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 13);
    ck_assert_double_eq_tol(AT(i2_a), 20, 1e-3); /* and from the begin again */
    vbench_free(vb);
}
END_TEST

START_TEST(reducing_device_that_stays_released)
{
    const char *unit = "control: always-live, set_a: 150, ref_v: 15, no_load_v: 70, "
                       "vrd: {low_v: 12, release_ohm: 0.08, sense_a: 0.5, latches: true}";
    struct vbench *vb = loaded(unit, MAINS, 1);
    beat_until(vb, 3);
    ck_assert_double_lt(AT(i2_a), 0.6);
    write_register(vb, 1, STEPS_A, 3);
    beat_until(vb, 4);
    write_register(vb, 1, STEPS_A, 1);
    beat_until(vb, 6);
    ck_assert_double_eq_tol(AT(i2_a), 150, 1); /* the current did not stop in between */
    write_register(vb, 1, STEPS_A, 0);
    beat_until(vb, 8);
    write_register(vb, 1, STEPS_A, 1);
    beat_until(vb, 10);
    ck_assert_double_lt(AT(i2_a), 0.6);
    vbench_free(vb);
}
END_TEST

START_TEST(worn_and_dead_units)
{
    struct vbench *vb = loaded("set_a: 150, limit_a: 130, ref_v: 13", MAINS, 1);
    beat_until(vb, 5);
    ck_assert_double_eq_tol(AT(i2_a), 130, 1e-3); /* never reaches what is dialled in */
    vbench_do(vb, "{do: unit-fault, unit: U}", NULL);
    beat_until(vb, 3600);
    ck_assert_double_eq(AT(i2_a), 0);
    ck_assert_double_gt(AT(i1_a), 0);
    vbench_free(vb);
}
END_TEST

START_TEST(fan_on_demand_and_fan_dead)
{
    struct vbench *vb = loaded(
        "set_a: 150, ref_v: 15, fan: {w: 40, on_demand: true, on_degc: 40, off_degc: 30, run_on_s: 20}", MAINS, 1);
    beat_until(vb, 30);
    double with = vbench_probe(vb, "A.p1");
    vbench_do(vb, "{do: unit-fan-stop, unit: U}", NULL);
    beat_until(vb, 31);
    ck_assert_double_eq_tol(with - vbench_probe(vb, "A.p1"), 40, 2); /* the tell-tale of a dead fan */
    vbench_free(vb);
    vb = loaded("set_a: 150, ref_v: 15, fan: {w: 40, on_demand: true, on_degc: 40, off_degc: 30, run_on_s: 20}", MAINS,
                0);
    beat_until(vb, 30);
    ck_assert_double_lt(vbench_probe(vb, "A.p1"), 85); /* cool and idle: fan off */
    vbench_free(vb);
}
END_TEST

START_TEST(crossed_leads_move_the_other_channel)
{
    struct vbench *vb = bench_from("scenario: crossed\ncircuits: [{name: c1}, {name: c2}]\n"
                                   "units: [{serial: U, set_a: 100, ref_v: 10}, {serial: V, set_a: 120, ref_v: 12}]\n"
                                   "channels:\n"
                                   "  - {name: A, unit: U, circuit: c1, leads_to_unit_of: B, steps: [{ohm: 0.1}]}\n"
                                   "  - {name: B, unit: V, circuit: c2, leads_to_unit_of: A, steps: [{ohm: 0.1}]}\n"
                                   "buses: [{name: rack}]\ndevices: [{name: bank, bus: rack, channels: [A, B]}]\n");
    write_register(vb, 1, BEAT, 1);
    write_register(vb, 1, STEPS_A, 1);
    write_register(vb, 1, STEPS_A + 1, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 3);
    ck_assert_double_eq(state_of(vb, "A").i2_a, 0);
    ck_assert_double_eq_tol(state_of(vb, "B").i2_a, 100, 1e-3);
    ck_assert_double_gt(state_of(vb, "A").i1_a, 4); /* the supply of A carries it */
    vbench_free(vb);
}
END_TEST

START_TEST(another_unit_is_rigged_and_the_first_one_cools)
{
    struct vbench *vb =
        bench_from("scenario: rig\nroom: {t_degc: 20}\ncircuits: [{name: c1}]\n"
                   "units: [{serial: U, set_a: 100, ref_v: 10}, {serial: V, set_a: 120, ref_v: 12}]\n"
                   "channels: [{name: A, unit: U, circuit: c1, steps: [{ohm: 0.1}]}]\n"
                   "buses: [{name: rack}]\ndevices: [{name: bank, bus: rack, channels: [A]}]\n"
                   "events: [{at_s: 0, do: warm, unit: U, degc: 80}, {at_s: 10, do: rig, channel: A, unit: V}]\n");
    write_register(vb, 1, BEAT, 1);
    write_register(vb, 1, STEPS_A, 1);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 9);
    ck_assert_double_eq_tol(AT(i2_a), 100, 1e-3);
    ck_assert_double_gt(AT(t_a_degc), 75);
    beat_until(vb, 15);
    ck_assert_double_eq_tol(AT(i2_a), 120, 1e-3);
    ck_assert_double_lt(AT(t_a_degc), 30);
    beat_until(vb, 1200);
    vbench_do(vb, "{do: rig, channel: A, unit: U}", NULL);
    beat_until(vb, 1201);
    double left = AT(t_a_degc); /* cooled in the corner meanwhile, fan off */
    ck_assert(left > 30 && left < 75);
    vbench_free(vb);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: habits of units");
    TCase *t = tcase_create("habits");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, hot_start_and_up_slope);
    tcase_add_test(t, cut_out_with_hysteresis_resets_by_itself);
    tcase_add_test(t, thermostat_in_the_primary_takes_the_fan_along);
    tcase_add_test(t, voltage_reducing_device);
    tcase_add_test(t, anti_stick_takes_both_to_zero);
    tcase_add_test(t, arc_loss_waits_for_the_trigger);
    tcase_add_test(t, foldback_lowers_current_with_heat_at_steady_supply);
    tcase_add_test(t, undervoltage_lockout_comes_back_in_seconds);
    tcase_add_test(t, sleeping_unit_wakes_by_its_load);
    tcase_add_test(t, tapped_transformer_sags_hot_and_with_its_supply);
    tcase_add_test(t, alternating_output_reads_nothing_on_a_mean_meter);
    tcase_add_test(t, phase_loss_unbalances_the_supply);
    tcase_add_test(t, engine_idles_down_and_stops);
    tcase_add_test(t, lift_start_hangs_on_a_low_resistance);
    tcase_add_test(t, lift_start_that_wants_a_touch_first);
    tcase_add_test(t, reducing_device_that_stays_released);
    tcase_add_test(t, worn_and_dead_units);
    tcase_add_test(t, fan_on_demand_and_fan_dead);
    tcase_add_test(t, crossed_leads_move_the_other_channel);
    tcase_add_test(t, another_unit_is_rigged_and_the_first_one_cools);
    suite_add_tcase(s, t);
    return suite_run(s);
}
