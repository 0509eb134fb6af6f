/* An own export judged as a record from elsewhere gives the verdict that the run had. Runs of the real daemon on the
 * virtual clock; export and judgement by the real client. What has to be equal: verdict, basis, causes, cycles that
 * count and that do not; conducting and at-rated time, and the moment of the shutoff, to 1 ms; means of current,
 * voltage, supply and intake air to 1e-6; the time to reset within the half-widths of both, since a file does not show
 * when the bench looked. Not compared: times commanded, which the file knows to a poll only. */
#define _GNU_SOURCE /* mkdtemp */
#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "harness.h"
#include "journal_read.h"
#include "suite_run.h"

struct scene {
    const char *channel, *plate, *point, *words; /* words: what is stated besides the plate */
    int point_index;
    enum procedure procedure;
    int cycles;
    int64_t soak_ns;
    int64_t happens_after_ns; /* from the begin of on-load on; 0: nothing happens */
    const char *happens;
    enum verdict_kind kind;
    enum shutoff_cause cause;
};

/* The meters of the bench as its configuration states them. */
static const char *const meters =
    "--column 'i2=i2_a;uncertainty=0.5 % + 0.1 % of 400 A;refresh=200 ms;averaging=200 ms' "
    "--column 'u2=u2_v;uncertainty=0.3 % + 0.1 % of 100 V;refresh=200 ms;averaging=200 ms' "
    "--column 'u_bank=u_bank_v;refresh=200 ms;averaging=200 ms' --column 'u2_peak=u2_peak_v;refresh=200 ms' "
    "--column 'u1=u1_v;uncertainty=0.5 %;refresh=500 ms;averaging=500 ms' "
    "--column 'i1=i1_a;uncertainty=1 %;refresh=500 ms;averaging=500 ms' "
    "--column 'p1=p1_w;refresh=500 ms;averaging=500 ms' --column 'u1_line=u1_line_v;refresh=500 ms;averaging=500 ms' "
    "--column 't_intake=t_intake_degc;uncertainty=1 K;refresh=1 s;damping=2 s' "
    "--column 't_exhaust=t_exhaust_degc;refresh=1 s;damping=2 s' --column 't_case=t_case_degc;refresh=1 s;damping=2 s'";

static bool is_on_load(struct harness *h, void *ctx)
{
    return harness_in_state(h, ctx, STATE_ON_LOAD);
}

static int64_t play(const struct scene *s, struct harness *h, struct verdict *v)
{
    char plate[128];
    harness_prove_watchdogs(h);
    harness_rig(h, s->channel);
    (void)text_format(plate, sizeof plate, "config/examples/units/%s.yaml", s->plate);
    struct input_operator order = harness_start_order(h, s->channel, plate, s->point_index, s->procedure);
    order.run.cycles = s->cycles;
    order.run.soak_ns = s->soak_ns;
    int64_t run_no = harness_start(h, &order);
    if (s->happens) {
        ck_assert(harness_run_until(h, is_on_load, (void *)(uintptr_t)s->channel, H_MINUTE));
        harness_run_for(h, s->happens_after_ns);
        harness_happen(h, s->happens);
    }
    harness_run_until_done(h, s->channel, 6 * H_HOUR);
    harness_finish(h);
    ck_assert(harness_verdict(h, run_no, v));
    return run_no;
}

static json_t *judge_export(const struct scene *s, const char *journal, int64_t run_no, const char *folder)
{
    static char command[4096];
    char path[PATH_CAP];
    (void)text_format(command, sizeof command,
                      "SOAKBENCH_SOCKET=none '%s' export %lld --to '%s/out' --journal '%s' >/dev/null",
                      SOAKBENCH_BINARY, (long long)run_no, folder, journal);
    ck_assert_int_eq(system(command), 0);
    char plate[128];
    (void)text_format(plate, sizeof plate, "config/examples/units/%s.yaml", s->plate);
    (void)text_format(
        command, sizeof command,
        "'%s' replay '%s/out/readings.csv' --plate '%s' --point %d --procedure %s --start cold --circuit x "
        "--confirm-setup --control-at-maximum %s %s --json >'%s/answer.json'",
        SOAKBENCH_BINARY, folder, harness_source_path(path, plate), s->point_index + 1, procedure_name(s->procedure),
        s->words, meters, folder);
    int ended = WEXITSTATUS(system(command));
    ck_assert_msg(ended == 0 || ended == 3 || ended == 4, "status %d of %s", ended, command);
    (void)text_format(path, sizeof path, "%s/answer.json", folder);
    json_t *answer = json_load_file(path, 0, NULL);
    ck_assert_ptr_nonnull(answer);
    return answer;
}

