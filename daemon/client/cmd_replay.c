/* replay: a run judged again from the record, or a record made elsewhere judged. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "json_build.h"
#include "model_json.h"
#include "replay.h"

enum { DIFFERENCES_PRINTED = 60 };

static json_t *differences_json(const struct replay_differences *d)
{
    json_t *list = json_array();
    for (int i = 0; list && i < d->kept; i++) {
        struct json_build b = build_begin();
        build_text(&b, "where", d->list[i].where);
        build_text(&b, "field", d->list[i].field);
        build_text(&b, "recorded", d->list[i].recorded);
        build_text(&b, "replayed", d->list[i].replayed);
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static json_t *replay_json(const struct replay_result *r)
{
    struct json_build b = build_begin();
    build_integer(&b, "run", r->run_no);
    build_integer(&b, "epoch", (int64_t)r->epoch);
    build_text(&b, "recorded_by", r->recorded_by);
    build_text(&b, "replayed_by", r->replayed_by);
    build_integer(&b, "inputs", r->inputs);
    build_integer(&b, "events", r->events);
    build_integer(&b, "verdicts", r->verdicts);
    build_integer(&b, "plans", r->plans);
    build_integer(&b, "estimates", r->estimates);
    build_figure(&b, "estimates_off", r->estimates_off);
    build_integer(&b, "corrections", r->corrections);
    build_add(&b, "recorded_rules", r->recorded_rules ? json_integer(r->recorded_rules) : json_null());
    build_integer(&b, "replayed_rules", r->replayed_rules);
    build_flag(&b, "same", r->found.count == 0);
    build_integer(&b, "difference_count", r->found.count);
    build_add(&b, "differences", differences_json(&r->found));
    build_add(&b, "recorded", r->has_recorded ? verdict_to_json(&r->recorded) : json_null());
    build_add(&b, "judgement", r->has_verdict ? verdict_to_json(&r->verdict) : json_null());
    return build_end(&b);
}

/* Side by side. */
static void print_differences(const struct screen *s, const struct replay_differences *d)
{
    const struct column columns[] = {{"where", false, true, false},
                                     {"what", false, false, false},
                                     {"on record", false, true, false},
                                     {"replayed", false, true, false}};
    struct table *t = table_new(columns, 4);
    for (int i = 0; i < d->kept && i < DIFFERENCES_PRINTED; i++) {
        table_cell(t, "%s", d->list[i].where);
        table_cell(t, "%s", d->list[i].field);
        table_cell(t, "%s", d->list[i].recorded);
        table_cell(t, "%s", d->list[i].replayed);
    }
    table_print(t, s);
    table_free(t);
    if (d->count > DIFFERENCES_PRINTED)
        fprintf(s->out, "  ... and %lld more; --json lists %s\n", (long long)(d->count - DIFFERENCES_PRINTED),
                d->count > d->kept ? "the first 5000" : "them all");
}

static void print_verdict_line(const struct screen *s, const char *whose, const struct verdict *v)
{
    char text[2 * TEXT_CAP];
    (void)text_format(text, sizeof text, "%s%s (basis: %s). %s", whose, verdict_kind_name(v->kind),
                      basis_name(v->basis), v->reason);
    print_wrapped(s, 4, text);
}

static void print_replay(const struct screen *s, const struct replay_result *r)
{
    bool same = r->found.count == 0, versions = strcmp(r->recorded_by, r->replayed_by) != 0;
    bool rules = r->recorded_rules && r->recorded_rules != r->replayed_rules;
    if (versions || rules)
        fprintf(s->out, "Recorded by %s (rules %d), replayed by %s (rules %d): %s.\n", r->recorded_by,
                (int)r->recorded_rules, r->replayed_by, (int)r->replayed_rules,
                same ? "another version, the same judgement" : "another version may judge otherwise");
    if (same) {
        fprintf(s->out, "Run %lld replayed from %lld inputs: %lld events%s are the same to the bit.\n",
                (long long)r->run_no, (long long)r->inputs, (long long)r->events,
                r->verdicts ? " and the verdict" : "");
    } else {
        fprintf(s->out, "Run %lld replayed from %lld inputs %sdiffers in %lld places%s, here is how:\n",
                (long long)r->run_no, (long long)r->inputs, tone_begin(s, TONE_BAD), (long long)r->found.count,
                tone_end(s, TONE_BAD));
        print_differences(s, &r->found);
    }
    if (r->plans > 0)
        fprintf(s->out, "%d plan%s of the channels' cycles, fed as recorded, made again.\n", (int)r->plans,
                r->plans == 1 ? "" : "s");
    if (r->estimates > 0)
        fprintf(s->out, "%d estimate%s of its heating, fed as recorded, computed again: within %.1g of each value.\n",
                (int)r->estimates, r->estimates == 1 ? "" : "s", r->estimates_off);
    if (same && r->corrections > 0)
        fprintf(s->out, "So %s by a meter's correction.\n",
                r->corrections == 1 ? "is the revision that was made" : "are the revisions that were made");
    if (r->has_verdict && r->has_recorded && !same_verdict(&r->recorded, &r->verdict)) {
        print_verdict_line(s, "Verdict on record: ", &r->recorded);
        print_verdict_line(s, "Verdict replayed:  ", &r->verdict);
    } else if (r->has_verdict) {
        print_verdict_line(s, "Verdict: ", &r->verdict);
    }
}

static bool is_number(const char *word)
{
    return word[0] != '\0' && strspn(word, "0123456789") == strlen(word);
}

/* The first option given that says how to read a file; NULL: none. */
static const char *of_files_only(const struct arguments *args)
{
    for (int i = 0; i < args->command->option_count; i++)
        if (args->values[i].given && strcmp(args->command->options[i].name, "--rules") != 0)
            return args->command->options[i].name;
    return NULL;
}

int command_replay(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    struct error err = {{0}};
    if (!is_number(args->operands[0]))
        return replay_file(c, args);
    const char *needless = of_files_only(args);
    if (needless)
        return client_wrong_use(c, "replay: %s is for a file; run %s has all of that on record", needless,
                                args->operands[0]);
    if (client_run_operand(c, args, &run_no) != EXIT_DONE)
        return EXIT_WRONG_USE;
    const char *rules = argument_text(args, "--rules", NULL);
    if (rules)
        return try_rules(c, run_no, rules);
    struct replay_result *result = calloc(1, sizeof *result);
    struct journal_reader *reader = client_journal(c, &err);
    int status = EXIT_REFUSED;
    if (!result || !reader || replay_run(reader, run_no, result, &err) != 0) {
        status = client_failed(c, &err);
    } else {
        status = result->found.count == 0 ? EXIT_DONE : EXIT_REFUSED;
        if (c->json)
            (void)client_print_json(c, replay_json(result));
        else
            print_replay(&c->screen, result);
    }
    journal_reader_close(reader);
    if (result)
        differences_free(&result->found);
    free(result);
    return status;
}
