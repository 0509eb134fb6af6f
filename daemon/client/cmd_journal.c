/* replay, journal check, verify: the record held against itself. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "json_build.h"
#include "model_json.h"
#include "replay.h"
#include "utc.h"

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

int command_replay(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    struct error err = {{0}};
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

struct checking {
    struct client *client;
    json_t *problems;
};

static void found_problem(void *ctx, const char *sentence)
{
    struct checking *k = ctx;
    if (!k->client->json)
        fprintf(k->client->screen.out, "  %s\n", sentence);
    (void)json_array_append_new(k->problems, json_text(sentence));
}

static json_t *removed_json(const struct journal_check_result *r)
{
    struct json_build b = build_begin();
    build_integer(&b, "readings", r->removed_readings);
    build_integer(&b, "inputs", r->removed_inputs);
    build_integer(&b, "steps", r->removals);
    build_integer(&b, "from_utc_us", r->removed_from_us);
    build_integer(&b, "to_utc_us", r->removed_to_us);
    build_integer(&b, "last_utc_s", r->removed_last_s);
    return build_end(&b);
}

static void print_removed(const struct screen *s, const struct journal_check_result *r)
{
    char from[UTC_CAP], to[UTC_CAP], last[UTC_CAP], text[512];
    if (r->removals == 0)
        return;
    utc_print_date(from, sizeof from, r->removed_from_us / 1000000);
    utc_print_date(to, sizeof to, r->removed_to_us / 1000000);
    utc_print_date(last, sizeof last, r->removed_last_s);
    (void)text_format(text, sizeof text,
                      "%lld readings and %lld inputs of no run (%s to %s) were removed by retention, last on %s; the"
                      " digests that stand for them fit.",
                      (long long)r->removed_readings, (long long)r->removed_inputs, from, to, last);
    print_wrapped(s, 0, text);
}

static int check_journal(struct client *c, struct journal_reader *reader, const struct digest *expected)
{
    struct checking k = {.client = c, .problems = json_array()};
    struct journal_check_result r = {0};
    struct error err = {{0}};
    char head[DIGEST_HEX_CAP];
    int sound = k.problems ? journal_reader_check(reader, &err) : -1;
    if (sound == 1)
        found_problem(&k, err.text);
    if (sound < 0 || journal_verify(reader, expected, found_problem, &k, &r, &err) != 0) {
        json_decref(k.problems);
        return client_failed(c, &err);
    }
    if (expected && !r.head_seen)
        found_problem(&k, "the digest given with --head does not occur in this record: it was cut off or exchanged");
    digest_print(&r.head, head);
    bool good = json_array_size(k.problems) == 0;
    if (c->json) {
        struct json_build b = build_begin();
        build_flag(&b, "sound", good);
        build_integer(&b, "batches", r.batches);
        build_text(&b, "head", head);
        build_add(&b, "removed", removed_json(&r));
        build_add(&b, "problems", json_incref(k.problems));
        (void)client_print_json(c, build_end(&b));
    } else if (good) {
        fprintf(c->screen.out, "The record is sound: %lld batches, every digest fits.\nHead: %s\n",
                (long long)r.batches, head);
    } else {
        fprintf(
            c->screen.out,
            "%zu problems in %lld batches. Keep the file as it is, restore the last backup beside it, and compare.\n",
            json_array_size(k.problems), (long long)r.batches);
    }
    if (!c->json && good)
        print_removed(&c->screen, &r);
    json_decref(k.problems);
    return good ? EXIT_DONE : EXIT_REFUSED;
}

int command_journal_backup(struct client *c, const struct arguments *args)
{
    struct error err = {{0}};
    const char *to = args->operands[0];
    struct journal_reader *reader = client_journal(c, &err);
    int status = EXIT_DONE;
    if (!reader || journal_backup(reader, to, &err) != 0)
        status = client_failed(c, &err);
    else if (c->json)
        status = client_print_json(c, json_pack("{s:s}", "file", to));
    else
        fprintf(c->screen.out, "Copied to %s, checked to its head. Keep it on another disk.\n", to);
    journal_reader_close(reader);
    return status;
}

int command_journal_unpack(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    int64_t count = 0;
    struct error err = {{0}};
    const char *to = argument_text(args, "--to", NULL);
    if (client_run_operand(c, args, &run_no) != EXIT_DONE)
        return EXIT_WRONG_USE;
    if (!to)
        return client_wrong_use(c, "journal unpack: name the file to make with --to FILE");
    struct journal_reader *reader = client_journal(c, &err);
    int status = EXIT_DONE;
    if (!reader || journal_unpack(reader, run_no, to, &count, &err) != 0)
        status = client_failed(c, &err);
    else if (c->json)
        status = client_print_json(c, json_pack("{s:s, s:I}", "file", to, "readings", (json_int_t)count));
    else
        fprintf(c->screen.out, "%lld readings of run %lld are in %s, with its events and verdicts.\n", (long long)count,
                (long long)run_no, to);
    journal_reader_close(reader);
    return status;
}

int command_journal_check(struct client *c, const struct arguments *args)
{
    struct error err = {{0}};
    struct digest expected;
    const char *head = argument_text(args, "--head", NULL);
    if (head && digest_parse(head, &expected) != 0)
        return client_wrong_use(c, "--head takes the 64 hexadecimal digits that an earlier check printed");
    struct journal_reader *reader = client_journal(c, &err);
    if (!reader)
        return client_failed(c, &err);
    int status = check_journal(c, reader, head ? &expected : NULL);
    journal_reader_close(reader);
    return status;
}
