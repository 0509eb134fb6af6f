/* A unit over its life: a change is claimed only beyond what the bench can tell, after the runs are brought to the same
 * current, supply and air. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "run_client.h"
#include "soak_journal.h"
#include "suite_run.h"
#include "unit_history.h"

static const double day_s = 86400;

/* A run to the cut-out on_s after the begin of its on-load part, back after reset_s. */
static struct soak_run cut_run(int64_t run_no, double on_s, double reset_s)
{
    struct soak_run run = soak_run_plain(run_no, (double)run_no * day_s);
    run.procedure = PROCEDURE_TO_CUTOUT;
    run.on_s = on_s;
    run.reset_s = reset_s;
    return run;
}

static void load(struct soak_journal *s, struct unit_history *h)
{
    struct error err = {{0}};
    struct journal_reader *reader = journal_reader_open(s->path, &err);
    ck_assert_msg(reader != NULL, "%s", err.text);
    ck_assert_msg(unit_history_load(reader, "HQ-0147", NULL, 50, h, &err) == 0, "%s", err.text);
    journal_reader_close(reader);
}

START_TEST(a_change_counts_only_beyond_the_bench)
{
    struct soak_journal s;
    struct unit_history h;
    soak_journal_begin(&s);
    struct soak_run runs[] = {cut_run(1, 300, 200), cut_run(2, 297, 203), cut_run(3, 264, 260)};
    runs[2].case_rise_k = 36; /* the same loss: 20 % more kelvin a watt */
    for (size_t i = 0; i < 3; i++)
        soak_journal_run(&s, &runs[i]);
    load(&s, &h);
    ck_assert_uint_eq(h.count, 3);
    ck_assert_int_eq(h.rows[0].against_run, 0);
    ck_assert_int_eq(h.rows[1].against_run, 1);
    /* 1 % with a bench that repeats within 2 %: no change. */
    ck_assert_double_eq_tol(h.rows[1].time_to_shutoff.change_pct, -1.0, 0.01);
    ck_assert(!h.rows[1].time_to_shutoff.beyond && !h.rows[1].reset.beyond && !h.rows[1].resistance.beyond);
    ck_assert_double_ge(h.rows[1].time_to_shutoff.limit_pct, h.times.pct);
    ck_assert_double_eq_tol(h.rows[2].time_to_shutoff.change_pct, -12.0, 0.01);
    ck_assert_double_eq_tol(h.rows[2].reset.change_pct, 30.0, 0.01);
    ck_assert_double_eq_tol(h.rows[2].resistance.change_pct, 20.0, 0.7);
    ck_assert(h.rows[2].time_to_shutoff.beyond && h.rows[2].reset.beyond && h.rows[2].resistance.beyond);
    /* 30 K over 600 W. */
    ck_assert_double_eq_tol(h.rows[0].resistance_k_per_w, 0.05, 0.001);
    ck_assert_double_eq_tol(h.rows[2].margin_pct, 10.0, 0.01);
    unit_history_free(&h);
    soak_journal_end(&s);
}
END_TEST

/* A warm unit begins somewhere between cold and equilibrium: that much is added to what the bench repeats, no verdict
 * of "no change" or "worse" rests on it. */
START_TEST(warm_starts_are_compared_by_what_their_starts_allow)
{
    struct soak_journal s;
    struct unit_history h;
    soak_journal_begin(&s);
    struct soak_run runs[] = {cut_run(1, 300, 200), cut_run(2, 300, 200), cut_run(3, 300, 200), cut_run(4, 270, 200)};
    runs[2].case_rise_k = 36;
    runs[3].case_rise_k = 32;
    for (size_t i = 0; i < 4; i++) {
        runs[i].start = START_WARM;
        soak_journal_run(&s, &runs[i]);
    }
    load(&s, &h);
    ck_assert_int_eq(h.rows[1].run.verdict.basis, BASIS_WARM_CYCLE);
    ck_assert_double_eq_tol(h.rows[1].start_rise_k, h.rows[0].start_rise_k, 1e-9);
    ck_assert_double_eq_tol(h.rows[1].resistance.limit_pct, h.heat.pct, 1e-6); /* they began alike */
    ck_assert_double_eq_tol(h.rows[2].resistance.change_pct, 20.0, 0.7);
    ck_assert(h.rows[2].resistance.beyond);
    /* 10 % less time on load: 6.7 % more kelvin a watt are within what that explains. */
    ck_assert_double_ge(h.rows[3].resistance.limit_pct, h.heat.pct + 9.9);
    ck_assert(!h.rows[3].resistance.beyond);
    unit_history_free(&h);
    soak_journal_end(&s);
}
END_TEST

