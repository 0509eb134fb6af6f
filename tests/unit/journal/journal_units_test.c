/* The register of units in the journal: plates, inspections, whereabouts, baselines, and one serial number of two
 * makers. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "journal_fixture.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

static int first_disposition(void *ctx, const struct journal_disposition *d)
{
    *(struct journal_disposition *)ctx = *d;
    return 1;
}

START_TEST(test_units_and_others)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    struct unit_plate plate = {.serial = "HQ-0147", .maker = "Quayline", .model = "T160", .rating_count = 1};
    plate.ratings[0] = (struct rating_point){.process = PROCESS_TIG, .percent_on = 40.0, .current_a = 160.0};
    int32_t version = 0;
    OK(journal_begin(j, &err));
    OK(journal_put_unit(j, &plate, 1000, &version, &err));
    ck_assert_int_eq(version, 1);
    OK(journal_put_unit(j, &plate, 2000, &version, &err));
    ck_assert_int_eq(version, 1);
    plate.ratings[0].percent_on = 35.0;
    OK(journal_put_unit(j, &plate, 3000, &version, &err));
    ck_assert_int_eq(version, 2);
    struct journal_inspection t = {.serial = "HQ-0147", .kind = "before hire", .done_utc_s = 5, .passed = true};
    OK(journal_put_inspection(j, &t, &err));
    struct journal_disposition d = {.serial = "HQ-0147", .to = "hire", .who = "yard", .utc_s = 9, .note = "as found"};
    OK(journal_put_disposition(j, &d, &err));
    (void)text_copy(d.to, sizeof d.to, "service");
    OK(journal_put_disposition(j, &d, &err));
    struct journal_baseline base = {.serial = "HQ-0147", .run_no = 3, .who = "yard", .utc_s = 9};
    OK(journal_put_baseline(j, &base, &err));
    base.run_no = 5;
    OK(journal_put_baseline(j, &base, &err));
    struct journal_cursor c = {.store = "shop", .sent = {5, 4, 3}, .settled = {4, 4, 0}};
    OK(journal_put_cursor(j, &c, &err));
    struct journal_notice n = {.channel = -1, .text = "come and look"};
    OK(journal_put_notice(j, &n, &err));
    n.state = NOTICE_DELIVERED;
    OK(journal_update_notice(j, &n, &err));
    struct input_boot carry = {.channel_count = 2, .circuit_count = 1, .circuits = {{.heat = 0.25, .at_utc_ns = 77}}};
    OK(journal_set_carry(j, &carry, &err));
    OK(journal_commit(j, &err));
    OK(journal_begin(j, &err));
    c.settled[0] = 6;
    ck_assert_int_eq(journal_put_cursor(j, &c, &err), -1);
    journal_rollback(j);
    struct input_boot back;
    ck_assert_int_eq(journal_get_carry(j, &back, &err), 1);
    ck_assert_int_eq(back.circuit_count, 1);
    ck_assert(back.circuits[0].heat == 0.25);

    struct journal_reader *r = journal_reader_open(f.path, &err);
    struct journal_unit u;
    ck_assert_int_eq(journal_reader_unit(r, "HQ-0147", 0, &u, &err), 1);
    ck_assert_int_eq(u.version, 2);
    ck_assert_int_eq(journal_reader_unit(r, "HQ-0147", 1, &u, &err), 1);
    ck_assert(u.plate.ratings[0].percent_on == 40.0);
    ck_assert_int_eq(journal_reader_unit(r, "HQ-9999", 0, &u, &err), 0);
    ck_assert_int_eq(journal_reader_baseline(r, "HQ-0147", &base, &err), 1);
    ck_assert_int_eq(base.run_no, 5);
    ck_assert_int_eq(journal_reader_baseline(r, "HQ-0148", &base, &err), 0);
    OK(journal_reader_dispositions(r, NULL, first_disposition, &d, &err));
    ck_assert_str_eq(d.to, "service");
    ck_assert_str_eq(d.note, "as found");
    ck_assert_int_eq(journal_reader_cursor(r, "shop", &c, &err), 1);
    ck_assert_int_eq(c.sent[FEED_EVENTS], 4);
    ck_assert_int_eq(c.settled[FEED_READINGS], 4);
    ck_assert_int_eq(journal_reader_cursor(r, "other", &c, &err), 0);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

static int count_unit(void *ctx, const struct journal_unit *u)
{
    (void)u;
    ++*(int *)ctx;
    return 0;
}

static void put_plate(struct journal *j, const char *serial, const char *maker, const char *name)
{
    struct error err = {""};
    struct unit_plate plate = {.rating_count = 1};
    char got[NAME_CAP] = "";
    (void)text_copy(plate.serial, sizeof plate.serial, serial);
    (void)text_copy(plate.maker, sizeof plate.maker, maker);
    OK(journal_begin(j, &err));
    int rc = journal_put_plate(j, &plate, 1000, got, NULL, &err);
    if (name == NULL)
        ck_assert_int_eq(rc, -1);
    else
        ck_assert_msg(rc == 0 && strcmp(got, name) == 0, "%s of %s: \"%s\" %s", serial, maker, got, err.text);
    if (rc == 0)
        OK(journal_commit(j, &err));
    else
        journal_rollback(j);
}

static void finds(struct journal_reader *r, const char *called, int found, const char *name)
{
    struct error err = {""};
    char got[NAME_CAP] = "";
    ck_assert_msg(journal_reader_find_unit(r, called, got, &err) == found, "%s: %s %s", called, got, err.text);
    if (found == 1)
        ck_assert_str_eq(got, name);
    if (found == 2)
        ck_assert_msg(strstr(err.text, name) != NULL, "%s", err.text);
}

/* Serial numbers repeat across makers: a unit is told by both, and keeps its name. */
START_TEST(test_one_serial_number_of_two_makers)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_plate(j, "4711", "Quayline", "4711");
    put_plate(j, "4711/8", "Marrowgate", "4711/8"); /* a slash of its own */
    struct journal_reader *r = journal_reader_open(f.path, &err);
    finds(r, "4711", 1, "4711");
    finds(r, "4711/Quayline", 1, "4711");
    finds(r, "4711/Marrowgate", 0, NULL);
    put_plate(j, "4711", "Marrowgate", "4711/Marrowgate");
    put_plate(j, "4711", " quayline ", "4711"); /* capitals and spaces make no other maker */
    put_plate(j, "4711", "MARROWGATE", "4711/Marrowgate");
    put_plate(j, "4711", "", NULL);                          /* which of the two? */
    finds(r, "4711", 2, "4711/quayline or 4711/MARROWGATE"); /* as the latest plates write it */
    finds(r, "4711/quayline", 1, "4711");
    finds(r, "4711/Marrowgate", 1, "4711/Marrowgate");
    finds(r, "4711/8", 1, "4711/8");
    finds(r, "4711/8/Marrowgate", 1, "4711/8");
    finds(r, "471", 0, NULL);
    /* A plate without a maker, then with it: one unit, and its name stays. */
    put_plate(j, "12", "", "12");
    put_plate(j, "12", "Quayline", "12");
    put_plate(j, "12", "A maker with a name that is far too long for a tag", NULL);
    int count = 0;
    OK(journal_reader_units(r, NULL, count_unit, &count, &err));
    ck_assert_int_eq(count, 4);
    OK(journal_reader_units(r, "4711", count_unit, &count, &err));
    ck_assert_int_eq(count, 6); /* two behind it */

    /* What is kept under one name is not the other's. */
    struct journal_inspection t = {.serial = "4711", .kind = "before hire", .done_utc_s = 5, .passed = true};
    struct journal_baseline base = {.serial = "4711", .run_no = 1, .who = "yard", .utc_s = 9};
    struct input start = fixture_start(1, 1, 0);
    (void)text_copy(start.u.operator_.run.serial, NAME_CAP, "4711");
    struct event on = fixture_event(2, 0, 1);
    on.kind = EVENT_STEPS;
    OK(journal_begin(j, &err));
    OK(journal_put_inspection(j, &t, &err));
    OK(journal_put_baseline(j, &base, &err));
    OK(journal_put_run(j, &start, 0, &err));
    OK(journal_put_event(j, &on, &err));
    OK(journal_commit(j, &err));
    int64_t at_us = 0;
    ck_assert_int_eq(journal_reader_last_load(r, "4711", &at_us, &err), 1);
    ck_assert_int_eq(journal_reader_last_load(r, "4711/Marrowgate", &at_us, &err), 0);
    ck_assert_int_eq(journal_reader_baseline(r, "4711/Marrowgate", &base, &err), 0);
    struct run_filter filter = {.serial = "4711/Marrowgate"};
    struct journal_run run = {0};
    OK(journal_reader_runs(r, &filter, fixture_keep_run, &run, &err));
    ck_assert_int_eq(run.run_no, 0);
    /* A maker's name is corrected by saying whose plate it is. */
    struct unit_plate plate = {.serial = "4711", .maker = "Quayline Works", .rating_count = 1};
    char name[NAME_CAP] = "4711";
    OK(journal_begin(j, &err));
    OK(journal_put_plate(j, &plate, 2000, name, NULL, &err));
    OK(journal_commit(j, &err));
    finds(r, "4711/Quayline Works", 1, "4711");
    struct journal_check_result checked;
    OK(journal_verify(r, NULL, NULL, NULL, &checked, &err));
    ck_assert_int_eq(checked.problems, 0);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal units");
    TCase *t = tcase_create("units");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, test_units_and_others);
    tcase_add_test(t, test_one_serial_number_of_two_makers);
    suite_add_tcase(s, t);
    return suite_run(s);
}
