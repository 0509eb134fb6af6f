/* replay RUN --rules FILE: rules tried on a run that is on record. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "engine.h"
#include "json_build.h"
#include "problem_print.h"
#include "replay.h"
#include "rule_trial.h"
#include "rules_file.h"
#include "utc.h"

enum { TOLD_MAX = 1000 };

struct told {
    int rule;
    int64_t at_ns;
    double value;
    enum channel_state state; /* not known before the run's first change of state: rigging */
};

struct trial {
    const struct journal_run *run;
    struct bench *bench;
    enum rule_action asked[RULES_MAX];
    int rules; /* tried */
    struct engine *engine;
    struct engine_out *out;
    int64_t inputs;
    enum channel_state state;
    int64_t count; /* told in all; the first TOLD_MAX are kept */
    struct told told[TOLD_MAX];
    bool judged;
    struct verdict verdict;
};

/* What would have been done, as a word of the past. */
static const char *done_word(enum rule_action asked)
{
    static const char *const words[RULE_ACTION_COUNT_] = {"noted", "flagged", "ended", "opened"};
    return words[asked];
}

static bool cuts(enum rule_action asked)
{
    return asked == RULE_END || asked == RULE_OPEN;
}

static void take_event(struct trial *t, const struct event *e)
{
    if (e->channel != t->run->channel)
        return;
    if (e->kind == EVENT_STATE)
        t->state = (enum channel_state)e->code;
    if (e->kind != EVENT_RULE || e->run_no != t->run->run_no || e->code >= t->rules)
        return;
    if (t->count < TOLD_MAX)
        t->told[t->count] = (struct told){.rule = e->code, .at_ns = e->at_ns, .value = e->values[0], .state = t->state};
    t->count++;
}

static int feed(void *ctx, const struct input *in)
{
    struct trial *t = ctx;
    engine_step(t->engine, in, t->out);
    t->inputs++;
    for (int i = 0; i < t->out->event_count; i++)
        take_event(t, &t->out->events[i]);
    for (int i = 0; i < t->out->verdict_count; i++)
        if (t->out->verdicts[i].run_no == t->run->run_no) {
            t->verdict = t->out->verdicts[i];
            t->judged = true;
        }
    return 0;
}

/* The first that would have ended the run: from there on the night would have gone otherwise. -1: none. */
static int first_cut(const struct trial *t)
{
    for (int i = 0; i < t->count && i < TOLD_MAX; i++)
        if (cuts(t->asked[t->told[i].rule]))
            return i;
    return -1;
}

static int64_t utc_ns(const struct trial *t, int64_t at_ns)
{
    return t->run->start_utc_us * 1000 + (at_ns - t->run->start_ns);
}

static double since_start_s(const struct trial *t, int64_t at_ns)
{
    return (double)(at_ns - t->run->start_ns) / 1e9;
}

/* ---- telling ---- */

