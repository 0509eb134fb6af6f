/* uplink resend, notify test, notify acknowledge, morning: what goes with leaving the bench alone. */
#include <math.h>

#include "commands.h"
#include "json_build.h"
#include "morning.h"

static int say_done(struct client *c, json_t *request, const char *next)
{
    json_t *result = NULL;
    int status = client_result(c, request, false, &result);
    if (status == EXIT_DONE && c->json) {
        status = client_print_json(c, json_incref(result));
    } else if (status == EXIT_DONE) {
        fprintf(c->screen.out, "%s\n", get_word(result, "text"));
        if (next)
            fprintf(c->screen.out, "%s\n", next);
    }
    json_decref(result);
    return status;
}

static struct json_build request_of(const struct arguments *args, enum protocol_verb verb)
{
    struct json_build b = {.object = protocol_request(verb, 0)};
    const char *who = argument_text(args, "--who", NULL);
    b.bad = !b.object;
    if (who)
        build_text(&b, "who", who);
    return b;
}

int command_notify_test(struct client *c, const struct arguments *args)
{
    struct json_build b = request_of(args, DO_NOTIFY_TEST);
    return say_done(c, build_end(&b),
                    "Whoever receives it enters the code within 30 minutes: soakbench notify acknowledge CODE");
}

int command_notify_acknowledge(struct client *c, const struct arguments *args)
{
    struct json_build b = request_of(args, DO_NOTIFY_ACKNOWLEDGE);
    build_text(&b, "code", args->operands[0]);
    return say_done(c, build_end(&b), NULL);
}

int command_uplink_resend(struct client *c, const struct arguments *args)
{
    int64_t run_no = 0;
    bool run = args->operand_count > 0, since = argument(args, "--since")->given;
    if (run == since)
        return client_wrong_use(c, "uplink resend needs a RUN, or --since DATE");
    if (run && client_run_operand(c, args, &run_no) != EXIT_DONE)
        return EXIT_WRONG_USE;
    struct json_build b = request_of(args, DO_UPLINK_RESEND);
    if (run)
        build_integer(&b, "run", run_no);
    else
        build_text(&b, "since", argument_text(args, "--since", ""));
    if (argument(args, "--store")->given)
        build_text(&b, "store", argument_text(args, "--store", ""));
    return say_done(c, build_end(&b), "Follow it with: soakbench status --figures");
}

int command_morning(struct client *c, const struct arguments *args)
{
    struct error err = {{0}};
    int status = EXIT_DONE;
    struct journal_reader *reader = client_journal(c, &err);
    struct morning *m = reader ? morning_new(reader, (int64_t)argument_number(args, "--since", 0), &err) : NULL;
    if (!m)
        status = client_failed(c, &err);
    else if (c->json)
        status = client_print_json(c, morning_to_json(m));
    else
        morning_print(m, c->screen.out);
    morning_free(m);
    journal_reader_close(reader);
    return status;
}