/* Seven runs of a check unit: 297, 300, 303, 297, 300, 303, 300 s, whose standard deviation is 0.8165 %. Student's t
 * for 6 degrees of freedom is 2.45 (JCGM 100:2008, table G.2), so two single runs differ by no more than 2.83 %. */
START_TEST(a_check_unit_says_what_the_bench_repeats)
{
    static const double on_s[] = {297, 300, 303, 297, 300, 303, 300};
    struct soak_journal s;
    struct unit_history h;
    struct error err = {{0}};
    soak_journal_begin(&s);
    for (int i = 0; i < 7; i++) {
        struct soak_run run = cut_run(i + 1, on_s[i], 200);
        soak_journal_run(&s, &run);
    }
    struct journal_reader *reader = journal_reader_open(s.path, &err);
    ck_assert_msg(reader != NULL, "%s", err.text);
    ck_assert_msg(unit_history_load(reader, "HQ-0147", "HQ-0147", 50, &h, &err) == 0, "%s", err.text);
    ck_assert_int_eq(h.times.check_runs, 7);
    ck_assert_double_eq_tol(h.times.pct, 2.83, 0.01);
    ck_assert_int_eq(h.heat.check_runs, 7);
    ck_assert_double_ge(h.rows[1].time_to_shutoff.limit_pct, h.times.pct);
    unit_history_free(&h);
    /* Too few: what the configuration states holds. */
    ck_assert_msg(unit_history_load(reader, "HQ-0147", "HQ-0999", 50, &h, &err) == 0, "%s", err.text);
    ck_assert_int_eq(h.times.check_runs, 0);
    ck_assert_double_eq_tol(h.times.pct, 2, 1e-9);
    unit_history_free(&h);
    journal_reader_close(reader);
    soak_journal_end(&s);
}
END_TEST

/* A fan of 35 W that stands still, and a draw that differs by less than any fan takes (20 to 60 W: common practice, no
 * published source). */
START_TEST(a_fan_that_stands_still_shows_in_the_draw_after_load)
{
    struct soak_journal s;
    struct unit_history h;
    soak_journal_begin(&s);
    struct soak_run runs[] = {cut_run(1, 300, 200), cut_run(2, 300, 200), cut_run(3, 300, 200)};
    runs[0].idle_w = 85;
    runs[1].idle_w = 80;
    runs[2].idle_w = 50;
    for (size_t i = 0; i < 3; i++)
        soak_journal_run(&s, &runs[i]);
    load(&s, &h);
    ck_assert_double_eq_tol(h.rows[0].idle_w, 85, 1e-9);
    ck_assert_double_eq_tol(h.rows[1].idle.change_pct, 100 * (80.0 / 85 - 1), 1e-9);
    ck_assert(!h.rows[1].idle.beyond);
    ck_assert_double_eq_tol(h.rows[2].idle.change_pct, 100 * (50.0 / 85 - 1), 1e-9);
    ck_assert(h.rows[2].idle.beyond);
    unit_history_free(&h);
    soak_journal_end(&s);
}
END_TEST

