/* A queue through the whole daemon on the virtual bench: runs in turn, a unit that is not there any more, the record of
 * each run, the morning sheet, and a restart in between. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "harness.h"
#include "journal_read.h"
#include "morning.h"
#include "replay_check.h"
#include "suite_run.h"

static void real_time(struct config *c)
{
    c->bench.rate = 1;
}

static struct harness *bench_of(void)
{
    struct harness_setup setup = {.bench = "config/examples/two-units", .edit = real_time};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    harness_rig(h, "B");
    return h;
}

static int64_t put_on(struct harness *h, const char *channel, const char *unit, enum procedure procedure)
{
    struct input_operator order = harness_start_order(h, channel, unit, 0, procedure);
    order.verb = VERB_QUEUE;
    order.run.unattended = true;
    order.run.night = harness_night(h);
    (void)text_copy(order.run.accepts, sizeof order.run.accepts, "time-to-open circuit start bank load-path");
    return harness_start(h, &order);
}

static char *sheet_of(struct harness *h)
{
    struct error err;
    char *text = NULL;
    size_t size = 0;
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_ptr_nonnull(r);
    struct morning *m = morning_new(r, 0, &err);
    ck_assert_ptr_nonnull(m);
    FILE *to = open_memstream(&text, &size);
    ck_assert_ptr_nonnull(to);
    morning_print(m, to);
    (void)fclose(to);
    morning_free(m);
    journal_reader_close(r);
    return text;
}

static void sheet_says(struct harness *h, const char *const *words)
{
    char *sheet = sheet_of(h);
    for (int i = 0; words[i]; i++)
        ck_assert_msg(strstr(sheet, words[i]) != NULL, "no \"%s\" in:\n%s", words[i], sheet);
    free(sheet);
}

/* A run that the queue began is on record as one that a person started: same request, same judgement again. */
START_TEST(the_night_goes_on_past_what_is_refused)
{
    struct harness *h = bench_of();
    int64_t first = put_on(h, "B", "config/examples/units/hq-0152.yaml", PROCEDURE_SCREEN);
    int64_t last = put_on(h, "A", "config/examples/units/hq-0147.yaml", PROCEDURE_SCREEN);
    int64_t never = put_on(h, "B", "config/examples/units/hq-0152.yaml", PROCEDURE_PROOF);
    ck_assert_int_eq(harness_view(h)->queue_count, 3);
    harness_run_until_done(h, "B", H_HOUR);
    harness_run_for(h, 30 * H_SECOND);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    harness_happen(h, "{do: isolate, channel: B}");
    harness_run_until_done(h, "A", H_HOUR);
    harness_run_for(h, 5 * H_SECOND);
    ck_assert_int_eq(harness_view(h)->queue_count, 0);
    struct verdict v;
    ck_assert(harness_verdict(h, first, &v));
    ck_assert_int_eq(v.procedure, PROCEDURE_SCREEN);
    ck_assert(harness_verdict(h, last, &v));
    ck_assert_msg(v.kind == VERDICT_HELD, "%s", v.reason);
    ck_assert(!harness_verdict(h, never, &v));
    struct error err;
    struct journal_run run;
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_ptr_nonnull(r);
    ck_assert_int_eq(journal_reader_run(r, last, &run, &err), 1);
    ck_assert_str_eq(run.request.serial, "HQ-0147");
    ck_assert(run.request.unattended);
    ck_assert_int_eq(journal_reader_run(r, never, &run, &err), 0);
    journal_reader_close(r);
    replay_check(h, last, 0);
    static const char *const words[] = {"Not run from the queue", "skipped", "isolator", "1 not begun", NULL};
    sheet_says(h, words);
    harness_free(h);
}
END_TEST

static void limited_bank(struct config *c)
{
    real_time(c);
    c->bench.limits.bank_max_power_w = 20000;
}

/* Two soaks side by side on a bank with a limit: planned jointly by the daemon's worker, so that they take turns though
 * the bank could carry both; the record gives the same plan, events and verdicts again. A store that went meanwhile is
 * on the morning sheet. */
START_TEST(soaks_side_by_side_are_planned_and_replayed)
{
    struct harness_setup setup = {.bench = "config/examples/two-units", .edit = limited_bank};
    struct harness *h = harness_new(&setup);
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    harness_rig(h, "B");
    static const char *const units[][2] = {{"A", "config/examples/units/hq-0147.yaml"},
                                           {"B", "config/examples/units/hq-0152.yaml"}};
    int64_t run_no[2];
    for (int i = 0; i < 2; i++) {
        struct input_operator o = harness_start_order(h, units[i][0], units[i][1], 0, PROCEDURE_SOAK);
        o.verb = VERB_QUEUE;
        o.run.soak_ns = 3000 * H_SECOND;
        o.run.unattended = o.run.together = true;
        o.run.stores = (struct run_stores){.count = 1, .name = "shop"};
        o.run.night = harness_night(h);
        (void)text_copy(o.run.accepts, sizeof o.run.accepts, "time-to-open circuit start bank load-path");
        run_no[i] = harness_start(h, &o);
    }
    h->stores = (struct run_stores){.count = 1, .in_trouble = 1, .worst = STORE_STAND_UNREACHABLE, .name = "shop"};
    bool was_on[2] = {false};
    for (int i = 0; i < 3200; i++) {
        harness_run_for(h, H_SECOND);
        int on = 0;
        for (int k = 0; k < 2; k++) {
            bool is_on = harness_channel(h, units[k][0])->mask_closed != 0;
            was_on[k] = was_on[k] || is_on;
            on += is_on;
        }
        ck_assert_int_le(on, 1);
    }
    ck_assert(was_on[0] && was_on[1]);
    harness_run_until_done(h, "A", H_HOUR);
    harness_run_until_done(h, "B", H_HOUR);
    harness_run_for(h, 5 * H_SECOND);
    for (int i = 0; i < 2; i++)
        ck_assert_int_ge(replay_check(h, run_no[i], 0), 1);
    static const char *const words[] = {"begins from the queue", "store passed then, warns now", NULL};
    sheet_says(h, words);
    harness_free(h);
}
END_TEST

START_TEST(a_restart_closes_the_queue_and_says_so)
{
    struct harness *h = bench_of();
    (void)put_on(h, "A", "config/examples/units/hq-0147.yaml", PROCEDURE_PROOF);
    (void)put_on(h, "B", "config/examples/units/hq-0152.yaml", PROCEDURE_SCREEN);
    harness_run_for(h, H_MINUTE);
    ck_assert(harness_in_state(h, "A", STATE_ON_LOAD));
    harness_crash_and_restart(h, 2 * H_MINUTE);
    harness_run_for(h, 30 * H_MINUTE);
    ck_assert_int_eq(harness_view(h)->queue_count, 0);
    ck_assert(harness_in_state(h, "A", STATE_FREE));
    ck_assert(harness_in_state(h, "B", STATE_FREE));
    ck_assert_uint_eq(harness_channel(h, "B")->mask_closed, 0);
    static const char *const words[] = {"Not run from the queue", "closed", "1 run waited", NULL};
    sheet_says(h, words);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("night queue");
    TCase *tc = tcase_create("queue");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, the_night_goes_on_past_what_is_refused);
    tcase_add_test(tc, a_restart_closes_the_queue_and_says_so);
    tcase_add_test(tc, soaks_side_by_side_are_planned_and_replayed);
    suite_add_tcase(s, tc);
    return suite_run(s);
}