static double of(const json_t *judgement, const char *key)
{
    const json_t *v = json_object_get(judgement, key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static const char *word(const json_t *judgement, const char *key)
{
    const char *text = json_string_value(json_object_get(judgement, key));
    return text ? text : "none";
}

static void same(const json_t *judgement, const char *key, double was, double within)
{
    double is = of(judgement, key);
    ck_assert_msg((isnan(was) && isnan(is)) || fabs(was - is) <= within, "%s: the run had %.9g, the file gives %.9g",
                  key, was, is);
}

static void compare(const struct verdict *v, const json_t *answer)
{
    const json_t *j = json_object_get(answer, "judgement");
    ck_assert_str_eq(word(j, "verdict"), verdict_kind_name(v->kind));
    ck_assert_str_eq(word(j, "basis"), basis_name(v->basis));
    ck_assert_str_eq(word(j, "cause"), shutoff_cause_name(v->cause));
    ck_assert_str_eq(word(j, "or_cause"), shutoff_cause_name(v->cause_second));
    same(j, "cycles_valid", v->cycles_valid, 0);
    same(j, "cycles_void", v->cycles_void, 0);
    same(j, "rated_on_s", v->rated_on_s, 0);
    same(j, "conducting_s", v->conducting_s, 0.001);
    same(j, "at_rated_s", v->at_rated_s, 0.001);
    same(j, "in_band_s", v->in_band_s, 0.001);
    same(j, "percent_on_delivered", v->percent_on_delivered, 0.001);
    same(j, "shutoff_s", v->shutoff_s, 0.001);
    same(j, "shutoff_half_width_s", v->shutoff_half_width_s, 0.001);
    same(j, "time_uncertainty_s", v->time_uncertainty_s, 0.001);
    same(j, "current_a", v->current_a, 1e-6 * v->current_a);
    same(j, "load_voltage_v", v->load_voltage_v, 1e-6 * v->load_voltage_v);
    same(j, "supply_v", v->supply_v, 1e-6 * v->supply_v);
    same(j, "intake_degc", v->intake_degc, 1e-6 * v->intake_degc);
    if (!isnan(v->reset_s)) {
        double is = of(j, "reset_s");
        ck_assert_msg(is > 0.4 * v->reset_s && is < v->reset_s + 31, "reset: the run had %.1f s, the file gives %.1f s",
                      v->reset_s, is);
    }
    same(j, "drift_k_per_h", v->drift_k_per_h, 0.2);
}

static void round_trip(const struct scene *s)
{
    struct harness_setup setup = {.bench = "config/examples/two-units", .real_share = 60};
    struct harness *h = harness_new(&setup);
    struct verdict v;
    char folder[] = "/tmp/soakbench-test-XXXXXX", command[128];
    ck_assert_ptr_nonnull(mkdtemp(folder));
    int64_t run_no = play(s, h, &v);
    ck_assert_msg(v.kind == s->kind && v.cause == s->cause, "the scene itself: %s", v.reason);
    json_t *answer = judge_export(s, h->journal_path, run_no, folder);
    compare(&v, answer);
    ck_assert_str_eq(word(answer, "source"), "file");
    json_decref(answer);
    harness_free(h);
    (void)text_format(command, sizeof command, "rm -r %s", folder);
    ck_assert_int_eq(system(command), 0);
}

START_TEST(a_hold)
{
    round_trip(&(struct scene){
        .channel = "A", .plate = "hq-0147", .procedure = PROCEDURE_SCREEN, .words = "", .kind = VERDICT_HELD});
}
END_TEST

START_TEST(three_cycles)
{
    round_trip(&(struct scene){.channel = "A",
                               .plate = "hq-0147",
                               .procedure = PROCEDURE_PROOF,
                               .cycles = 3,
                               .words = "--cycles 3",
                               .kind = VERDICT_HELD});
}
END_TEST

START_TEST(a_cut_out_in_the_third_cycle)
{
    round_trip(&(struct scene){.channel = "B",
                               .plate = "hq-0152",
                               .procedure = PROCEDURE_SOAK,
                               .soak_ns = 2 * H_HOUR,
                               .words = "--soak '2 h' --load-held",
                               .kind = VERDICT_NOT_MET,
                               .cause = CAUSE_THERMAL_CUTOUT});
}
END_TEST

START_TEST(a_breaker_that_trips)
{
    round_trip(&(struct scene){.channel = "A",
                               .plate = "hq-0147",
                               .procedure = PROCEDURE_SCREEN,
                               .words = "",
                               .happens_after_ns = 90 * H_SECOND,
                               .happens = "{do: trip-breaker, circuit: c1}",
                               .kind = VERDICT_UNDECIDED,
                               .cause = CAUSE_SUPPLY_LOST});
}
END_TEST

START_TEST(a_lead_that_comes_off)
{
    round_trip(&(struct scene){.channel = "A",
                               .plate = "hq-0147",
                               .procedure = PROCEDURE_SCREEN,
                               .words = "",
                               .happens_after_ns = 90 * H_SECOND,
                               .happens = "{do: lead-open, channel: A}",
                               .kind = VERDICT_UNDECIDED,
                               .cause = CAUSE_LOAD_PATH_OPEN});
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("an own export as a record from elsewhere");
    TCase *c = tcase_create("round");
    tcase_set_timeout(c, 240);
    tcase_add_test(c, a_hold);
    tcase_add_test(c, three_cycles);
    tcase_add_test(c, a_cut_out_in_the_third_cycle);
    tcase_add_test(c, a_breaker_that_trips);
    tcase_add_test(c, a_lead_that_comes_off);
    suite_add_tcase(suite, c);
    return suite_run(suite);
}