START_TEST(current_and_air_are_taken_out)
{
    struct soak_journal s;
    struct unit_history h;
    soak_journal_begin(&s);
    /* Square law (I2 squared times X constant, IEC 60974-1 duty-cycle relation): 2.5 % more current, 5.06 % less time.
     */
    struct soak_run first = cut_run(1, 300, 200), more = cut_run(2, 300 / (1.025 * 1.025), 200),
                    hot = cut_run(3, 276.9, 200);
    more.current_a = 164;
    hot.intake_degc = 25; /* 5 K of 65 K headroom, common practice: 7.7 % */
    soak_journal_run(&s, &first);
    soak_journal_run(&s, &more);
    soak_journal_run(&s, &hot);
    load(&s, &h);
    ck_assert_double_eq_tol(h.rows[1].time_to_shutoff.change_pct, 0.0, 0.05);
    ck_assert(!h.rows[1].time_to_shutoff.beyond);
    ck_assert_double_lt(fabs(h.rows[2].time_to_shutoff.change_pct), 0.7);
    ck_assert(!h.rows[2].time_to_shutoff.beyond);
    unit_history_free(&h);
    soak_journal_end(&s);
}
END_TEST

START_TEST(unlike_runs_are_not_compared_and_a_baseline_wins)
{
    struct soak_journal s;
    struct unit_history h;
    struct error err = {{0}};
    soak_journal_begin(&s);
    struct soak_run runs[] = {cut_run(1, 300, 200), soak_run_plain(2, 2 * day_s), cut_run(3, 290, 200),
                              cut_run(4, 291, 200)};
    runs[1].start = START_WARM;
    for (size_t i = 0; i < 4; i++)
        soak_journal_run(&s, &runs[i]);
    struct journal_baseline b = {.serial = "HQ-0147", .run_no = 3, .who = "Ines", .utc_s = 1767900000};
    ck_assert_int_eq(journal_begin(s.journal, &err), 0);
    ck_assert_int_eq(journal_put_baseline(s.journal, &b, &err), 0);
    ck_assert_int_eq(journal_commit(s.journal, &err), 0);
    load(&s, &h);
    ck_assert_int_eq(h.rows[1].against_run, 0);
    ck_assert_int_eq(h.rows[2].against_run, 0); /* the baseline itself */
    ck_assert_int_eq(h.rows[3].against_run, 3);
    ck_assert(h.rows[3].against_baseline);
    unit_history_free(&h);
    soak_journal_end(&s);
}
END_TEST

START_TEST(the_command_says_what_to_do)
{
    struct soak_journal s;
    char words[200];
    struct outcome *o = calloc(1, sizeof *o);
    ck_assert_ptr_nonnull(o);
    soak_journal_begin(&s);
    (void)text_format(words, sizeof words, "--journal %s unit history HQ-0147", s.path);
    run_client(o, words);
    ck_assert_int_eq(o->status, 1);
    ck_assert_ptr_nonnull(strstr(o->err, "soakbench run plan"));
    struct soak_run first = cut_run(1, 300, 200), second = cut_run(2, 264, 260);
    soak_journal_run(&s, &first);
    soak_journal_run(&s, &second);
    run_client(o, words);
    ck_assert_msg(o->status == 0, "%s", o->err);
    ck_assert_ptr_nonnull(strstr(o->out, "time to cut-out: -12.0 %"));
    ck_assert_ptr_nonnull(strstr(o->out, "worse"));
    ck_assert_ptr_nonnull(strstr(o->out, "fan, vents"));
    ck_assert_ptr_nonnull(strstr(o->out, "unit set-baseline HQ-0147"));
    json_t *object = client_json(words, 0);
    const json_t *last = json_array_get(json_object_get(object, "history"), 1);
    ck_assert_double_eq_tol(figure(json_object_get(last, "reset"), "change_pct"), 30, 0.01);
    json_decref(object);
    free(o);
    soak_journal_end(&s);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("history");
    TCase *t = tcase_create("history");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_change_counts_only_beyond_the_bench);
    tcase_add_test(t, warm_starts_are_compared_by_what_their_starts_allow);
    tcase_add_test(t, a_check_unit_says_what_the_bench_repeats);
    tcase_add_test(t, a_fan_that_stands_still_shows_in_the_draw_after_load);
    tcase_add_test(t, current_and_air_are_taken_out);
    tcase_add_test(t, unlike_runs_are_not_compared_and_a_baseline_wins);
    tcase_add_test(t, the_command_says_what_to_do);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
