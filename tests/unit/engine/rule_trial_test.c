/* Rules tried on a night that is on record: what would have told, without touching what happened. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"
#include "harness.h"
#include "journal_read.h"
#include "rule_trial.h"

struct trial {
    struct engine *engine;
    struct engine_out *out;
    int told[RULES_MAX];
    double value[RULES_MAX];
    int verdicts;
    struct verdict verdict;
};

static int feed(void *ctx, const struct input *in)
{
    struct trial *t = ctx;
    engine_step(t->engine, in, t->out);
    for (int i = 0; i < t->out->event_count; i++)
        if (t->out->events[i].kind == EVENT_RULE) {
            t->told[t->out->events[i].code]++;
            t->value[t->out->events[i].code] = t->out->events[i].values[0];
        }
    if (t->out->verdict_count > 0) {
        t->verdict = t->out->verdicts[0];
        t->verdicts++;
    }
    return 0;
}

static struct bench_rule rule(const char *name, int channel, const char *signal, double above, enum rule_action action)
{
    struct bench_rule r = {.channel = channel, .sense = RULE_ABOVE, .high = above, .low = NAN, .action = action};
    text_copy(r.name, sizeof r.name, name);
    text_copy(r.signal, sizeof r.signal, signal);
    text_copy(r.while_state, sizeof r.while_state, "on-load");
    return r;
}

START_TEST(rules_are_tried_on_record)
{
    static char config[PATH_CAP], scenario[PATH_CAP];
    struct harness_setup setup = {.config_path = harness_source_path(config, "config/examples/two-units.yaml"),
                                  .scenario = harness_source_path(scenario, "config/examples/two-units-scenario.yaml")};
    struct harness *h = harness_new(&setup);
    struct verdict was;
    struct error err = {""};
    harness_prove_watchdogs(h);
    harness_rig(h, "A");
    struct input_operator order = harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_PROOF);
    order.run.cycles = 1;
    int64_t run = harness_start(h, &order);
    harness_run_until_done(h, "A", H_HOUR);
    harness_finish(h);
    ck_assert(harness_verdict(h, run, &was));

    struct bench *recorded = calloc(1, sizeof *recorded), *wanted = calloc(1, sizeof *wanted);
    struct trial *t = calloc(1, sizeof *t);
    enum rule_action asked[RULES_MAX];
    ck_assert(recorded && wanted && t);
    *wanted = h->config->bench;
    wanted->rules[0] = rule("strong", 0, "i2", 100, RULE_OPEN);   /* 160 A flow: tells, and would have opened */
    wanted->rules[1] = rule("stronger", -1, "i2", 300, RULE_END); /* never */
    text_copy(wanted->channels[1].name, sizeof wanted->channels[1].name, "Z");
    wanted->rules[2] = rule("elsewhere", 1, "i2", 1, RULE_NOTE); /* there is no such channel on record */
    wanted->rule_count = 3;
    struct journal_reader *reader = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(reader != NULL, "%s", err.text);
    ck_assert_int_eq(journal_reader_bench(reader, runtime_epoch(h->rt), recorded, &err), 1);
    ck_assert_int_eq(rule_trial_prepare(recorded, wanted, asked), 1);
    ck_assert_int_eq(recorded->rule_count, 2);
    ck_assert_int_eq(asked[0], RULE_OPEN);
    t->engine = engine_new(recorded);
    t->out = calloc(1, sizeof *t->out);
    ck_assert(t->engine && t->out);
    ck_assert_int_ge(journal_reader_inputs(reader, runtime_epoch(h->rt), 0, feed, t, &err), 0);
    ck_assert_int_eq(t->told[0], 1);
    ck_assert_double_gt(t->value[0], 100);
    ck_assert_int_eq(t->told[1], 0);
    /* What happened stays: same verdict and figures; only the flag is new. */
    ck_assert_int_eq(t->verdicts, 1);
    ck_assert_int_eq(t->verdict.kind, was.kind);
    ck_assert_double_eq(t->verdict.at_rated_s, was.at_rated_s);
    ck_assert(strstr(t->verdict.reason, "flagged: strong") != NULL);
    journal_reader_close(reader);
    engine_free(t->engine);
    free(t->out);
    free(t);
    free(recorded);
    free(wanted);
    harness_free(h);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine rule trial");
    TCase *c = tcase_create("rules");
    tcase_set_timeout(c, 60);
    tcase_add_test(c, rules_are_tried_on_record);
    suite_add_tcase(s, c);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
