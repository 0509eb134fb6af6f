/* The kinds of load besides a stepped bank over Modbus, each through the whole chain in process on the virtual clock:
 * one that is set to a resistance (constant-current unit), one that is set to a current (constant-voltage unit), and a
 * bank whose controller speaks words. What really flowed is asked of the virtual bench, which shares no code with the
 * daemon; conventional load voltages are those of IEC 60974-1 (TIG 10 + 0.04 I2, MIG 14 + 0.05 I2, MMA 20 + 0.04 I2).
 */
#include <check.h>
#include <math.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "replay_check.h"
#include "suite_run.h"

enum { A, B, C };

static struct harness *three_loads(void)
{
    struct harness_setup setup = {.bench = "config/examples/three-loads"};
    return harness_new(&setup);
}

static struct vbench_channel_state truth(struct harness *h, int channel)
{
    struct vbench_channel_state state;
    ck_assert(vbench_channel(h->vb, channel, &state));
    return state;
}

static bool flows(struct harness *h, void *ctx)
{
    return truth(h, *(const int *)ctx).i2_a > 100;
}

static bool stopped(struct harness *h, void *ctx)
{
    return truth(h, *(const int *)ctx).i2_a < 1;
}

static int bench_bus(struct harness *h, const char *name)
{
    for (int i = 0; i < h->config->bench.bus_count; i++)
        if (strcmp(h->config->bench.bus_names[i], name) == 0)
            return i;
    ck_abort_msg("no bus %s", name);
}

static int64_t start_proof(struct harness *h, const char *channel, const char *unit)
{
    harness_rig(h, channel);
    struct input_operator order = harness_start_order(h, channel, unit, 0, PROCEDURE_PROOF);
    order.run.cycles = 2;
    int64_t run = harness_start(h, &order);
    int at = channel[0] - 'A';
    ck_assert(harness_run_until(h, flows, &at, 2 * H_MINUTE));
    harness_run_for(h, 20 * H_SECOND);
    return run;
}

