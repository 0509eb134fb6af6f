/* What the bench was used for: hours, hands, energy, closings and units tested again, held against sums done by hand.
 */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "run_client.h"
#include "soak_journal.h"
#include "suite_run.h"

static const double day_s = 86400;

static void put(struct soak_journal *s, enum event_kind kind, int code, int code2, double at_s)
{
    soak_journal_event(s, (struct event){.kind = kind, .code = code, .code2 = code2, .at_ns = (int64_t)(at_s * 1e9)});
}

/* Rigged for 5 min, dialled in for 30 s, on load twice: the first two contactors, then the third with them, then, out
 * of a pause, the first alone. 20 min on the channel. */
static void put_use(struct soak_journal *s, double begin_s)
{
    struct error err = {{0}};
    ck_assert_int_eq(journal_begin(s->journal, &err), 0);
    put(s, EVENT_STATE, STATE_RIGGING, STATE_FREE, begin_s);
    put(s, EVENT_STATE, STATE_PREFLIGHT, STATE_RIGGING, begin_s + 300);
    put(s, EVENT_STATE, STATE_SETTING, STATE_PREFLIGHT, begin_s + 310);
    put(s, EVENT_STEPS, 3, 0, begin_s + 311);
    put(s, EVENT_STATE, STATE_PAUSE, STATE_SETTING, begin_s + 340);
    put(s, EVENT_STATE, STATE_ON_LOAD, STATE_PAUSE, begin_s + 400);
    put(s, EVENT_STEPS, 3, 0, begin_s + 401);
    put(s, EVENT_STEPS, 7, 0, begin_s + 410);
    put(s, EVENT_STATE, STATE_PAUSE, STATE_ON_LOAD, begin_s + 640);
    put(s, EVENT_STATE, STATE_ON_LOAD, STATE_PAUSE, begin_s + 1000);
    put(s, EVENT_STEPS, 1, 0, begin_s + 1001);
    put(s, EVENT_STATE, STATE_DONE, STATE_ON_LOAD, begin_s + 1100);
    put(s, EVENT_STATE, STATE_FREE, STATE_DONE, begin_s + 1200);
    ck_assert_int_eq(journal_commit(s->journal, &err), 0);
}

START_TEST(hours_energy_and_closings_add_up)
{
    struct soak_journal s;
    char words[240];
    soak_journal_begin(&s);
    struct soak_run first = soak_run_plain(1, day_s), again = soak_run_plain(2, 2 * day_s);
    put_use(&s, day_s - 2000);
    soak_journal_run(&s, &first);
    soak_journal_run(&s, &again);
    (void)text_format(words, sizeof words, "--journal %s use --since 2000-01-01", s.path);
    json_t *use = client_json(words, 0);
    ck_assert_int_eq(json_integer_value(json_object_get(use, "runs")), 2);
    ck_assert_int_eq(json_integer_value(json_object_get(json_object_get(use, "verdicts"), "held")), 2);
    ck_assert_int_eq(json_integer_value(json_object_get(use, "units")), 1);
    ck_assert_int_eq(json_integer_value(json_object_get(use, "units_again")), 1);
    const json_t *a = json_array_get(json_object_get(use, "channels"), 0);
    ck_assert_str_eq(json_string_value(json_object_get(a, "channel")), "A");
    ck_assert_double_eq_tol(figure(a, "held_s"), 1200, 1e-6);
    ck_assert_double_eq_tol(figure(a, "hands_s"), 330, 1e-6);
    /* Each run has one cycle, half a second longer than its time at 160 A, at its load voltage. */
    double cycles = figure(a, "on_load_s") / (first.on_s + 0.5);
    ck_assert_double_eq_tol(cycles, 2, 1e-9);
    ck_assert_double_eq_tol(figure(a, "load_wh"),
                            2 * (first.on_s + 0.5) * first.current_a * first.load_voltage_v / 3600, 1e-6);
    /* The first contactor: setting, first part, second part. */
    ck_assert_int_eq(json_integer_value(json_object_get(a, "closings")), 3);
    ck_assert_int_eq(json_integer_value(json_object_get(a, "closings_left")), 997);
    json_decref(use);
    soak_journal_end(&s);
}
END_TEST

START_TEST(a_period_leaves_out_what_lies_outside)
{
    struct soak_journal s;
    char words[240];
    struct outcome *o = calloc(1, sizeof *o);
    ck_assert_ptr_nonnull(o);
    soak_journal_begin(&s);
    struct soak_run only = soak_run_plain(1, day_s);
    soak_journal_run(&s, &only);
    (void)text_format(words, sizeof words, "--journal %s use --since 1999-01-01 --until 1999-02-01", s.path);
    run_client(o, words);
    ck_assert_msg(o->status == 0, "%s", o->err);
    ck_assert_ptr_nonnull(strstr(o->out, "From 1999-01-01T00:00 to 1999-02-01T00:00"));
    ck_assert_ptr_nonnull(strstr(o->out, "0 runs\n"));
    (void)text_format(words, sizeof words, "--journal %s run show 1", s.path);
    run_client(o, words);
    ck_assert_msg(o->status == 0, "%s", o->err);
    ck_assert_ptr_nonnull(strstr(o->out, "of the channel, "));
    free(o);
    soak_journal_end(&s);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("use");
    TCase *t = tcase_create("use");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, hours_energy_and_closings_add_up);
    tcase_add_test(t, a_period_leaves_out_what_lies_outside);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
