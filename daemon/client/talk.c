/* Talking to the daemon, and what commands share. */
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "client.h"
#include "config.h"
#include "json_build.h"
#include "model_json.h"
#include "problem_print.h"

static const char default_socket[] = "/run/soakbench/control.sock";

static const char *socket_path(struct client *c)
{
    if (c->socket_option)
        return c->socket_option;
    if (c->config_option) {
        const struct config *config = client_config(c);
        return config ? config->listen.socket : NULL;
    }
    const char *path = getenv("SOAKBENCH_SOCKET");
    return path && path[0] ? path : default_socket;
}

static int connect_daemon(struct client *c, struct error *err)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    const char *path = socket_path(c);
    if (!path)
        return error_set(err, "the configuration %s has errors; correct them first", c->config_option);
    if (text_copy(address.sun_path, sizeof address.sun_path, path) != 0)
        return error_set(err, "the socket's path %s is too long", path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return error_set(err, "no socket: %s", strerror(errno));
    if (connect(fd, (const struct sockaddr *)&address, sizeof address) != 0) {
        int why = errno;
        close(fd);
        if (why == EACCES)
            return error_set(err, "you may not use the control socket %s; ask to be put into its group", path);
        return error_set(err,
                         "no daemon answers at %s (%s). Start it with soakbenchd --config FILE, or name its socket "
                         "with --socket or --config",
                         path, strerror(why));
    }
    c->fd = fd;
    c->in = line_buffer_over(PROTOCOL_ANSWER_MAX);
    return 0;
}

static void disconnect(struct client *c)
{
    if (c->fd >= 0)
        close(c->fd);
    c->fd = -1;
    line_buffer_free(&c->in);
}

static int send_line(struct client *c, const char *line, size_t size, struct error *err)
{
    size_t sent = 0;
    while (sent < size) {
        ssize_t n = send(c->fd, line + sent, size - sent, MSG_NOSIGNAL);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return error_set(err, "the daemon hung up: %s", strerror(errno));
        sent += (size_t)n;
    }
    return 0;
}

/* The next answer, whoever's it is. */
static int next_answer(struct client *c, json_t **answer, int64_t *id, struct error *err)
{
    const char *line;
    size_t size;
    while (!line_buffer_line(&c->in, &line, &size)) {
        char bytes[16384];
        ssize_t n = recv(c->fd, bytes, sizeof bytes, 0);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return error_set(err, "the daemon cannot be read: %s", strerror(errno));
        if (n == 0)
            return error_set(err, "the daemon hung up; look at its log");
        if (line_buffer_add(&c->in, bytes, (size_t)n) != 0)
            return error_set(err, "the daemon's answer is too long");
    }
    int result = protocol_parse_answer(line, size, answer, id, err);
    line_buffer_drop(&c->in);
    return result;
}

static void tell_accepted(struct client *c, const json_t *answer)
{
    const char *text = get_word(json_object_get(answer, "result"), "text");
    if (c->errors.terminal && !c->json)
        fprintf(c->errors.out, "Accepted%s%s. Waiting until it is done (Ctrl-C stops the waiting only).\n",
                text[0] ? ": " : "", text);
}

int client_ask(struct client *c, json_t *request, bool accepted_ends, json_t **answer, struct error *err)
{
    size_t size = 0;
    int64_t id = ++c->next_id;
    *answer = NULL;
    if (c->fd < 0 && connect_daemon(c, err) != 0) {
        json_decref(request);
        return -1;
    }
    char *line = request && json_object_set_new(request, "id", json_integer(id)) == 0
                     ? protocol_line(request, PROTOCOL_REQUEST_MAX, &size)
                     : NULL;
    json_decref(request);
    if (!line)
        return error_set(err, "the request is too long, or memory is short");
    int result = send_line(c, line, size, err);
    free(line);
    while (result == 0) {
        json_t *object = NULL;
        int64_t whose = 0;
        result = next_answer(c, &object, &whose, err);
        bool accepted = strcmp(get_word(object, "stage"), "accepted") == 0;
        bool refused_unread = whose == 0 && strcmp(get_word(object, "stage"), "refused") == 0;
        if (result == 0 && ((whose == id && (!accepted || accepted_ends)) || refused_unread)) {
            *answer = object;
            return 0;
        }
        if (result == 0 && whose == id)
            tell_accepted(c, object);
        json_decref(object);
    }
    disconnect(c);
    return -1;
}

