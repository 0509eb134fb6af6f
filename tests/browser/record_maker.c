/* Writes a journal for the page's tests: record_maker FILE [night]. The daemon and the virtual bench run in process on
 * the virtual clock: three checks of HQ-0152, then a soak of two units, one of which is cut out hot. With "night" the
 * four units of the workshop on a night's soak. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bench_clock.h"
#include "harness.h"
#include "journal.h"
#include "problems.h"
#include "suite_run.h"
#include "unit_file.h"

/* Hours of the bench: asked less often than the example asks, which shortens the making and nothing else. */
static void ask_less_often(struct config *config)
{
    for (int d = 0; d < config->bench.device_count; d++) {
        config->devices[d].poll_ns *= 4;
        config->bench.devices[d].poll_ns = config->devices[d].poll_ns;
    }
}

static void check_once(struct harness *h, const char *channel, const char *unit, enum procedure procedure)
{
    harness_rig(h, channel);
    struct input_operator order = harness_start_order(h, channel, unit, 0, procedure);
    if (procedure == PROCEDURE_TO_CUTOUT) {
        order.run.cap_ns = H_HOUR;
        order.run.repeats = 2;
        order.run.consent_past_rating = true;
    } else if (procedure == PROCEDURE_SOAK) {
        order.run.soak_ns = 2 * H_HOUR;
        order.run.to_equilibrium = true;
        order.run.soak_cap_ns = 12 * H_HOUR;
    }
    text_copy(order.run.accepts, sizeof order.run.accepts, "time-to-open start circuit cutouts");
    (void)harness_start(h, &order);
}

static void free_channel(struct harness *h, const char *channel)
{
    struct input_operator order = {
        .verb = VERB_RELEASE, .channel = channel[0] - 'A', .device = -1, .who = "J. Example"};
    ck_assert_int_eq(harness_order(h, &order, NULL), 0);
}

/* What the register of units would hold by then. */
static void fill_register(const char *path, bool decided)
{
    static const char *const files[] = {"hq-0147.yaml", "hq-0152.yaml", "hq-0163.yaml", "hq-0171.yaml"};
    struct error err = {{0}};
    struct journal *j = journal_open(path, 0, &err);
    ck_assert_msg(j != NULL && journal_begin(j, &err) == 0, "%s", err.text);
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        char below[PATH_CAP], unit[PATH_CAP];
        struct unit_plate plate;
        struct problems problems = {0};
        int32_t version;
        text_format(below, sizeof below, "config/examples/units/%s", files[i]);
        ck_assert_int_eq(unit_file_load(harness_source_path(unit, below), &plate, &problems), 0);
        ck_assert_msg(journal_put_unit(j, &plate, 1767600000, &version, &err) == 0, "%s", err.text);
        struct journal_inspection test = {.kind = "safety test",
                                          .who = "J. Example",
                                          .reference = "HQ-T-77",
                                          .done_utc_s = 1767600000,
                                          .passed = true};
        text_copy(test.serial, sizeof test.serial, plate.serial);
        ck_assert_msg(journal_put_inspection(j, &test, &err) == 0, "%s", err.text);
        problems_free(&problems);
    }
    struct journal_disposition service = {.serial = "HQ-0152",
                                          .to = "service",
                                          .who = "J. Example",
                                          .utc_s = 1767700000,
                                          .run_no = 5,
                                          .next_due_utc_s = 1768200000,
                                          .note = "cut out hot: clean the air paths, see the fan"};
    struct journal_baseline baseline = {.serial = "HQ-0152", .run_no = 1, .who = "J. Example", .utc_s = 1767700000};
    if (decided)
        ck_assert_msg(journal_put_disposition(j, &service, &err) == 0 && journal_put_baseline(j, &baseline, &err) == 0,
                      "%s", err.text);
    ck_assert_msg(journal_commit(j, &err) == 0, "%s", err.text);
    journal_close(j);
}

/* As a Check test, since the harness reports its failures to Check. */
START_TEST(make_record)
{
    struct harness_setup setup = {.bench = "config/examples/two-units",
                                  .real_share = 60,
                                  .edit = ask_less_often,
                                  .journal_path = getenv("RECORD_FILE")};
    static const char old_check[] = "config/examples/units/hq-0152.yaml";
    static const enum procedure checks[] = {PROCEDURE_TO_CUTOUT, PROCEDURE_SCREEN, PROCEDURE_TO_CUTOUT};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    for (size_t i = 0; i < sizeof checks / sizeof checks[0]; i++) {
        check_once(h, "B", old_check, checks[i]);
        harness_run_until_done(h, "B", 6 * H_HOUR);
        free_channel(h, "B");
        harness_run_for(h, H_HOUR);
    }
    harness_prove_watchdogs(h);
    check_once(h, "A", "config/examples/units/hq-0147.yaml", PROCEDURE_SOAK);
    check_once(h, "B", old_check, PROCEDURE_SOAK);
    harness_run_until_done(h, "A", 13 * H_HOUR);
    harness_run_until_done(h, "B", 13 * H_HOUR);
    harness_finish(h);
    harness_free(h);
    fill_register(getenv("RECORD_FILE"), true);
}
END_TEST

/* The night of docs/repair-shop.md. */
START_TEST(make_night)
{
    static const char *const channels[] = {"A", "B", "C", "D"};
    static const char *const units[] = {"config/examples/units/hq-0147.yaml", "config/examples/units/hq-0152.yaml",
                                        "config/examples/units/hq-0163.yaml", "config/examples/units/hq-0171.yaml"};
    struct harness_setup setup = {
        .bench = "config/examples/harrow-quay", .real_share = 180, .journal_path = getenv("RECORD_FILE")};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    for (int i = 0; i < 4; i++)
        harness_rig(h, channels[i]);
    for (int i = 0; i < 4; i++) {
        struct input_operator order = harness_start_order(h, channels[i], units[i], 0, PROCEDURE_SOAK);
        order.run.to_equilibrium = true;
        order.run.soak_cap_ns = 10 * H_HOUR;
        order.run.go_on_after_cutout = true;
        order.run.unattended = true;
        order.run.night = harness_night(h);
        text_copy(order.run.accepts, sizeof order.run.accepts, "time-to-open start circuit bank");
        (void)harness_start(h, &order);
    }
    for (int i = 0; i < 4; i++)
        harness_run_until_done(h, channels[i], 11 * H_HOUR);
    harness_finish(h);
    harness_free(h);
    fill_register(getenv("RECORD_FILE"), false);
}
END_TEST

int main(int argc, char **argv)
{
    bool night = argc == 3 && strcmp(argv[2], "night") == 0;
    if ((argc != 2 && !night) || setenv("RECORD_FILE", argv[1], 1) != 0) {
        (void)fputs("use: record_maker FILE [night]\n", stderr);
        return 2;
    }
    Suite *suite = suite_create("record");
    TCase *tc = tcase_create("record");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, night ? make_night : make_record);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
