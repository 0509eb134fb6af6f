/* attach, run rejudge: what is added to a run's record when it is over. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base64.h"
#include "commands.h"
#include "correction.h"
#include "json_build.h"
#include "model_json.h"
#include "replay.h"

enum { PIECE = 40000 }; /* bytes of a file in one request */

static struct json_build begin_request(enum protocol_verb verb, int64_t run_no, const struct arguments *args)
{
    struct json_build b = {.object = protocol_request(verb, 0)};
    b.bad = !b.object;
    build_integer(&b, "run", run_no);
    build_text(&b, "who", argument_text(args, "--who", ""));
    return b;
}

static int send_piece(struct client *c, const struct arguments *args, int64_t run_no, const char *name,
                      const uint8_t *bytes, size_t size, bool more)
{
    struct json_build b = begin_request(DO_RUN_ATTACH, run_no, args);
    char *text = base64_encode(bytes, size);
    build_text(&b, "name", name);
    build_text(&b, "note", argument_text(args, "--note", ""));
    build_add(&b, "data", text ? json_string(text) : NULL);
    build_flag(&b, "more", more);
    free(text);
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    json_decref(result);
    return status;
}

/* The file, piece by piece: a request is no longer than 64 KiB. */
static int send_file(struct client *c, const struct arguments *args, int64_t run_no, const char *path, int64_t *size)
{
    const char *slash = strrchr(path, '/');
    const char *name = slash ? slash + 1 : path;
    struct error err = {{0}};
    uint8_t *piece = malloc(2 * PIECE);
    FILE *file = piece ? fopen(path, "rb") : NULL;
    int status = EXIT_DONE;
    *size = 0;
    if (!file) {
        error_set(&err, "%s: cannot be read (error %d); check its name", path, piece ? errno : ENOMEM);
        status = client_failed(c, &err);
        goto out;
    }
    size_t held = fread(piece, 1, PIECE, file);
    for (bool more = true; status == EXIT_DONE && more;) {
        size_t next = fread(piece + held, 1, PIECE, file);
        more = next > 0;
        *size += (int64_t)held;
        if (ferror(file)) {
            error_set(&err, "%s: cannot be read to its end", path);
            status = client_failed(c, &err);
        } else if (*size > ATTACHMENT_MAX_BYTES) {
            error_set(&err, "%s is larger than %d MiB: make the picture smaller, or attach its parts", path,
                      ATTACHMENT_MAX_BYTES / 1024 / 1024);
            status = client_failed(c, &err);
        } else {
            status = send_piece(c, args, run_no, name, piece, held, more);
        }
        memmove(piece, piece + held, next);
        held = next;
    }
out:
    if (file)
        (void)fclose(file);
    free(piece);
    return status;
}

int command_attach(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0, size = 0;
    int status = client_run_operand(c, args, &run_no);
    if (status != EXIT_DONE)
        return status;
    const char *path = args->operand_count > 1 ? args->operands[1] : NULL;
    if (!argument(args, "--who")->given)
        return client_wrong_use(c, "attach needs --who NAME: the record says who added to it");
    if (!path && !argument(args, "--note")->given)
        return client_wrong_use(c, "attach needs a FILE, or --note TEXT, or both");
    if (path) {
        status = send_file(c, args, run_no, path, &size);
    } else {
        struct json_build b = begin_request(DO_RUN_ATTACH, run_no, args);
        json_t *result = NULL;
        build_text(&b, "note", argument_text(args, "--note", ""));
        status = client_result(c, build_end(&b), false, &result);
        json_decref(result);
    }
    if (status != EXIT_DONE)
        return status;
    if (c->json)
        return client_print_json(
            c, json_pack("{s:I, s:s?, s:I}", "run", (json_int_t)run_no, "file", path, "size", (json_int_t)size));
    if (path)
        fprintf(c->screen.out, "%s (%lld bytes) is on record with run %lld, under its digest.\n", path, (long long)size,
                (long long)run_no);
    else
        fprintf(c->screen.out, "The remark is on record with run %lld.\n", (long long)run_no);
    return EXIT_DONE;
}

/* ---- judged again ---- */

static int put_revision(struct client *c, const struct arguments *args, int64_t run_no, const char *words,
                        const struct verdict *v)
{
    uint8_t bytes[4096];
    struct writer w = writer_over(bytes, sizeof bytes);
    put_verdict(&w, v);
    struct json_build b = begin_request(DO_RUN_REVISE, run_no, args);
    char *text = w.bad ? NULL : base64_encode(w.bytes, w.used);
    build_text(&b, "correction", words);
    build_text(&b, "reason", argument_text(args, "--reason", ""));
    build_add(&b, "judgement", text ? json_string(text) : NULL);
    free(text);
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    json_decref(result);
    return status;
}

static int tell_revision(struct client *c, const struct rejudged *r, bool recorded)
{
    if (c->json)
        return client_print_json(c, json_pack("{s:I, s:b, s:o, s:o}", "run", (json_int_t)r->now.run_no, "recorded",
                                              (int)recorded, "before", verdict_to_json(&r->before), "judgement",
                                              verdict_to_json(&r->now)));
    const struct screen *s = &c->screen;
    fprintf(s->out, "Run %lld, revision %d: %s (basis: %s). ", (long long)r->now.run_no, r->before.revision,
            verdict_kind_name(r->before.kind), basis_name(r->before.basis));
    print_wrapped(s, 4, r->before.reason);
    fprintf(s->out, "With the correction, revision %d: %s (basis: %s). ", r->now.revision,
            verdict_kind_name(r->now.kind), basis_name(r->now.basis));
    print_wrapped(s, 4, r->now.reason);
    fputs(recorded ? "On record; revision numbers before it stay as they are. Print the record anew.\n"
                   : "Nothing was recorded; without --try it is.\n",
          s->out);
    return EXIT_DONE;
}

int command_run_rejudge(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    struct error err = {{0}};
    struct corrections corrections;
    const char *words = argument_text(args, "--correct", NULL);
    bool only_try = argument_flag(args, "--try");
    int status = client_run_operand(c, args, &run_no);
    if (status != EXIT_DONE)
        return status;
    if (!words)
        return client_wrong_use(c, "run rejudge needs --correct \"SIGNAL AMOUNT\", such as --correct \"i2 +1.2 %%\"");
    if (!only_try && (!argument(args, "--who")->given || !argument(args, "--reason")->given))
        return client_wrong_use(c,
                                "run rejudge needs --who NAME and --reason TEXT, which go into the record, or --try");
    if (corrections_parse(words, &corrections, &err) != 0)
        return client_wrong_use(c, "%s", err.text);
    struct journal_reader *reader = client_journal(c, &err);
    struct rejudged *r = calloc(1, sizeof *r);
    if (!reader || !r || replay_corrected(reader, run_no, &corrections, r, &err) != 0)
        status = client_failed(c, &err);
    if (r && status == EXIT_DONE && !only_try)
        status = put_revision(c, args, run_no, words, &r->now);
    if (r && status == EXIT_DONE)
        status = tell_revision(c, r, !only_try);
    free(r);
    journal_reader_close(reader);
    return status;
}
