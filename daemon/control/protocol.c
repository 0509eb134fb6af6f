#include "protocol.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "json_build.h"

struct verb_row {
    const char *name;
    bool changes;
};

static const struct verb_row verbs[DO_COUNT_] = {
    [DO_HELLO] = {"hello", false},
    [DO_STATUS] = {"status", false},
    [DO_BENCH] = {"bench", false},
    [DO_COUNTERS] = {"counters", false},
    [DO_RUN_START] = {"run-start", true},
    [DO_RUN_END] = {"run-end", true},
    [DO_RUN_QUEUE] = {"run-queue", true},
    [DO_RUN_UNQUEUE] = {"run-unqueue", true},
    [DO_RUN_LIST] = {"run-list", false},
    [DO_RUN_SHOW] = {"run-show", false},
    [DO_RUN_EVENTS] = {"run-events", false},
    [DO_CHANNEL_RIG] = {"channel-rig", true},
    [DO_CHANNEL_RIGGED] = {"channel-rigged", true},
    [DO_CHANNEL_RELEASE] = {"channel-release", true},
    [DO_CHANNEL_RESET] = {"channel-reset", true},
    [DO_CHANNEL_SET] = {"channel-set", true},
    [DO_CHANNEL_CONTINUE] = {"channel-continue", true},
    [DO_CHANNEL_NOTE] = {"channel-note", true},
    [DO_WATCHDOG_PROVE] = {"watchdog-prove", true},
    [DO_DEVICE_PROBE] = {"device-probe", false},
    [DO_UNIT_ADD] = {"unit-add", true},
    [DO_UNIT_IMPORT] = {"unit-import", true},
    [DO_UNIT_LIST] = {"unit-list", false},
    [DO_UNIT_SHOW] = {"unit-show", false},
    [DO_UNIT_INSPECT] = {"unit-inspect", true},
    [DO_UNIT_RELEASE] = {"unit-release", true},
    [DO_UNIT_BASELINE] = {"unit-baseline", true},
    [DO_RUN_ATTACH] = {"run-attach", true},
    [DO_RUN_REVISE] = {"run-revise", true},
    [DO_UPLINK_RESEND] = {"uplink-resend", true},
    [DO_NOTIFY_TEST] = {"notify-test", true},
    [DO_NOTIFY_ACKNOWLEDGE] = {"notify-acknowledge", true},
};

const char *protocol_verb_name(enum protocol_verb verb)
{
    return (unsigned)verb < DO_COUNT_ ? verbs[verb].name : "?";
}

bool protocol_verb_changes(enum protocol_verb verb)
{
    return (unsigned)verb < DO_COUNT_ && verbs[verb].changes;
}

