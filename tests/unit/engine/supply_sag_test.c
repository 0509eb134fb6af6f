/* Sags of the supply through the whole chain: the worst stretch counts, not only the mean of the on-load part. The
 * limit of 5 % is IEC 60974-1's tolerance on supply voltage in a heating test (from memory, unverified); that a brief
 * sag at switch-on is no reason is common practice, no published source. */
#include <check.h>
#include <math.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "suite_run.h"

static const char low[] = "{do: supply-voltage, circuit: c1, voltage_v: 213}"; /* 7.4 % below 230 V, unloaded */
static const char right[] = "{do: supply-voltage, circuit: c1, voltage_v: 234}";

struct seen {
    char text[TEXT_CAP]; /* why the last cycle was void */
    int valid, cycles;
};

static int take_cycle(void *ctx, const struct journal_event *row)
{
    struct seen *seen = ctx;
    if (row->event.kind != EVENT_CYCLE)
        return 0;
    seen->cycles++;
    seen->valid += row->event.code2;
    text_copy(seen->text, sizeof seen->text, row->event.text);
    return 0;
}

static struct seen cycles_of(struct harness *h)
{
    struct seen seen = {.valid = 0};
    struct error err = {""};
    struct row_filter filter = row_filter_any();
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    ck_assert_int_eq(journal_reader_events(r, &filter, take_cycle, &seen, &err), 0);
    journal_reader_close(r);
    return seen;
}

static struct harness *screened(void)
{
    struct harness_setup setup = {.bench = "config/examples/two-units"};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    harness_run_for(h, 60 * H_SECOND);
    harness_rig(h, "A");
    harness_happen(h, right);
    return h;
}

/* One cycle of 40 %, 240 s on-load, during which the supply is low from one moment to another. */
static struct seen with_sag(int64_t from_ns, int64_t until_ns, struct verdict *v)
{
    struct harness *h = screened();
    struct input_operator order =
        harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_SCREEN);
    if (from_ns == 0)
        harness_happen(h, low);
    int64_t run = harness_start(h, &order);
    for (int i = 0; i < 600 && !harness_in_state(h, "A", STATE_ON_LOAD); i++)
        harness_run_for(h, H_SECOND / 10);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    harness_run_for(h, from_ns);
    harness_happen(h, low);
    harness_run_for(h, until_ns - from_ns);
    harness_happen(h, right);
    harness_run_until_done(h, "A", H_HOUR);
    harness_run_for(h, 2 * H_SECOND);
    ck_assert(harness_verdict(h, run, v));
    struct seen seen = cycles_of(h);
    ck_assert_int_eq(seen.cycles, 1);
    harness_free(h);
    return seen;
}

START_TEST(a_sag_near_the_end_voids_though_the_mean_holds)
{
    struct verdict v;
    struct seen seen = with_sag(220 * H_SECOND, 235 * H_SECOND, &v);
    ck_assert_int_eq(seen.valid, 0);
    ck_assert_msg(strstr(seen.text, "supply (u1) -") && strstr(seen.text, "for 1"), "\"%s\"", seen.text);
    ck_assert_int_eq(v.kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(v.cause, CAUSE_NONE);
    ck_assert_double_gt(v.supply_v, 0.95 * 230); /* the mean would have let it pass */
}
END_TEST

/* It is still low when the load opens. */
START_TEST(a_sag_that_outlasts_the_load_voids)
{
    struct verdict v;
    struct seen seen = with_sag(230 * H_SECOND, 300 * H_SECOND, &v);
    ck_assert_int_eq(seen.valid, 0);
    ck_assert_msg(strstr(seen.text, "supply (u1) -"), "\"%s\"", seen.text);
    ck_assert_double_gt(v.supply_v, 0.95 * 230);
}
END_TEST

START_TEST(a_brief_sag_voids_nothing)
{
    struct verdict v;
    struct seen seen = with_sag(120 * H_SECOND, 123 * H_SECOND, &v);
    ck_assert_msg(seen.valid == 1, "%s", seen.text);
    ck_assert_msg(v.kind == VERDICT_HELD, "%s", v.reason);
}
END_TEST

START_TEST(a_sag_at_switch_on_voids_nothing)
{
    struct verdict v;
    struct seen seen = with_sag(0, 4 * H_SECOND, &v);
    ck_assert_msg(seen.valid == 1, "%s", seen.text);
    ck_assert_msg(v.kind == VERDICT_HELD, "%s", v.reason);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("supply sag");
    TCase *t = tcase_create("supply sag");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_sag_near_the_end_voids_though_the_mean_holds);
    tcase_add_test(t, a_sag_that_outlasts_the_load_voids);
    tcase_add_test(t, a_brief_sag_voids_nothing);
    tcase_add_test(t, a_sag_at_switch_on_voids_nothing);
    suite_add_tcase(s, t);
    return suite_run(s);
}
