/* unit release: where a checked unit goes, and the tag that is tied to it. */
#include <string.h>

#include "commands.h"
#include "json_build.h"
#include "unit_tag.h"

/* The tag from what the register says now. Returns 0 or the exit status of the failed question. */
static int fill_tag(struct client *c, const char *serial, struct unit_tag *tag)
{
    struct json_build b = {.object = protocol_request(DO_UNIT_SHOW, 0)};
    b.bad = !b.object;
    build_text(&b, "unit", serial);
    json_t *detail = NULL;
    int status = client_result(c, build_end(&b), false, &detail);
    if (status != EXIT_DONE)
        return status;
    const json_t *unit = json_object_get(detail, "unit");
    const json_t *sent = json_array_get(json_object_get(detail, "dispositions"), 0);
    (void)text_copy(tag->serial, sizeof tag->serial, get_word(unit, "serial"));
    (void)text_copy(tag->asset, sizeof tag->asset, get_word(unit, "asset"));
    (void)text_copy(tag->maker, sizeof tag->maker, get_word(unit, "maker"));
    (void)text_copy(tag->model, sizeof tag->model, get_word(unit, "model"));
    (void)text_copy(tag->to, sizeof tag->to, get_word(sent, "to"));
    (void)text_copy(tag->who, sizeof tag->who, get_word(sent, "who"));
    (void)text_copy(tag->date, sizeof tag->date, get_word(sent, "date"));
    (void)text_copy(tag->due, sizeof tag->due, get_word(sent, "due"));
    (void)text_copy(tag->note, sizeof tag->note, get_word(sent, "note"));
    size_t i;
    json_t *run;
    json_array_foreach(json_object_get(detail, "runs"), i, run)
    {
        const json_t *judgement = json_object_get(run, "judgement");
        if (get_whole(run, "run") == get_whole(sent, "run") && json_is_object(judgement))
            (void)text_format(tag->basis, sizeof tag->basis, "run %lld: %s (%s)", (long long)get_whole(run, "run"),
                              get_word(judgement, "verdict"), get_word(judgement, "basis"));
    }
    json_decref(detail);
    struct print_wishes wishes;
    client_print_wishes(c, &wishes);
    (void)text_copy(tag->site, sizeof tag->site, wishes.site);
    return EXIT_DONE;
}

/* A long note goes on in further lines, broken at a space where there is one. */
static void print_line(const struct screen *s, const char *name, const char *value)
{
    enum { ROOM = 43 };
    while (value[0]) {
        size_t size = strlen(value);
        if (size > ROOM) {
            size = ROOM;
            while (size > 1 && value[size] != ' ')
                size--;
            if (value[size] != ' ')
                size = ROOM;
        }
        fprintf(s->out, "| %-10s %-43.*s |\n", name, (int)size, value);
        value += size;
        value += strspn(value, " ");
        name = "";
    }
}

static void print_tag(const struct screen *s, const struct unit_tag *tag)
{
    static const char edge[] = "+--------------------------------------------------------+\n";
    char unit[2 * NAME_CAP + 2];
    (void)text_format(unit, sizeof unit, "%s %s", tag->maker, tag->model);
    fputs(edge, s->out);
    fprintf(s->out, "| %-54s |\n", unit_tag_order(tag));
    fputs(edge, s->out);
    print_line(s, "serial", tag->serial);
    print_line(s, "unit", unit);
    print_line(s, "asset", tag->asset);
    print_line(s, "decided by", tag->who);
    print_line(s, "on", tag->date);
    print_line(s, "next due", tag->due);
    print_line(s, "rests on", tag->basis);
    print_line(s, "to do", tag->note);
    fputs(edge, s->out);
}

int command_unit_release(struct client *c, const struct arguments *args)
{
    static const char *const texts[][2] = {{"--to", "to"}, {"--who", "who"}, {"--due", "due"}, {"--note", "note"}};
    struct error err = {{0}};
    if (!argument(args, "--to")->given || !argument(args, "--who")->given)
        return client_wrong_use(c, "unit release needs --to hire|service|quarantine and --who NAME");
    struct json_build b = {.object = protocol_request(DO_UNIT_RELEASE, 0)};
    b.bad = !b.object;
    build_text(&b, "unit", args->operands[0]);
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        if (argument(args, texts[i][0])->given)
            build_text(&b, texts[i][1], argument_text(args, texts[i][0], ""));
    }
    if (argument(args, "--run")->given)
        build_integer(&b, "run", (int64_t)argument_number(args, "--run", 0));
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    json_decref(result);
    if (status != EXIT_DONE)
        return status;
    struct unit_tag tag = {0};
    const char *path = argument_text(args, "--tag", NULL);
    status = fill_tag(c, args->operands[0], &tag);
    if (status != EXIT_DONE)
        return status;
    if (path && unit_tag_write(&tag, path, &err) != 0)
        return client_failed(c, &err);
    if (c->json) {
        struct json_build out = build_begin();
        build_text(&out, "unit", tag.serial);
        build_text(&out, "to", tag.to);
        build_text(&out, "who", tag.who);
        build_text(&out, "date", tag.date);
        build_text(&out, "due", tag.due);
        build_text(&out, "basis", tag.basis);
        build_add(&out, "tag", path ? json_string(path) : json_null());
        return client_print_json(c, build_end(&out));
    }
    print_tag(&c->screen, &tag);
    if (path)
        fprintf(c->screen.out, "Written: %s. Print it and tie it to the unit.\n", path);
    else
        fputs("On file. --tag FILE writes this tag as a page to print.\n", c->screen.out);
    return EXIT_DONE;
}