int protocol_fail(struct protocol_error *err, const char *where, const char *remedy, const char *what, ...)
{
    va_list args;
    va_start(args, what);
    /* The error is filled in here, not read; and the analyzer of clang 14 does not see that va_start began args. */
    // cppcheck-suppress ctuuninitvar
    (void)vsnprintf(err->what, sizeof err->what, what, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
    va_end(args);
    (void)text_copy(err->where, sizeof err->where, where ? where : "");
    (void)text_copy(err->remedy, sizeof err->remedy, remedy ? remedy : "");
    return -1;
}

/* The decoder recurses once a level, so depth is bounded before it sees the bytes. Strings are skipped. */
static bool too_deep(const char *line, size_t size)
{
    int depth = 0;
    bool in_string = false;
    for (size_t i = 0; i < size; i++) {
        char c = line[i];
        if (in_string) {
            if (c == '\\')
                i++;
            else if (c == '"')
                in_string = false;
        } else if (c == '"') {
            in_string = true;
        } else if (c == '{' || c == '[') {
            if (++depth > PROTOCOL_DEPTH_MAX)
                return true;
        } else if (c == '}' || c == ']') {
            depth--;
        }
    }
    return false;
}

static json_t *load_object(const char *line, size_t size, struct protocol_error *err)
{
    while (size > 0 && (line[size - 1] == '\n' || line[size - 1] == '\r'))
        size--;
    if (size == 0) {
        protocol_fail(err, "line", "Send one JSON object a line.", "the line is empty");
        return NULL;
    }
    if (too_deep(line, size)) {
        protocol_fail(err, "line", "Requests need no more than two levels.", "more than %d nested levels",
                      (int)PROTOCOL_DEPTH_MAX);
        return NULL;
    }
    json_error_t error;
    json_t *body = json_loadb(line, size, JSON_REJECT_DUPLICATES, &error);
    if (!body) {
        char where[96];
        (void)text_format(where, sizeof where, "column %d", error.column);
        protocol_fail(err, where, "Send one JSON object a line, in UTF-8.", "not JSON: %.120s", error.text);
        return NULL;
    }
    if (!json_is_object(body)) {
        protocol_fail(err, "line", "Send an object like {\"v\":1,\"id\":1,\"do\":\"status\"}.",
                      "JSON, but not an object");
        json_decref(body);
        return NULL;
    }
    return body;
}

static int check_head(const json_t *body, enum protocol_verb *verb, int64_t *id, struct protocol_error *err)
{
    const json_t *number = json_object_get(body, "id");
    if (json_is_integer(number))
        *id = json_integer_value(number);
    const json_t *version = json_object_get(body, "v");
    if (!json_is_integer(version))
        return protocol_fail(err, "v", "Put \"v\":1 in the request.", "the protocol version is missing");
    if (json_integer_value(version) != PROTOCOL_VERSION)
        return protocol_fail(err, "v", "Use a client of the daemon's own version.",
                             "protocol version %lld is not spoken here, only %d",
                             (long long)json_integer_value(version), (int)PROTOCOL_VERSION);
    if (!json_is_integer(number))
        return protocol_fail(err, "id", "Number the requests from 1; the answers bring the number back.",
                             "the request has no whole number as its id");
    const char *name = json_string_value(json_object_get(body, "do"));
    if (!name)
        return protocol_fail(err, "do", "Say what to do, as in \"do\":\"status\".", "the request says not what to do");
    for (unsigned i = 0; i < DO_COUNT_; i++) {
        if (strcmp(name, verbs[i].name) == 0) {
            *verb = (enum protocol_verb)i;
            return 0;
        }
    }
    return protocol_fail(err, "do", "docs/control-protocol.md lists what can be asked.", "\"%.60s\" is not known",
                         name);
}

int protocol_parse(const char *line, size_t size, json_t **body, enum protocol_verb *verb, int64_t *id,
                   struct protocol_error *err)
{
    *body = NULL;
    *id = 0;
    json_t *object = load_object(line, size, err);
    if (!object)
        return -1;
    if (check_head(object, verb, id, err) != 0) {
        json_decref(object);
        return -1;
    }
    *body = object;
    return 0;
}

int protocol_parse_answer(const char *line, size_t size, json_t **body, int64_t *id, struct error *err)
{
    struct protocol_error problem = {0};
    *body = NULL;
    json_t *object = load_object(line, size, &problem);
    if (!object)
        return error_set(err, "the daemon's answer cannot be read: %s", problem.what);
    const json_t *version = json_object_get(object, "v");
    const json_t *number = json_object_get(object, "id");
    if (json_integer_value(version) != PROTOCOL_VERSION || !json_is_integer(number) ||
        !json_is_string(json_object_get(object, "stage"))) {
        json_decref(object);
        return error_set(err, "the daemon's answer is not of protocol version %d; use a client of its own version",
                         (int)PROTOCOL_VERSION);
    }
    *id = json_integer_value(number);
    *body = object;
    return 0;
}

json_t *protocol_request(enum protocol_verb verb, int64_t id)
{
    return json_pack("{s:i, s:I, s:s}", "v", (int)PROTOCOL_VERSION, "id", (json_int_t)id, "do",
                     protocol_verb_name(verb));
}

static json_t *answer(int64_t id, const char *stage, json_t *result)
{
    json_t *object = json_pack("{s:i, s:I, s:s}", "v", (int)PROTOCOL_VERSION, "id", (json_int_t)id, "stage", stage);
    if (!object) {
        json_decref(result);
        return NULL;
    }
    if (result && json_object_set_new(object, "result", result) != 0) {
        json_decref(object);
        return NULL;
    }
    return object;
}

json_t *protocol_accepted(int64_t id, json_t *result)
{
    return answer(id, "accepted", result);
}

json_t *protocol_done(int64_t id, json_t *result)
{
    return answer(id, "done", result);
}

json_t *protocol_refused(int64_t id, const struct protocol_error *err, json_t *lines)
{
    json_t *object = answer(id, "refused", NULL);
    json_t *error = json_pack("{s:s, s:s, s:s}", "what", err->what, "where", err->where, "remedy", err->remedy);
    if (!error) /* bytes that are not UTF-8 came with the request and got into a message */
        error = json_pack("{s:s, s:s, s:s}", "what", "the request is not understood", "where", "", "remedy",
                          "Send text in UTF-8.");
    if (!object || !error || json_object_set_new(object, "error", error) != 0) {
        json_decref(object);
        json_decref(lines);
        return NULL;
    }
    if (lines && json_object_set_new(object, "lines", lines) != 0) {
        json_decref(object);
        return NULL;
    }
    return object;
}

char *protocol_line(const json_t *object, size_t max, size_t *size)
{
    size_t flags = JSON_COMPACT | JSON_REAL_PRECISION(17);
    size_t need = json_dumpb(object, NULL, 0, flags);
    if (need == 0 || need + 1 > max)
        return NULL;
    char *line = malloc(need + 2);
    if (!line)
        return NULL;
    if (json_dumpb(object, line, need, flags) != need) {
        free(line);
        return NULL;
    }
    line[need] = 0;
    json_shorten(line);
    need = strlen(line);
    line[need] = '\n';
    *size = need + 1;
    return line;
}

static const json_t *present(const json_t *body, const char *key)
{
    const json_t *value = json_object_get(body, key);
    return json_is_null(value) ? NULL : value;
}

int field_text(const json_t *body, const char *key, char *to, size_t cap, struct protocol_error *err)
{
    const json_t *value = present(body, key);
    if (!value)
        return 0;
    if (!json_is_string(value))
        return protocol_fail(err, key, "Write it as text in quotes.", "%s is not text", key);
    if (json_string_length(value) >= cap)
        return protocol_fail(err, key, "Make it shorter.", "%s is longer than %zu bytes", key, cap - 1);
    for (const char *c = json_string_value(value); *c; c++) {
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            return protocol_fail(err, key, "Leave control characters out.", "%s holds a control character", key);
    }
    (void)text_copy(to, cap, json_string_value(value));
    return 1;
}

int field_integer(const json_t *body, const char *key, int64_t low, int64_t high, int64_t *value,
                  struct protocol_error *err)
{
    const json_t *number = present(body, key);
    if (!number)
        return 0;
    if (!json_is_integer(number))
        return protocol_fail(err, key, "Write a whole number without quotes.", "%s is not a whole number", key);
    int64_t n = json_integer_value(number);
    if (n < low || n > high)
        return protocol_fail(err, key, "Choose a number inside these limits.", "%s is %lld, outside %lld to %lld", key,
                             (long long)n, (long long)low, (long long)high);
    *value = n;
    return 1;
}

int field_flag(const json_t *body, const char *key, bool *value, struct protocol_error *err)
{
    const json_t *flag = present(body, key);
    if (!flag)
        return 0;
    if (!json_is_boolean(flag))
        return protocol_fail(err, key, "Write true or false without quotes.", "%s is neither true nor false", key);
    *value = json_is_true(flag);
    return 1;
}

int field_quantity(const json_t *body, const char *key, enum dimension dim, double low, double high, double *value,
                   struct protocol_error *err)
{
    const json_t *field = present(body, key);
    if (!field)
        return 0;
    double v = NAN;
    if (json_is_number(field)) {
        v = json_number_value(field);
    } else if (json_is_string(field)) {
        struct error problem = {{0}};
        if (quantity_parse(json_string_value(field), dim, &v, &problem) != 0)
            return protocol_fail(err, key, "Write a number with its unit.", "%s: %.300s", key, problem.text);
    } else {
        return protocol_fail(err, key, "Write a number, or text with a number and its unit.", "%s is no quantity", key);
    }
    if (!(v >= low && v <= high)) {
        char text[3][32];
        number_print(text[0], sizeof text[0], v);
        number_print(text[1], sizeof text[1], low);
        number_print(text[2], sizeof text[2], high);
        return protocol_fail(err, key, "Choose a value inside these limits.", "%s is %s, outside %s to %s %s", key,
                             text[0], text[1], text[2], dimension_unit(dim));
    }
    *value = v;
    return 1;
}
