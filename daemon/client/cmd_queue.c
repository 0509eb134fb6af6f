/* run queue, run queued, run unqueue: a night's list of rigged channels. */
#include <math.h>
#include <string.h>

#include "commands.h"
#include "json_build.h"
#include "model_json.h"

int command_run_queue(struct client *c, const struct arguments *args)
{
    if (!argument(args, "--unit")->given || !argument(args, "--procedure")->given || !argument(args, "--who")->given)
        return client_wrong_use(c, "run queue needs --unit SERIAL, --procedure NAME and --who NAME");
    if (!argument_flag(args, "--confirm-setup")) {
        int planned = command_run_plan(c, args);
        if (planned == EXIT_DONE)
            fprintf(c->errors.out,
                    "soakbench: this is the plan; nothing was queued. Set the unit up by its set-up sheet, then "
                    "queue the run with --confirm-setup.\n");
        return planned == EXIT_DONE ? EXIT_REFUSED : planned;
    }
    if (c->errors.terminal)
        print_cautions(&c->errors);
    json_t *result = NULL;
    int status = client_result(c, run_request_of(args, DO_RUN_QUEUE), false, &result);
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        fprintf(c->screen.out,
                "%s. It begins by itself, unattended, when its turn comes and the preflight passes again.\n"
                "See the queue with: soakbench run queued\n",
                get_word(result, "text"));
    json_decref(result);
    return status;
}

/* To the minute; ">" where it is not before that. */
static void expected_cell(struct table *t, const json_t *entry, const char *key)
{
    const char *at = get_word(entry, key);
    if (at[0])
        table_cell(t, "%s%.5s %.5s", get_flag(entry, "expected_at_least") ? "> " : "", at + 5, at + 11);
    else
        table_cell(t, "-");
}

static void print_queue(const struct screen *s, const json_t *queue)
{
    const struct column columns[] = {
        {"run", true, false, false},           {"channel", false, false, false},    {"unit", false, false, false},
        {"rating point", false, true, false},  {"procedure", false, false, false},  {"turn", false, false, false},
        {"begins (UTC)", false, false, false}, {"ends (UTC)", false, false, false}, {"waits for", false, true, false}};
    if (json_array_size(queue) == 0) {
        fputs("No run waits.\n", s->out);
        return;
    }
    struct table *t = table_new(columns, 9);
    size_t i;
    json_t *entry;
    json_array_foreach((json_t *)queue, i, entry)
    {
        table_cell(t, "%lld", (long long)get_whole(entry, "run"));
        table_cell(t, "%s", get_word(entry, "channel"));
        table_cell(t, "%s", get_word(entry, "unit"));
        table_cell(t, "%s", get_word(json_object_get(entry, "point"), "words"));
        table_cell(t, "%s", get_word(entry, "procedure"));
        table_cell(t, "%s", get_flag(entry, "together") ? "beside others" : "in turn");
        expected_cell(t, entry, "expected_begin");
        expected_cell(t, entry, "expected_end");
        table_cell(t, "%s", get_word(entry, "waiting"));
    }
    table_print(t, s);
    table_free(t);
    fputs("Nothing of this outlives the daemon: after a restart no run begins by itself.\n", s->out);
}

int command_run_queued(struct client *c, const struct arguments *args)
{
    (void)args;
    json_t *view = NULL;
    int status = client_result(c, protocol_request(DO_STATUS, 0), false, &view);
    const json_t *queue = json_object_get(view, "queue");
    if (status == EXIT_DONE && c->json) {
        struct json_build b = build_begin();
        build_add(&b, "queue", json_incref((json_t *)queue));
        status = client_print_json(c, build_end(&b));
    } else if (status == EXIT_DONE) {
        print_queue(&c->screen, queue);
    }
    json_decref(view);
    return status;
}

int command_run_unqueue(struct client *c, const struct arguments *args)
{
    double number = NAN;
    struct json_build b = {.object = protocol_request(DO_RUN_UNQUEUE, 0)};
    b.bad = !b.object;
    if (number_parse(args->operands[0], &number) == 0 && number >= 1 && floor(number) == number)
        build_integer(&b, "run", (int64_t)number);
    else
        build_text(&b, "channel", args->operands[0]);
    static const char *const fields[][2] = {{"--reason", "reason"}, {"--who", "who"}};
    for (size_t i = 0; i < 2; i++)
        if (argument(args, fields[i][0])->given)
            build_text(&b, fields[i][1], argument(args, fields[i][0])->text);
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        fprintf(c->screen.out, "%s.\n", get_word(result, "text"));
    json_decref(result);
    return status;
}