int client_result(struct client *c, json_t *request, bool accepted_ends, json_t **result)
{
    struct error err = {{0}};
    json_t *answer = NULL;
    *result = NULL;
    if (client_ask(c, request, accepted_ends, &answer, &err) != 0)
        return client_failed(c, &err);
    int status = EXIT_DONE;
    if (strcmp(get_word(answer, "stage"), "refused") == 0)
        status = client_refused(c, answer);
    else
        *result = json_incref(json_object_get(answer, "result"));
    json_decref(answer);
    return status;
}

int client_refused(struct client *c, const json_t *answer)
{
    const json_t *error = json_object_get(answer, "error");
    const json_t *lines = json_object_get(answer, "lines");
    if (c->json) {
        struct json_build b = build_begin();
        build_add(&b, "error", json_incref((json_t *)error));
        if (lines)
            build_add(&b, "lines", json_incref((json_t *)lines));
        (void)client_print_json(c, build_end(&b));
    }
    const struct screen *s = &c->errors;
    fprintf(s->out, "%sRefused:%s %s\n", tone_begin(s, TONE_BAD), tone_end(s, TONE_BAD), get_word(error, "what"));
    size_t i;
    json_t *line;
    json_array_foreach((json_t *)lines, i, line)
    {
        const char *result = get_word(line, "result");
        enum tone tone = tone_of(result);
        fprintf(s->out, "  %s%-6s%s ", tone_begin(s, tone), result, tone_end(s, tone));
        print_wrapped(s, 9, get_word(line, "text"));
    }
    if (get_word(error, "remedy")[0])
        fprintf(s->out, "%s\n", get_word(error, "remedy"));
    return EXIT_REFUSED;
}

int client_failed(struct client *c, const struct error *err)
{
    if (c->json) {
        struct json_build e = build_begin();
        build_text(&e, "what", err->text);
        struct json_build b = build_begin();
        build_add(&b, "error", build_end(&e));
        (void)client_print_json(c, build_end(&b));
    }
    fprintf(c->errors.out, "soakbench: %s\n", err->text);
    return EXIT_REFUSED;
}

