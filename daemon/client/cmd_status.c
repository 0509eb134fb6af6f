/* status, and the orders for a channel. */
#include <math.h>
#include <string.h>

#include "commands.h"
#include "json_build.h"

static void signal_cell(struct table *t, const json_t *channel, const char *name, int digits)
{
    const json_t *signal = json_object_get(json_object_get(channel, "signals"), name);
    char text[64];
    print_figure(text, sizeof text, get_figure(signal, "value"), digits, get_word(signal, "unit"));
    const char *quality = get_word(signal, "quality");
    table_cell(t, "%s%s", text, signal && strcmp(quality, "good") != 0 ? " ?" : "");
}

static void channel_row(struct table *t, const json_t *channel)
{
    bool runs = get_whole(channel, "run") != 0;
    char on[48] = "", goal[48] = "";
    if (runs) {
        print_duration(on, sizeof on, get_figure(channel, "on_load_s"));
        print_duration(goal, sizeof goal, get_figure(channel, "on_load_goal_s"));
    }
    table_cell(t, "%s", get_word(channel, "channel"));
    table_cell(t, "%s", get_word(channel, "state"));
    if (runs)
        table_cell(t, "%lld", (long long)get_whole(channel, "run"));
    else
        table_cell(t, "-");
    table_cell(t, "%s", runs ? get_word(channel, "unit") : "-");
    table_cell(t, "%s", runs ? get_word(json_object_get(channel, "point"), "words") : "-");
    if (runs && strcmp(get_word(channel, "state"), "done") != 0)
        table_cell(t, "%lld: %s of %s", (long long)get_whole(channel, "cycle"), on, goal);
    else
        table_cell(t, "-");
    signal_cell(t, channel, "i2", 1);
    signal_cell(t, channel, "u2", 2);
    const char *interlock = get_word(channel, "interlock");
    bool latched = interlock[0] && strcmp(interlock, "none") != 0;
    bool done = strcmp(get_word(channel, "state"), "done") == 0;
    const char *doing = get_word(channel, "doing");
    if (done && runs && !doing[0])
        table_cell(t, "%s; next: run show %lld, run release %s", get_word(channel, "verdict"),
                   (long long)get_whole(channel, "run"), get_word(channel, "channel"));
    else
        table_cell(t, "%s%s%s", latched ? interlock : "", latched ? ": " : "", doing);
}

static void print_devices(const struct screen *s, const json_t *devices)
{
    const struct column columns[] = {{"device", false, false, false},
                                     {"link", false, false, true},
                                     {"watchdog", false, false, false},
                                     {"heartbeat", false, true, false}};
    struct table *t = table_new(columns, 4);
    size_t i;
    json_t *device;
    json_array_foreach((json_t *)devices, i, device)
    {
        bool load = get_flag(device, "is_load");
        table_cell(t, "%s", get_word(device, "device"));
        table_cell(t, "%s", get_flag(device, "up") ? "up" : "lost");
        table_cell(t, "%s", !load ? "-" : get_flag(device, "watchdog_proved") ? "proved" : "not proved");
        table_cell(t, "%s",
                   !load                              ? "-"
                   : get_flag(device, "beat_stopped") ? "stopped for good: see run watch and reset"
                   : get_flag(device, "lease_held")   ? "allowed"
                                                      : "withheld");
    }
    table_print(t, s);
    table_free(t);
}

/* Figures of the daemon's inside, one line each, as they come. */
static void print_figures(const struct screen *s, const json_t *value, const char *name, int depth)
{
    const char *key;
    json_t *member;
    size_t i;
    if (json_is_object(value)) {
        if (name[0])
            fprintf(s->out, "%*s%s:\n", depth * 2, "", name);
        json_object_foreach((json_t *)value, key, member) print_figures(s, member, key, depth + (name[0] != 0));
    } else if (json_is_array(value)) {
        json_array_foreach((json_t *)value, i, member)
        {
            char label[64];
            (void)text_format(label, sizeof label, "%s %zu", name, i + 1);
            print_figures(s, member, label, depth);
        }
    } else {
        char *text = json_dumps(value, JSON_ENCODE_ANY | JSON_REAL_PRECISION(6));
        fprintf(s->out, "%*s%s: %s\n", depth * 2, "", name, text ? text : "?");
        free(text);
    }
}

static void print_status(const struct screen *s, const json_t *view)
{
    char utc[40];
    (void)text_copy(utc, sizeof utc, get_word(view, "utc"));
    bool healthy = get_flag(view, "journal_healthy");
    fprintf(s->out, "%s%s%s, %s%s. %s%s%s. %s\n", tone_begin(s, TONE_STRONG), get_word(view, "bench"),
            tone_end(s, TONE_STRONG), utc, get_flag(view, "virtual") ? ", virtual" : "",
            tone_begin(s, healthy ? TONE_PLAIN : TONE_BAD),
            healthy ? "The journal keeps up" : "The journal does not keep up: no run can start",
            tone_end(s, healthy ? TONE_PLAIN : TONE_BAD),
            get_flag(view, "live") ? "The bench is LIVE." : "No load is closed.");
    const struct column columns[] = {
        {"channel", false, false, false}, {"state", false, false, true}, {"run", true, false, false},
        {"unit", false, false, false},    {"point", false, true, false}, {"cycle", false, true, false},
        {"I2", true, false, false},       {"U2", true, false, false},    {"now", false, true, false}};
    struct table *t = table_new(columns, 9);
    size_t i;
    json_t *channel;
    json_array_foreach(json_object_get(view, "channels"), i, channel) channel_row(t, channel);
    table_print(t, s);
    table_free(t);
    fputc('\n', s->out);
    print_devices(s, json_object_get(view, "devices"));
}

