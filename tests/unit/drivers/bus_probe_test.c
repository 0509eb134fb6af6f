/* A device that is read for a person while the bus is at work: nothing written, polls and beats as before, and what is
 * not answered held against nobody. The bench's own rules: common practice, no published source. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "fixture.h"
#include "suite_run.h"

static struct fixture f;
static struct probe_item items[POINTS_MAX];
static int item_count, told;
static uint64_t told_request;
static char failure_text[TEXT_CAP];

static void take_probed(void *ctx, uint64_t request, const struct probe_item *got, int count, const char *failure)
{
    (void)ctx;
    told++;
    told_request = request;
    item_count = count;
    memcpy(items, got, (size_t)count * sizeof items[0]);
    (void)text_copy(failure_text, sizeof failure_text, failure != NULL ? failure : "");
}

static void begin(void)
{
    fixture_init(&f);
    f.setup.sink.probed = take_probed;
    told = item_count = 0;
    fixture_start(&f, -1);
    ck_assert(fixture_run_up(&f, 0, true));
    lease_renew(&f.leases[0], INT64_MAX);
    fixture_run_for(&f, 2 * SEC);
}

static void end(void)
{
    fixture_free(&f);
}

static const struct probe_item *item_of(const char *name)
{
    for (int i = 0; i < item_count; i++)
        if (strcmp(items[i].name, name) == 0)
            return &items[i];
    ck_abort_msg("no %s", name);
}

static uint64_t polls_missed(void)
{
    static struct bus_stats stats;
    bus_stats(f.bus, &stats);
    return stats.devices[0].polls_missed;
}

static int count_readings(int64_t from_ns)
{
    int n = 0;
    for (int i = 0; i < f.input_count; i++)
        n += f.inputs[i].kind == INPUT_READINGS && f.inputs[i].seen_ns > from_ns && f.inputs[i].u.readings.count > 0;
    return n;
}

START_TEST(a_probe_between_polls)
{
    struct error err;
    fixture_run_for(&f, 2 * SEC);
    int beats = count_writes(&f, 0, 51), writes = f.write_count, readings = count_readings(f.now_ns - 2 * SEC);
    int64_t began_ns = f.now_ns;
    ck_assert_int_eq(bus_probe(f.bus, 0, 42, &err), 0);
    ck_assert_int_eq(bus_probe(f.bus, 0, 43, &err), -1); /* one at a time */
    fixture_run_for(&f, 2 * SEC);
    ck_assert_int_eq(told, 1);
    ck_assert_uint_eq(told_request, 42);
    ck_assert_str_eq(failure_text, "");
    ck_assert_int_eq(item_count, f.maps[0].point_count);
    ck_assert_double_eq(item_of("id")->value, 77);
    ck_assert_int_eq(item_of("id")->quality, QUALITY_GOOD);
    ck_assert_str_eq(item_of("id")->raw, "004D");
    ck_assert_str_eq(item_of("a_steps")->note, "written, never read");
    /* All else as before: the beats, no other write, every poll. */
    int more_beats = count_writes(&f, 0, 51) - beats;
    ck_assert_int_ge(more_beats, 1);
    ck_assert_int_eq(f.write_count - writes, more_beats);
    ck_assert_int_eq(count_readings(began_ns), readings);
    ck_assert_uint_eq(polls_missed(), 0);
    ck_assert_int_eq(lease_state(&f.leases[0], f.now_ns), LEASE_RUNS);
    ck_assert_int_eq(bus_probe(f.bus, 0, 44, &err), 0); /* and again */
    fixture_run_for(&f, 2 * SEC);
    ck_assert_uint_eq(told_request, 44);
}
END_TEST

/* A register that is not there, and one device that says nothing: told in the notes, no loss, no end of the beats. */
START_TEST(what_is_not_answered_counts_for_nothing)
{
    struct error err;
    f.fakes[0].hole = 5;
    ck_assert_int_eq(bus_probe(f.bus, 0, 1, &err), 0);
    fixture_run_for(&f, 2 * SEC);
    ck_assert_int_eq(told, 1);
    ck_assert_int_eq(item_of("power_up")->quality, QUALITY_INVALID);
    ck_assert_msg(strstr(item_of("power_up")->note, "refused") != NULL, "%s", item_of("power_up")->note);
    ck_assert_int_eq(item_of("id")->quality, QUALITY_GOOD);
    ck_assert(last_link(&f, 0)->up);
}
END_TEST

START_TEST(a_drop_goes_before_a_probe)
{
    struct error err;
    int writes = f.write_count;
    ck_assert_int_eq(bus_probe(f.bus, 0, 1, &err), 0);
    fixture_run_for(&f, 3 * MS);
    lease_drop(&f.leases[0]);
    bus_wake(f.bus);
    int64_t asked_ns = f.now_ns;
    fixture_run_for(&f, SEC);
    ck_assert_int_gt(f.write_count, writes);
    int i = writes;
    while (i < f.write_count && f.writes[i].address != 50)
        i++;
    ck_assert_int_lt(i, f.write_count);
    ck_assert_int_le(f.writes[i].at_ns - asked_ns, 2 * f.took_ns + MS); /* what was in flight, then the drop */
    fixture_run_for(&f, 9 * SEC);
    ck_assert_int_eq(told, 1);
}
END_TEST

START_TEST(a_bus_that_is_gone_says_so)
{
    struct error err;
    f.fakes[0].mood = FAKE_GONE;
    fixture_run_for(&f, 2 * SEC);
    ck_assert_int_eq(bus_probe(f.bus, 0, 1, &err), 0);
    fixture_run_for(&f, 9 * SEC);
    ck_assert_int_eq(told, 1);
    ck_assert(failure_text[0] != '\0' || item_of("id")->quality != QUALITY_GOOD);
    ck_assert_int_eq(bus_probe(f.bus, 0, 2, &err), 0); /* left unfinished: freed with the bus */
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("bus probe");
    TCase *t = tcase_create("bus probe");
    tcase_add_checked_fixture(t, begin, end);
    tcase_add_test(t, a_probe_between_polls);
    tcase_add_test(t, what_is_not_answered_counts_for_nothing);
    tcase_add_test(t, a_drop_goes_before_a_probe);
    tcase_add_test(t, a_bus_that_is_gone_says_so);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