int client_wrong_use(struct client *c, const char *format, ...)
{
    struct error err;
    va_list args;
    va_start(args, format);
    /* The analyzer of clang 14 does not see that va_start began args. */
    (void)vsnprintf(err.text, sizeof err.text, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
    va_end(args);
    (void)client_failed(c, &err);
    return EXIT_WRONG_USE;
}

int client_run_operand(struct client *c, const struct arguments *args, int64_t *run_no)
{
    const struct command_row *row = args->command;
    double number = NAN;
    if (number_parse(args->operands[0], &number) != 0 || number < 1 || floor(number) != number)
        return client_wrong_use(c, "%s%s%s: \"%s\" is no run number; soakbench run list shows them", row->group,
                                row->name ? " " : "", row->name ? row->name : "", args->operands[0]);
    *run_no = (int64_t)number;
    return EXIT_DONE;
}

int client_print_json(struct client *c, json_t *object)
{
    char *text = NULL;
    if (object && json_object_set_new(object, "v", json_integer(PROTOCOL_VERSION)) == 0)
        text = json_dumps(object, JSON_INDENT(2) | JSON_REAL_PRECISION(17) | JSON_SORT_KEYS);
    json_decref(object);
    if (!text) {
        fputs("soakbench: memory is short\n", c->errors.out);
        return EXIT_REFUSED;
    }
    json_shorten(text);
    fprintf(c->screen.out, "%s\n", text);
    free(text);
    return EXIT_DONE;
}

const struct config *client_config(struct client *c)
{
    if (c->config || !c->config_option)
        return c->config;
    struct problems problems = {0};
    if (config_load(c->config_option, &c->config, &problems) != 0) {
        c->config = NULL;
        problems_show(&c->errors, &problems);
    }
    problems_free(&problems);
    return c->config;
}

struct bench *client_bench(struct client *c, struct error *err)
{
    struct bench *bench = calloc(1, sizeof *bench);
    if (!bench) {
        error_set(err, "memory is short");
        return NULL;
    }
    if (c->config_option) {
        const struct config *config = client_config(c);
        if (config) {
            *bench = config->bench;
            return bench;
        }
        error_set(err, "the configuration %s has errors; correct them first", c->config_option);
        free(bench);
        return NULL;
    }
    json_t *answer = NULL;
    int result = client_ask(c, protocol_request(DO_BENCH, 0), false, &answer, err);
    if (result == 0)
        result = bench_from_json(json_object_get(answer, "result"), bench, err);
    json_decref(answer);
    if (result != 0) {
        free(bench);
        return NULL;
    }
    return bench;
}

void client_print_wishes(struct client *c, struct print_wishes *wishes)
{
    const struct config *config = client_config(c);
    *wishes = (struct print_wishes){0};
    if (!config)
        return;
    wishes->letter = config->record.paper == PAPER_LETTER;
    (void)text_format(wishes->site, sizeof wishes->site, "%s%s%s", config->record.site,
                      config->record.address[0] ? ", " : "", config->record.address);
}

bool client_offline(const struct client *c)
{
    return c->journal_option != NULL;
}

struct journal_reader *client_journal(struct client *c, struct error *err)
{
    if (c->journal_option)
        return journal_reader_open(c->journal_option, err);
    if (c->config_option) {
        const struct config *config = client_config(c);
        if (config)
            return journal_reader_open(config->journal.path, err);
        error_set(err, "the configuration %s has errors; correct them first", c->config_option);
        return NULL;
    }
    json_t *answer = NULL;
    struct journal_reader *reader = NULL;
    if (client_ask(c, protocol_request(DO_HELLO, 0), false, &answer, err) == 0)
        reader = journal_reader_open(get_word(json_object_get(answer, "result"), "journal"), err);
    json_decref(answer);
    return reader;
}

int client_unit(struct journal_reader *reader, const char *called, char name[NAME_CAP], struct error *err)
{
    int found = journal_reader_find_unit(reader, called, name, err);
    if (found == 0 && text_copy(name, NAME_CAP, called) != 0)
        return error_set(err, "unit %s is not in the register; soakbench unit list shows them", called);
    return found == 0 || found == 1 ? 0 : -1;
}

int verdict_status(const char *verdict)
{
    if (strcmp(verdict, "met") == 0 || strcmp(verdict, "held") == 0)
        return EXIT_DONE;
    return strcmp(verdict, "not-met") == 0 ? EXIT_NOT_MET : EXIT_UNDECIDED;
}

const char *get_word(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

double get_figure(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

int64_t get_whole(const json_t *object, const char *key)
{
    return json_integer_value(json_object_get(object, key));
}

bool get_flag(const json_t *object, const char *key)
{
    return json_is_true(json_object_get(object, key));
}

void print_duration(char *to, size_t cap, double seconds)
{
    if (!isfinite(seconds)) {
        (void)text_copy(to, cap, "-");
        return;
    }
    if (seconds < 59.95) {
        (void)text_format(to, cap, "%.1f s", seconds);
        return;
    }
    long long s = (long long)(seconds + 0.5);
    if (s < 3600)
        (void)text_format(to, cap, "%lld min %02lld s", s / 60, s % 60);
    else
        (void)text_format(to, cap, "%lld h %02lld min", s / 3600, s % 3600 / 60);
}

void print_figure(char *to, size_t cap, double value, int digits, const char *unit)
{
    if (isfinite(value))
        (void)text_format(to, cap, "%.*f%s%s", digits, value, unit[0] ? " " : "", unit);
    else
        (void)text_copy(to, cap, "-");
}