int command_status(struct client *c, const struct arguments *args)
{
    json_t *view = NULL, *figures = NULL;
    int status = client_result(c, protocol_request(DO_STATUS, 0), false, &view);
    if (status == EXIT_DONE && argument_flag(args, "--figures"))
        status = client_result(c, protocol_request(DO_COUNTERS, 0), false, &figures);
    if (status == EXIT_DONE && c->json) {
        if (figures)
            json_object_set(view, "figures", figures);
        status = client_print_json(c, json_incref(view));
    } else if (status == EXIT_DONE) {
        print_status(&c->screen, view);
        if (figures) {
            fputc('\n', c->screen.out);
            print_figures(&c->screen, figures, "", 0);
        }
    }
    json_decref(view);
    json_decref(figures);
    return status;
}

struct channel_order {
    const char *group, *name;
    enum protocol_verb verb;
    const char *text_key; /* field and option that carries the text */
    bool text_needed;
    const char *next; /* what people do next */
};

static const struct channel_order orders[] = {
    {"rig", NULL, DO_CHANNEL_RIG, NULL, false,
     "Open the channel's isolator, connect the unit, check its label against the channel's, then: soakbench rigged %s"},
    {"rigged", NULL, DO_CHANNEL_RIGGED, "unit", false, "Next: soakbench run plan %s --unit SERIAL --procedure screen"},
    {"reset", NULL, DO_CHANNEL_RESET, "reason", true, "Look at soakbench status %s before the next start."},
    {"continue", NULL, DO_CHANNEL_CONTINUE, "reason", true, "Channel %s may be used again."},
    {"note", NULL, DO_CHANNEL_NOTE, "text", true, NULL},
    {"run", "set", DO_CHANNEL_SET, NULL, false, NULL},
    {"run", "release", DO_CHANNEL_RELEASE, NULL, false, "Channel %s is free for the next unit."},
    {"run", "end", DO_RUN_END, "reason", false, NULL},
};

static const struct channel_order *find_order(const struct command_row *command)
{
    const struct channel_order *o = orders;
    while (strcmp(o->group, command->group) != 0 || (o->name && strcmp(o->name, command->name) != 0))
        o++;
    return o;
}

int command_channel(struct client *c, const struct arguments *args)
{
    const struct channel_order *order = find_order(args->command);
    const char *channel = args->operands[0];
    const char *who = argument_text(args, "--who", NULL);
    struct json_build b = {.object = protocol_request(order->verb, 0)};
    b.bad = !b.object;
    build_text(&b, "channel", channel);
    if (who)
        build_text(&b, "who", who);
    if (order->text_key) {
        char option[32];
        (void)text_format(option, sizeof option, "--%s", order->text_key);
        const char *text = argument_text(args, option, NULL);
        if (order->text_needed && !text) {
            json_decref(build_end(&b));
            return client_wrong_use(c, "%s needs %s \"...\": it goes into the record", order->group, option);
        }
        if (text)
            build_text(&b, order->text_key, text);
    }
    if (order->verb == DO_CHANNEL_RIG && c->errors.terminal) /* hands will be on leads */
        print_cautions(&c->errors);
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    if (status == EXIT_DONE && c->json) {
        status = client_print_json(c, json_incref(result));
    } else if (status == EXIT_DONE) {
        const char *text = get_word(result, "text");
        fprintf(c->screen.out, "%s\n", text[0] ? text : "Done.");
        if (order->next) {
            const char *slot = strstr(order->next, "%s");
            fprintf(c->screen.out, "%.*s%s%s\n", (int)(slot - order->next), order->next, channel, slot + 2);
        }
    }
    json_decref(result);
    return status;
}

int command_watchdog_prove(struct client *c, const struct arguments *args)
{
    const char *who = argument_text(args, "--who", NULL);
    struct json_build b = {.object = protocol_request(DO_WATCHDOG_PROVE, 0)};
    b.bad = !b.object;
    build_text(&b, "device", args->operands[0]);
    if (who)
        build_text(&b, "who", who);
    json_t *result = NULL;
    int status = client_result(c, build_end(&b), false, &result);
    if (status == EXIT_DONE && c->json)
        status = client_print_json(c, json_incref(result));
    else if (status == EXIT_DONE)
        fprintf(c->screen.out, "%s\n", get_word(result, "text")[0] ? get_word(result, "text") : "Proved.");
    json_decref(result);
    return status;
}