/* Held from cold, everything open afterwards, and the same to the bit when it is judged again. */
static void check_held(struct harness *h, const char *channel, int64_t run, double current_a, double load_v)
{
    struct verdict v;
    harness_run_until_done(h, channel, 40 * H_MINUTE);
    harness_run_for(h, 5 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_double_eq_tol(v.current_a, current_a, 0.02 * current_a);
    ck_assert_double_eq_tol(v.load_voltage_v, load_v, 0.03 * load_v);
    ck_assert_uint_eq(truth(h, channel[0] - 'A').closed_mask, 0);
    ck_assert_double_lt(truth(h, channel[0] - 'A').i2_a, 0.01);
    replay_check(h, run, 0);
}

START_TEST(a_load_set_to_a_resistance)
{
    struct harness *h = three_loads();
    struct event steps;
    harness_prove_watchdogs(h);
    int64_t run = start_proof(h, "A", "config/examples/units/hq-0147.yaml");
    /* 16.4 V at 160 A: 0.1025 ohm at the unit's terminals, 3.9 milliohm of them in the leads. The register counts
     * tenths of a milliohm. */
    ck_assert_double_eq_tol(truth(h, A).u2_v / truth(h, A).i2_a, 16.4 / 160, 0.0002);
    ck_assert(harness_find_event(h, EVENT_STEPS, "A", &steps));
    check_held(h, "A", run, 160, 16.4);
    harness_free(h);
}
END_TEST

START_TEST(a_load_set_to_a_current)
{
    struct harness *h = three_loads();
    harness_prove_watchdogs(h);
    int64_t run = start_proof(h, "B", "config/examples/units/hq-0163.yaml");
    ck_assert_double_eq_tol(truth(h, B).i2_a, 200, 0.01);
    check_held(h, "B", run, 200, 24);
    harness_free(h);
}
END_TEST

START_TEST(a_load_controller_that_speaks_words)
{
    struct harness *h = three_loads();
    harness_prove_watchdogs(h);
    int64_t run = start_proof(h, "C", "config/examples/units/hq-0152.yaml");
    ck_assert_double_eq_tol(truth(h, C).i2_a, 140, 3);
    harness_run_until_done(h, "C", 40 * H_MINUTE);
    harness_run_for(h, 5 * H_SECOND);
    struct verdict v;
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_msg(v.kind == VERDICT_HELD, "%s: %s", verdict_kind_name(v.kind), v.reason);
    ck_assert_uint_eq(truth(h, C).closed_mask, 0);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* The controller answers nothing any more while its load is on: its own watchdog opens, and that is what the run says.
 */
START_TEST(a_text_controller_that_falls_silent)
{
    struct harness *h = three_loads();
    struct verdict v;
    int at = C;
    harness_prove_watchdogs(h);
    int64_t run = start_proof(h, "C", "config/examples/units/hq-0152.yaml");
    h->bus_silent[bench_bus(h, "words")] = true;
    ck_assert(harness_run_until(h, stopped, &at, 15 * H_SECOND)); /* its limit is 10 s here */
    harness_run_until_done(h, "C", 5 * H_MINUTE);
    harness_run_for(h, 5 * H_SECOND);
    ck_assert(harness_verdict(h, run, &v));
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_ge(harness_count_events(h, EVENT_INTERLOCK, "C", -1), 1);
    replay_check(h, run, 0);
    harness_free(h);
}
END_TEST

/* A load that holds a current under a unit that holds its current: refused before anything closes. */
START_TEST(what_does_not_go_together_is_refused)
{
    struct harness *h = three_loads();
    char words[TEXT_CAP] = "";
    harness_prove_watchdogs(h);
    harness_rig(h, "B");
    struct input_operator order = harness_start_order(h, "B", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    order.run.run_no = runtime_next_run_no(h->rt);
    ck_assert_int_eq(harness_order(h, &order, words), 1);
    ck_assert_msg(strstr(words, "against each other") != NULL, "%s", words);
    harness_rig(h, "A");
    order = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    order.run.run_no = runtime_next_run_no(h->rt);
    order.run.target_resistance_ohm = 25;
    ck_assert_int_eq(harness_order(h, &order, words), 1);
    ck_assert_msg(strstr(words, "can be set from 0.02 to 20 ohm") != NULL, "%s", words);
    ck_assert_int_eq(harness_count_events(h, EVENT_INTENT, "A", -1), 1); /* the watchdog's proof alone */
    harness_free(h);
}
END_TEST

static int proofs(struct harness *h)
{
    int n = 0;
    for (int d = 0; d < h->config->bench.device_count; d++)
        n += h->config->bench.devices[d].is_load && harness_view(h)->devices[d].watchdog_proved;
    return n;
}

/* The proofs of the day outlive the daemon, not the controller's own restart, with or without a daemon that sees it. */
START_TEST(proofs_are_lost_with_the_supply_only)
{
    struct harness *h = three_loads();
    harness_run_for(h, 10 * H_SECOND);
    ck_assert_int_eq(proofs(h), 0);
    harness_crash_and_restart(h, 30 * H_SECOND); /* seen once, and not forgotten */
    harness_run_for(h, 10 * H_SECOND);
    ck_assert_int_eq(proofs(h), 0);
    harness_prove_watchdogs(h);
    ck_assert_int_eq(proofs(h), 3);
    harness_crash_and_restart(h, H_MINUTE);
    harness_run_for(h, 10 * H_SECOND);
    ck_assert_int_eq(proofs(h), 3);
    harness_happen(h, "{do: power-cycle, device: by-words}");
    harness_run_for(h, 10 * H_SECOND);
    ck_assert_int_eq(proofs(h), 2);
    harness_happen(h, "{do: power-cycle, device: by-ohms}");
    harness_crash_and_restart(h, H_MINUTE);
    harness_run_for(h, 10 * H_SECOND);
    ck_assert_int_eq(proofs(h), 1);
    harness_free(h);
}
END_TEST

static int64_t one_number(struct harness *h, const char *query)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    ck_assert_int_eq(sqlite3_open_v2(h->journal_path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_prepare_v2(db, query, -1, &st, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_step(st), SQLITE_ROW);
    int64_t number = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return number;
}

/* Each minute of each bus and device is on file, and what went wrong stands in the minute in which it did. */
START_TEST(figures_of_the_lines_are_kept_by_the_minute)
{
    struct harness *h = three_loads();
    harness_run_for(h, 5 * H_MINUTE + 10 * H_SECOND);
    h->bus_silent[bench_bus(h, "words")] = true;
    harness_run_for(h, 10 * H_SECOND);
    h->bus_silent[bench_bus(h, "words")] = false;
    harness_run_for(h, 5 * H_MINUTE);
    /* ten whole minutes; four buses and seven devices */
    ck_assert_int_eq(one_number(h, "SELECT count(*) FROM line_minutes WHERE device = ''"), 10 * 4);
    ck_assert_int_eq(one_number(h, "SELECT count(*) FROM line_minutes WHERE device <> ''"), 10 * 7);
    ck_assert_int_eq(one_number(h, "SELECT count(*) FROM line_minutes WHERE seconds < 59.9 OR seconds > 61"), 0);
    /* The meters are asked each second, in two requests at most (input registers 20 to 29 lie close together). */
    ck_assert_int_eq(one_number(h, "SELECT count(*) FROM line_minutes WHERE device = 'supply1' AND transactions"
                                   " BETWEEN 59 AND 61 AND timeouts = 0"),
                     10);
    ck_assert_int_ge(one_number(h, "SELECT sum(timeouts) FROM line_minutes WHERE device = 'by-words'"), 3);
    ck_assert_int_eq(one_number(h, "SELECT count(*) FROM line_minutes WHERE timeouts > 0 AND device = 'by-words'"), 1);
    ck_assert_int_eq(one_number(h, "SELECT losses FROM line_minutes WHERE timeouts > 0 AND device = 'by-words'"), 1);
    ck_assert_int_eq(one_number(h, "SELECT count(*) FROM line_minutes WHERE device = '' AND line_pct IS NOT NULL"),
                     10 * 2); /* the two serial lines */
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("three loads");
    TCase *t = tcase_create("three loads");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, a_load_set_to_a_resistance);
    tcase_add_test(t, a_load_set_to_a_current);
    tcase_add_test(t, a_load_controller_that_speaks_words);
    tcase_add_test(t, a_text_controller_that_falls_silent);
    tcase_add_test(t, proofs_are_lost_with_the_supply_only);
    tcase_add_test(t, figures_of_the_lines_are_kept_by_the_minute);
    tcase_add_test(t, what_does_not_go_together_is_refused);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
