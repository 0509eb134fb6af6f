/* What a bus does with commands: drops before all, opening before closing, nothing closed without a running lease. What
 * a bus must do is the bench's own rule: common practice, no published source. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "fixture.h"
#include "suite_run.h"

static struct fixture f;

static void begin(void)
{
    fixture_init(&f);
}

static void end(void)
{
    fixture_free(&f);
}

START_TEST(drop_goes_first)
{
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    for (int i = 0; i < 20; i++) {
        struct command c = fixture_command(COMMAND_STEPS, i % 2);
        c.mask = 3;
        c.number = 100 + (uint64_t)i;
        ck_assert_int_eq(bus_post(f.bus, &c), 0);
    }
    lease_drop(&f.leases[0]);
    int from = f.write_count;
    int64_t asked = f.now_ns;
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(f.writes[from].address, 50);
    ck_assert_int_le(f.writes[from].at_ns, asked + f.took_ns);
    ck_assert_int_eq(count_writes(&f, from, 40) + count_writes(&f, from, 41), 0); /* nothing closes afterwards */
    ck_assert_int_eq(count_acks(&f, ACK_FAILED), 20);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
    ck_assert(!lease_drop_pending(&f.leases[0]));
}
END_TEST

/* On a serial line an error is followed by silence. A drop asked for in it goes out at once, and once more after it. */
START_TEST(drop_passes_the_silence)
{
    f.config.baud = 19200;
    f.config.timeout_ns = 400 * MS;
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    f.fakes[0].mood = FAKE_GARBLED;
    int before = f.exchanges;
    while (f.exchanges == before)
        fixture_run_for(&f, MS);
    f.fakes[0].mood = FAKE_ANSWERS;
    fixture_run_for(&f, 10 * MS); /* inside the silence of 400 ms */
    int exchanges = f.exchanges, from = f.write_count;
    fixture_run_for(&f, 100 * MS);
    ck_assert_int_eq(f.exchanges, exchanges);
    lease_drop(&f.leases[0]);
    int64_t asked = f.now_ns;
    fixture_run_for(&f, 100 * MS);
    ck_assert_int_eq(count_writes(&f, from, 50), 1);
    ck_assert_int_le(f.writes[from].at_ns, asked + 3 * MS);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 0);
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(count_writes(&f, from, 50), 2);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
}
END_TEST

START_TEST(drop_is_repeated_until_confirmed)
{
    fixture_up(&f);
    f.fakes[0].mood = FAKE_SILENT;
    lease_drop(&f.leases[0]);
    int from = f.write_count;
    fixture_run_for(&f, 5 * SEC);
    ck_assert_int_ge(count_writes(&f, from, 50), 5);
    ck_assert(lease_drop_pending(&f.leases[0]));
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 0);
    ck_assert_int_eq(last_link(&f, 0)->up, 0);
    f.fakes[0].mood = FAKE_ANSWERS;
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
    ck_assert(fixture_run_up(&f, 0, true));
}
END_TEST

/* The connection is gone while a drop waits: attempts come quickly, and the first write afterwards is the drop. */
START_TEST(drop_is_the_first_write_after_a_reconnect)
{
    fixture_up(&f);
    f.fakes[0].mood = FAKE_GONE;
    ck_assert(fixture_run_up(&f, 0, false));
    fixture_run_for(&f, 20 * SEC); /* the pause has grown */
    lease_drop(&f.leases[0]);
    fixture_run_for(&f, 500 * MS);
    f.fakes[0].mood = FAKE_ANSWERS;
    int from = f.write_count;
    int64_t back = f.now_ns;
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(f.writes[from].address, 50);
    ck_assert_int_le(f.writes[from].at_ns, back + 150 * MS);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
}
END_TEST

START_TEST(without_drop_all_every_channel_is_opened)
{
    f.maps[0].drop_all_point = -1;
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, true));
    ck_assert_int_eq(f.writes[0].address, 40);
    ck_assert_int_eq(f.writes[1].address, 41);
    ck_assert_int_eq(f.writes[2].address, 3);
    ck_assert(f.writes[2].coil);
}
END_TEST

START_TEST(opening_overtakes_and_cancels_closing)
{
    fixture_up(&f);
    struct command c = fixture_command(COMMAND_STEPS, 0);
    c.mask = 7;
    c.number = 1;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    c = fixture_command(COMMAND_STEPS, 1);
    c.mask = 2;
    c.number = 2;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    c = fixture_command(COMMAND_OPEN, 0);
    c.number = 3;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    int from = f.write_count;
    fixture_run_for(&f, 100 * MS);
    ck_assert_int_eq(f.writes[from].address, 40);
    ck_assert_int_eq(f.writes[from].value, 0);
    ck_assert_int_eq(count_writes(&f, from, 40), 1);
    ck_assert_int_eq(count_writes(&f, from, 41), 1);
    ck_assert_int_eq(last_ack(&f, 1)->kind, ACK_FAILED);
    ck_assert_int_eq(last_ack(&f, 2)->kind, ACK_DONE);
    ck_assert_int_eq(last_ack(&f, 3)->kind, ACK_DONE);
    ck_assert_int_eq(f.fakes[0].registers[41], 2);
}
END_TEST