static json_t *told_json(const struct trial *t)
{
    json_t *list = json_array();
    int cut = first_cut(t);
    for (int i = 0; list && i < t->count && i < TOLD_MAX; i++) {
        const struct told *d = &t->told[i];
        const struct bench_rule *rule = &t->bench->rules[d->rule];
        struct json_build b = build_begin();
        build_text(&b, "rule", rule->name);
        build_text(&b, "signal", rule->signal);
        build_figure(&b, "value", d->value);
        build_text(&b, "action", rule_action_name(t->asked[d->rule]));
        build_text(&b, "done", done_word(t->asked[d->rule]));
        build_text(&b, "state", channel_state_name(d->state));
        build_utc(&b, "utc", utc_ns(t, d->at_ns));
        build_figure(&b, "since_start_s", since_start_s(t, d->at_ns));
        build_flag(&b, "after_cut", cut >= 0 && i > cut);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static int count_of(const struct trial *t, int rule)
{
    int n = 0;
    for (int i = 0; i < t->count && i < TOLD_MAX; i++)
        n += t->told[i].rule == rule;
    return n;
}

static json_t *rules_json(const struct trial *t)
{
    json_t *list = json_array();
    for (int i = 0; list && i < t->rules; i++) {
        const struct bench_rule *rule = &t->bench->rules[i];
        struct json_build b = build_begin();
        build_text(&b, "rule", rule->name);
        build_text(&b, "signal", rule->signal);
        build_text(&b, "action", rule_action_name(t->asked[i]));
        build_flag(&b, "looks_at_run", rule->channel < 0 || rule->channel == t->run->channel);
        build_integer(&b, "told", count_of(t, i));
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static int show_json(struct client *c, const struct trial *t)
{
    struct json_build b = build_begin();
    build_integer(&b, "run", t->run->run_no);
    build_text(&b, "channel", t->run->channel_name);
    build_integer(&b, "inputs", t->inputs);
    build_add(&b, "rules", rules_json(t));
    build_integer(&b, "told_count", t->count);
    build_add(&b, "told", told_json(t));
    build_text(&b, "verdict", t->judged ? verdict_kind_name(t->verdict.kind) : "");
    build_text(&b, "reason", t->judged ? t->verdict.reason : "");
    return client_print_json(c, build_end(&b));
}

static void show_table(const struct screen *s, const struct trial *t)
{
    const struct column columns[] = {{"after", true, false, false},     {"UTC", false, false, false},
                                     {"state", false, false, false},    {"rule", false, true, false},
                                     {"signal", false, false, false},   {"at", true, false, false},
                                     {"would have", false, true, false}};
    struct table *table = table_new(columns, 7);
    int cut = first_cut(t);
    for (int i = 0; i < t->count && i < TOLD_MAX; i++) {
        const struct told *d = &t->told[i];
        const struct bench_rule *rule = &t->bench->rules[d->rule];
        char after[NAME_CAP], utc[UTC_CAP];
        print_duration(after, sizeof after, since_start_s(t, d->at_ns));
        utc_print(utc, sizeof utc, utc_ns(t, d->at_ns));
        table_cell(table, "%s", after);
        table_cell(table, "%s", utc);
        table_cell(table, "%s", channel_state_name(d->state));
        table_cell(table, "%s", rule->name);
        table_cell(table, "%s", rule->signal);
        table_cell(table, "%.4g", d->value);
        table_cell(table, "%s%s", done_word(t->asked[d->rule]),
                   i == cut              ? ", and the run with it"
                   : cut >= 0 && i > cut ? " (had the run gone on)"
                                         : "");
    }
    table_print(table, s);
    table_free(table);
}

static void show_words(const struct screen *s, const struct trial *t)
{
    fprintf(s->out, "%d rule%s tried on run %lld, channel %s (%lld inputs). The record stays as it is.\n", t->rules,
            t->rules == 1 ? "" : "s", (long long)t->run->run_no, t->run->channel_name, (long long)t->inputs);
    if (t->count > 0)
        show_table(s, t);
    if (t->count > TOLD_MAX)
        fprintf(s->out, "... and %lld more\n", (long long)(t->count - TOLD_MAX));
    for (int i = 0; i < t->rules; i++) {
        const struct bench_rule *rule = &t->bench->rules[i];
        if (rule->channel >= 0 && rule->channel != t->run->channel)
            fprintf(s->out, "  %s is for channel %s only.\n", rule->name, t->bench->channels[rule->channel].name);
        else if (count_of(t, i) == 0)
            fprintf(s->out, "  %s would have told nothing.\n", rule->name);
    }
    if (t->judged)
        fprintf(s->out, "Verdict with these rules%s: %s. %s\n", first_cut(t) >= 0 ? ", had the run gone on" : "",
                verdict_kind_name(t->verdict.kind), t->verdict.reason);
}

/* ---- the trial ---- */

static int refuse(struct client *c, const struct problems *problems, const char *file)
{
    if (c->json) {
        struct json_build error = build_begin(), b = build_begin();
        build_text(&error, "what", "the file of rules is refused");
        build_text(&error, "where", file);
        build_add(&error, "problems", problems_to_json(problems));
        build_add(&b, "error", build_end(&error));
        (void)client_print_json(c, build_end(&b));
    }
    problems_show(&c->errors, problems);
    fprintf(c->errors.out, "%s: %d error%s. Correct them; nothing was tried.\n", file, problems->errors,
            problems->errors == 1 ? "" : "s");
    return EXIT_REFUSED;
}

static int play(struct trial *t, struct journal_reader *reader, const struct bench *wanted, struct error *err)
{
    t->rules = rule_trial_prepare(t->bench, wanted->rules, wanted->rule_count, t->asked);
    if (t->rules < wanted->rule_count)
        return error_set(err, "%d rules and those on record that ended or opened are more than %d: try fewer at a time",
                         wanted->rule_count, RULES_MAX);
    t->engine = engine_new(t->bench);
    t->out = calloc(1, sizeof *t->out);
    if (!t->engine || !t->out)
        return error_set(err, "memory is short");
    if (journal_reader_inputs(reader, t->run->epoch, t->run->end_seq, feed, t, err) < 0)
        return -1;
    return t->inputs ? 0 : error_set(err, "no inputs are on record for run %lld", (long long)t->run->run_no);
}

int try_rules(struct client *c, int64_t run_no, const char *file)
{
    struct error err = {{0}};
    struct problems problems = {0};
    struct journal_run *run = calloc(1, sizeof *run);
    struct journal_session *session = calloc(1, sizeof *session);
    struct bench *bench = calloc(1, sizeof *bench), *wanted = calloc(1, sizeof *wanted);
    struct trial *t = calloc(1, sizeof *t);
    struct journal_reader *reader = client_journal(c, &err);
    int status = EXIT_REFUSED;
    if (!run || !session || !bench || !wanted || !t) {
        error_set(&err, "memory is short");
        status = client_failed(c, &err);
    } else if (!reader || replay_find(reader, run_no, run, session, bench, &err) != 0) {
        status = client_failed(c, &err);
    } else {
        *t = (struct trial){.run = run, .bench = bench, .state = STATE_RIGGING};
        *wanted = *bench;
        if (rules_file_load(file, wanted, &problems) != 0)
            status = refuse(c, &problems, file);
        else if (play(t, reader, wanted, &err) != 0)
            status = client_failed(c, &err);
        else if (c->json)
            status = show_json(c, t);
        else {
            show_words(&c->screen, t);
            status = EXIT_DONE;
        }
    }
    problems_free(&problems);
    if (t) {
        engine_free(t->engine);
        free(t->out);
    }
    free(t);
    free(run);
    free(session);
    free(bench);
    free(wanted);
    journal_reader_close(reader);
    return status;
}
