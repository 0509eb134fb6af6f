/* replay: a run judged again from the record, or a record made elsewhere judged. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "json_build.h"
#include "model_json.h"
#include "replay.h"

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
    build_integer(&b, "estimates", r->estimates);
    build_figure(&b, "estimates_off", r->estimates_off);
    build_integer(&b, "corrections", r->corrections);
    build_flag(&b, "same", r->differences == 0);
    build_integer(&b, "difference_count", r->differences);
    json_t *told = json_array();
    for (int i = 0; told && i < r->differences && i < REPLAY_DIFFERENCES_MAX; i++) {
        if (json_array_append_new(told, json_text(r->told[i])) != 0)
            b.bad = true;
    }
    build_add(&b, "differences", told);
    build_add(&b, "judgement", r->has_verdict ? verdict_to_json(&r->verdict) : json_null());
    return build_end(&b);
}

static void print_replay(const struct screen *s, const struct replay_result *r)
{
    if (r->differences == 0) {
        fprintf(s->out, "Run %lld replayed from %lld inputs: %lld events%s are the same to the bit.\n",
                (long long)r->run_no, (long long)r->inputs, (long long)r->events,
                r->verdicts ? " and the verdict" : "");
    } else {
        fprintf(s->out, "Run %lld replayed from %lld inputs %sdiffers in %lld places%s, here is how:\n",
                (long long)r->run_no, (long long)r->inputs, tone_begin(s, TONE_BAD), (long long)r->differences,
                tone_end(s, TONE_BAD));
        for (int i = 0; i < r->differences && i < REPLAY_DIFFERENCES_MAX; i++) {
            fputs("  ", s->out);
            print_wrapped(s, 4, r->told[i]);
        }
        if (r->differences > REPLAY_DIFFERENCES_MAX)
            fprintf(s->out, "  ... and %lld more\n", (long long)(r->differences - REPLAY_DIFFERENCES_MAX));
    }
    if (r->estimates > 0)
        fprintf(s->out, "%d estimate%s of its heating, fed as recorded, computed again: within %.1g of each value.\n",
                (int)r->estimates, r->estimates == 1 ? "" : "s", r->estimates_off);
    if (r->differences == 0 && r->corrections > 0)
        fprintf(s->out, "So %s by a meter's correction.\n",
                r->corrections == 1 ? "is the revision that was made" : "are the revisions that were made");
    if (strcmp(r->recorded_by, r->replayed_by) != 0)
        fprintf(s->out, "Recorded by %s, replayed by %s: another version may judge otherwise.\n", r->recorded_by,
                r->replayed_by);
    if (r->has_verdict)
        fprintf(s->out, "Verdict: %s (basis: %s). %s\n", verdict_kind_name(r->verdict.kind),
                basis_name(r->verdict.basis), r->verdict.reason);
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
        status = result->differences == 0 ? EXIT_DONE : EXIT_REFUSED;
        if (c->json)
            (void)client_print_json(c, replay_json(result));
        else
            print_replay(&c->screen, result);
    }
    journal_reader_close(reader);
    free(result);
    return status;
}
