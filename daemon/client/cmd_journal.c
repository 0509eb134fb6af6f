/* journal check, verify: the record held against itself. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "commands.h"
#include "json_build.h"
#include "model_json.h"
#include "utc.h"

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
        fprintf(c->screen.out, "%lld readings of run %lld are in %s, with its events, verdicts and inputs.\n",
                (long long)count, (long long)run_no, to);
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
