/* Rules tried on a night that is on record: what would have told, without touching what happened. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"
#include "harness.h"
#include "journal_read.h"
#include "rule_trial.h"
#include "run_client.h"
#include "suite_run.h"

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

static void put_file(const char *path, const char *text)
{
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    ck_assert_int_ge(fputs(text, f), 0);
    ck_assert_int_eq(fclose(f), 0);
}

static const char *word_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    ck_assert_msg(text != NULL, "%s is no text", key);
    return text;
}

/* The same by the real program: what it says of good rules, and of a file that is wrong. */
static void by_command(struct harness *h, int64_t run)
{
    char file[PATH_CAP + 16], words[2 * PATH_CAP + 64];
    text_format(file, sizeof file, "%s/rules.yaml", h->folder);
    text_format(words, sizeof words, "--journal %s replay %lld --rules %s", h->journal_path, (long long)run, file);
    put_file(file, "rules:\n"
                   "  - {name: warm, signal: i2, above: 50 A, for: 20 s, while: on-load, action: note}\n"
                   "  - {name: strong, signal: i2, above: 100 A, for: 60 s, action: end, channels: [A]}\n"
                   "  - {name: far, signal: t_case, above: 200 degC, action: open}\n"
                   "  - {name: other, signal: i2, above: 1 A, action: flag, channels: [B]}\n");
    json_t *said = client_json(words, 0), *told = json_object_get(said, "told"),
           *rules = json_object_get(said, "rules");
    ck_assert_int_eq((int)figure(said, "told_count"), 2);
    ck_assert_uint_eq(json_array_size(told), 2);
    ck_assert_uint_eq(json_array_size(rules), 4);
    const json_t *first = json_array_get(told, 0), *second = json_array_get(told, 1);
    ck_assert_str_eq(word_of(first, "rule"), "warm");
    ck_assert_str_eq(word_of(first, "done"), "noted");
    ck_assert_str_eq(word_of(first, "state"), "on-load");
    ck_assert_str_eq(word_of(second, "rule"), "strong");
    ck_assert_str_eq(word_of(second, "done"), "ended");
    /* One holds for 20 s, the other for 60 s, of the same current: 40 s apart, give or take a poll of 500 ms. */
    ck_assert_double_eq_tol(figure(second, "since_start_s") - figure(first, "since_start_s"), 40, 1.1);
    ck_assert(json_is_false(json_object_get(json_array_get(rules, 3), "looks_at_run")));
    ck_assert_int_eq((int)figure(json_array_get(rules, 2), "told"), 0);
    json_decref(said);
    struct outcome *o = calloc(1, sizeof *o);
    ck_assert_ptr_nonnull(o);
    run_client(o, words);
    ck_assert_int_eq(o->status, 0);
    ck_assert_msg(strstr(o->out, "ended, and the run with it") && strstr(o->out, "far would have told nothing"), "%s",
                  o->out);
    put_file(file, "rules:\n  - {name: warm, signal: i2, above: 50 V, action: note}\n  - {name: odd, signal: i9,\n"
                   "     above: 1 A, action: note}\n");
    run_client(o, words);
    ck_assert_int_eq(o->status, 1);
    ck_assert_msg(strstr(o->err, "rules.yaml:2:37: error") && strstr(o->err, "rules.yaml:3:25: error"), "%s", o->err);
    put_file(file, "rules:\n  - {name: warm, signal: i2, over: 50 A, action: note}\n");
    run_client(o, words);
    ck_assert_int_eq(o->status, 1);
    ck_assert_msg(strstr(o->err, "rules.yaml:2:30: error"), "%s", o->err);
    /* A whole configuration will do as well: the example's has no rules. */
    text_format(words, sizeof words, "--journal %s replay %lld --rules %s/config/examples/two-units.yaml",
                h->journal_path, (long long)run, SOURCE_DIR);
    run_client(o, words);
    ck_assert_msg(o->status == 0 && strstr(o->out, "0 rules tried"), "%s%s", o->out, o->err);
    free(o);
}

START_TEST(rules_are_tried_on_record)
{
    struct harness_setup setup = {.bench = "config/examples/two-units"};
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

    struct bench *recorded = calloc(1, sizeof *recorded);
    struct trial *t = calloc(1, sizeof *t);
    enum rule_action asked[RULES_MAX];
    ck_assert(recorded && t);
    struct bench_rule wanted[] = {
        rule("strong", 0, "i2", 100, RULE_OPEN),   /* 160 A flow: tells, and would have opened */
        rule("stronger", -1, "i2", 300, RULE_END), /* never */
    };
    struct journal_reader *reader = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(reader != NULL, "%s", err.text);
    ck_assert_int_eq(journal_reader_bench(reader, runtime_epoch(h->rt), recorded, &err), 1);
    /* What acted on record stays behind the new ones; what only told goes. */
    recorded->rules[0] = rule("told", 0, "i2", 350, RULE_FLAG);
    recorded->rules[1] = rule("acted", 0, "i2", 350, RULE_OPEN);
    recorded->rule_count = 2;
    ck_assert_int_eq(rule_trial_prepare(recorded, wanted, 2, asked), 2);
    ck_assert_int_eq(recorded->rule_count, 3);
    ck_assert_str_eq(recorded->rules[2].name, "acted");
    ck_assert_int_eq(recorded->rules[2].action, RULE_OPEN);
    ck_assert_int_eq(recorded->rules[0].action, RULE_FLAG);
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
    by_command(h, run);
    engine_free(t->engine);
    free(t->out);
    free(t);
    free(recorded);
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
    return suite_run(s);
}