START_TEST(latest_setpoint_wins)
{
    fixture_up(&f);
    int from = f.write_count;
    for (int i = 0; i < 200; i++) {
        struct command c = fixture_command(COMMAND_SETPOINT, 0);
        c.value = i;
        c.number = (uint64_t)i + 1;
        ck_assert_int_eq(bus_post(f.bus, &c), 0);
    }
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(count_writes(&f, from, 40), 1);
    ck_assert_int_eq(f.fakes[0].registers[40], 199);
    ck_assert_int_eq(last_ack(&f, 200)->kind, ACK_DONE);
}
END_TEST

START_TEST(a_full_queue_withdraws_the_lease)
{
    fixture_up(&f);
    struct command c = fixture_command(COMMAND_TRIGGER, 0);
    c.on = true;
    int taken = 0;
    while (bus_post(f.bus, &c) == 0)
        taken++;
    ck_assert_int_eq(taken, 64);
    int from = f.write_count;
    fixture_run_for(&f, SEC);
    ck_assert_int_eq(f.writes[from].address, 50);
    ck_assert_int_eq(count_writes(&f, from, 3), 0);
    ck_assert_int_eq(count_acks(&f, ACK_LEASE_EXPIRED), 1);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_eq(s.commands_refused, 1);
}
END_TEST

START_TEST(an_input_that_is_not_taken_withdraws_the_lease)
{
    fixture_up(&f);
    fixture_run_for(&f, SEC);
    f.refuse_inputs = 1;
    fixture_run_for(&f, SEC);
    ck_assert(!fixture_lease_runs(&f));
    ck_assert_int_eq(count_acks(&f, ACK_LEASE_EXPIRED), 1);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
}
END_TEST

START_TEST(nothing_closes_without_a_running_lease)
{
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, true));
    struct command c = fixture_command(COMMAND_STEPS, 0);
    c.mask = 1;
    c.number = 9;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, 20 * SEC); /* it waits a few beats for a lease, then it is refused */
    ck_assert_int_eq(last_ack(&f, 9)->kind, ACK_FAILED);
    ck_assert_int_eq(count_writes(&f, 0, 40), 0);
    c = fixture_command(COMMAND_FAN, 0);
    ck_assert_int_eq(bus_post(f.bus, &c), -1); /* no such point: refused at once, lease untouched */
    lease_renew(&f.leases[0], INT64_MAX);
    ck_assert(fixture_lease_runs(&f));
}
END_TEST

/* A command that comes a moment before the lease is carried out once the controller knows that it is watched: after two
 * beats. One that opens takes it back. */
START_TEST(closing_waits_for_two_beats)
{
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, true));
    struct command c = fixture_command(COMMAND_STEPS, 0);
    c.mask = 1;
    c.number = 9;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    c = fixture_command(COMMAND_STEPS, 1);
    c.mask = 1;
    c.number = 10;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    fixture_run_for(&f, 50 * MS);
    ck_assert_int_eq(count_writes(&f, 0, 40), 0);
    c = fixture_command(COMMAND_OPEN, 1);
    c.number = 11;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    lease_renew(&f.leases[0], INT64_MAX);
    int from = f.write_count;
    fixture_run_for(&f, 2 * SEC);
    ck_assert_int_eq(last_ack(&f, 9)->kind, ACK_DONE);
    ck_assert_int_eq(last_ack(&f, 10)->kind, ACK_FAILED);
    int closed = from;
    while (closed < f.write_count && f.writes[closed].address != 40)
        closed++;
    int beats = 0;
    for (int i = from; i < closed; i++)
        beats += f.writes[i].address == 51;
    ck_assert_int_ge(beats, 2);
    ck_assert_int_eq(f.fakes[0].registers[41], 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("bus commands");
    TCase *tc = tcase_create("bus commands");
    tcase_set_timeout(tc, 30);
    tcase_add_checked_fixture(tc, begin, end);
    tcase_add_test(tc, drop_goes_first);
    tcase_add_test(tc, drop_passes_the_silence);
    tcase_add_test(tc, drop_is_repeated_until_confirmed);
    tcase_add_test(tc, drop_is_the_first_write_after_a_reconnect);
    tcase_add_test(tc, without_drop_all_every_channel_is_opened);
    tcase_add_test(tc, opening_overtakes_and_cancels_closing);
    tcase_add_test(tc, latest_setpoint_wins);
    tcase_add_test(tc, a_full_queue_withdraws_the_lease);
    tcase_add_test(tc, an_input_that_is_not_taken_withdraws_the_lease);
    tcase_add_test(tc, nothing_closes_without_a_running_lease);
    tcase_add_test(tc, closing_waits_for_two_beats);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
