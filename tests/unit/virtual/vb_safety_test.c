/* What the load controller does of its own accord, and what contactors do wrong. */
#include <check.h>
#include <stdlib.h>

#include "suite_run.h"
#include "vb_fixture.h"

#define UNIT "output: cc, set_a: 150, ref_v: 16"
#define MAINS "voltage_v: 230"

static struct vbench *loaded(void)
{
    struct vbench *vb = one_channel(UNIT, MAINS, "");
    write_register(vb, 1, BEAT, 1);
    ck_assert_int_eq(write_register(vb, 1, STEPS_A, 3), 0);
    ck_assert_int_eq(write_coil(vb, 1, TRIGGER_A, true), 0);
    beat_until(vb, 10);
    ck_assert_double_gt(state_of(vb, "A").i2_a, 149);
    return vb;
}

static void expect_open_after(struct vbench *vb, double s)
{
    vbench_advance(vb, (int64_t)(s * 1e9));
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 0);
    ck_assert_double_eq(state_of(vb, "A").i2_a, 0);
}

START_TEST(watchdog_opens_by_itself_when_the_beat_stops)
{
    struct vbench *vb = loaded(); /* the last beat that changed was sent at 9 s; the limit is 5 s */
    vbench_advance(vb, 13990 * SECOND / 1000);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 3);
    expect_open_after(vb, 14.0 + 0.041); /* and the contactors' travel of 40 ms */
    ck_assert_int_eq(state_of(vb, "A").last_trip, VBENCH_TRIP_WATCHDOG);
    ck_assert_int_eq(state_of(vb, "A").last_trip_ns, 14 * SECOND);
    /* It stays open when the beat comes back, and refuses to close before. */
    ck_assert_int_eq(write_register(vb, 1, STEPS_A, 1), 4);
    ck_assert_int_eq(write_register(vb, 1, BEAT, 500), 0);
    vbench_advance(vb, 15 * SECOND);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 0);
    ck_assert_int_eq(write_register(vb, 1, STEPS_A, 1), 0);
    vbench_advance(vb, 16 * SECOND);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 1);
    vbench_free(vb);
}
END_TEST

START_TEST(a_beat_that_does_not_change_feeds_nothing)
{
    struct vbench *vb = loaded();
    for (int s = 10; s < 15; s++) {
        write_register(vb, 1, BEAT, 10);
        vbench_advance(vb, (s + 1) * SECOND);
    }
    expect_open_after(vb, 15.1);
    vbench_free(vb);
}
END_TEST

START_TEST(some_controllers_are_fed_by_any_frame)
{
    struct vbench *vb = bench_from("scenario: fed\ncircuits: [{name: c1}]\nunits: [{serial: U}]\n"
                                   "channels: [{name: A, unit: U, circuit: c1, steps: [{ohm: 0.1}]}]\n"
                                   "buses: [{name: rack}]\ndevices: [{name: bank, bus: rack, channels: [A],\n"
                                   "  watchdog: {after_s: 5, fed_by: any-frame}}]\n");
    uint16_t word;
    write_register(vb, 1, BEAT, 1);
    write_register(vb, 1, STEPS_A, 1);
    for (int s = 0; s < 30; s++) {
        ck_assert_int_eq(read_words(vb, "rack", 1, 4, 0, 1, &word), 0);
        vbench_advance(vb, (s + 1) * SECOND);
    }
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 1); /* reading alone kept it closed: what the proof is for */
    vbench_free(vb);
}
END_TEST

START_TEST(watchdog_limit_is_written_and_read_back)
{
    struct vbench *vb = loaded();
    uint16_t limit;
    ck_assert_int_eq(write_register(vb, 1, WATCHDOG, 2), 0);
    ck_assert_int_eq(read_words(vb, "rack", 1, 3, WATCHDOG, 1, &limit), 0);
    ck_assert_uint_eq(limit, 2);
    expect_open_after(vb, 12.1);
    vbench_free(vb);
}
END_TEST

START_TEST(drop_all_opens_every_step_and_the_trigger)
{
    struct vbench *vb = loaded();
    ck_assert_int_eq(write_register(vb, 1, DROP, 1), 0);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 3); /* travel takes time */
    expect_open_after(vb, 10.045);
    beat_until(vb, 12);
    ck_assert(!state_of(vb, "A").output_on);
    vbench_free(vb);
}
END_TEST

START_TEST(emergency_stop_opens_load_and_supply)
{
    struct vbench *vb = loaded();
    ck_assert_int_eq(vbench_do(vb, "{do: press-estop}", NULL), 0);
    expect_open_after(vb, 10.1);
    ck_assert(state_of(vb, "A").supply_open);
    ck_assert_double_eq(state_of(vb, "A").u1_v, 0);
    ck_assert_int_eq(write_register(vb, 1, STEPS_A, 1), 4);
    vbench_do(vb, "{do: release-estop}", NULL);
    beat_until(vb, 12);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 0); /* nothing closes by itself */
    vbench_free(vb);
}
END_TEST

START_TEST(welded_contact_needs_the_second_means)
{
    struct vbench *vb = loaded();
    uint16_t closed;
    ck_assert_int_eq(vbench_do(vb, "{do: weld, channel: A, step: 1}", NULL), 0);
    write_register(vb, 1, STEPS_A, 0);
    beat_until(vb, 12);
    read_words(vb, "rack", 1, 4, 20, 1, &closed);
    ck_assert_uint_eq(closed, 2);
    ck_assert_double_gt(state_of(vb, "A").i2_a, 100);
    ck_assert_int_eq(write_coil(vb, 1, TRIP_A, true), 0);
    beat_until(vb, 13);
    ck_assert_double_eq(state_of(vb, "A").i2_a, 0);
    ck_assert_double_eq(state_of(vb, "A").u1_v, 0);
    ck_assert_ptr_nonnull(happened(vb, VBENCH_TRIP_SUPPLY_TRIP));
    vbench_free(vb);
}
END_TEST

START_TEST(stuck_open_and_open_elements_differ_in_feedback)
{
    struct vbench *vb = loaded();
    uint16_t closed;
    vbench_do(vb, "{do: element-open, channel: A, step: 0}", NULL);
    beat_until(vb, 11);
    read_words(vb, "rack", 1, 4, 20, 1, &closed);
    ck_assert_uint_eq(closed, 3);
    ck_assert_double_eq_tol(state_of(vb, "A").load_ohm, 0.2, 1e-12);
    vbench_do(vb, "{do: stick-open, channel: A, step: 1}", NULL);
    beat_until(vb, 12);
    read_words(vb, "rack", 1, 4, 20, 1, &closed);
    ck_assert_uint_eq(closed, 1);
    vbench_free(vb);
}
END_TEST

START_TEST(openings_under_current_wear_contacts)
{
    struct vbench *vb = loaded();
    write_coil(vb, 1, TRIGGER_A, false); /* the trigger first: no current to break */
    beat_until(vb, 11);
    write_register(vb, 1, STEPS_A, 0);
    beat_until(vb, 12);
    ck_assert_uint_eq(state_of(vb, "A").broken_live, 0);
    write_register(vb, 1, STEPS_A, 3);
    write_coil(vb, 1, TRIGGER_A, true);
    beat_until(vb, 14);
    write_register(vb, 1, STEPS_A, 0);
    beat_until(vb, 15);
    ck_assert_uint_eq(state_of(vb, "A").broken_live, 2);
    ck_assert_uint_eq(state_of(vb, "A").operations, 8);
    vbench_free(vb);
}
END_TEST

START_TEST(bank_without_its_fan_opens_by_its_own_thermostat)
{
    struct vbench *vb = loaded();
    write_coil(vb, 1, FAN, true);
    beat_until(vb, 600);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 3);
    ck_assert_double_lt(vbench_probe(vb, "bank.t_bank"), 60);
    ck_assert_double_gt(vbench_probe(vb, "bank.t_bank"), 22);
    vbench_do(vb, "{do: set-current, unit: U, a: 330}", NULL);
    vbench_do(vb, "{do: fan-stop, device: bank}", NULL);
    beat_until(vb, 1200);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 0);
    ck_assert_ptr_nonnull(happened(vb, VBENCH_TRIP_BANK_HOT));
    vbench_free(vb);
}
END_TEST

START_TEST(power_up_is_told_until_it_is_cleared)
{
    struct vbench *vb = loaded();
    uint16_t flag;
    ck_assert_int_eq(write_register(vb, 1, 3, 0), 0);
    read_words(vb, "rack", 1, 4, 11, 1, &flag);
    ck_assert_uint_eq(flag, 0);
    vbench_do(vb, "{do: power-cycle, device: bank}", NULL);
    beat_until(vb, 11);
    read_words(vb, "rack", 1, 4, 11, 1, &flag);
    ck_assert_uint_eq(flag, 1);
    ck_assert_uint_eq(state_of(vb, "A").closed_mask, 0);
    vbench_free(vb);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: safety");
    TCase *t = tcase_create("safety");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, watchdog_opens_by_itself_when_the_beat_stops);
    tcase_add_test(t, a_beat_that_does_not_change_feeds_nothing);
    tcase_add_test(t, some_controllers_are_fed_by_any_frame);
    tcase_add_test(t, watchdog_limit_is_written_and_read_back);
    tcase_add_test(t, drop_all_opens_every_step_and_the_trigger);
    tcase_add_test(t, emergency_stop_opens_load_and_supply);
    tcase_add_test(t, welded_contact_needs_the_second_means);
    tcase_add_test(t, stuck_open_and_open_elements_differ_in_feedback);
    tcase_add_test(t, openings_under_current_wear_contacts);
    tcase_add_test(t, bank_without_its_fan_opens_by_its_own_thermostat);
    tcase_add_test(t, power_up_is_told_until_it_is_cleared);
    suite_add_tcase(s, t);
    return suite_run(s);
}
