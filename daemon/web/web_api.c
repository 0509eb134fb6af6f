#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "bench.h"
#include "journal_json.h"
#include "journal_read.h"
#include "protocol.h"
#include "run_plot.h"
#include "run_record.h"
#include "web_curves.h"
#include "web_link.h"
#include "web_metrics.h"
#include "web_request.h"

enum { RUNS_PAGE = 200, EVENTS_PAGE = 500, ORDER_TIMEOUT_MS = 8000 };

const char *web_argument(const struct web_request *q, const char *name)
{
    return MHD_lookup_connection_value(q->connection, MHD_GET_ARGUMENT_KIND, name);
}

double web_number(const struct web_request *q, const char *name, double low, double high, double fallback)
{
    const char *text = web_argument(q, name);
    double v;
    if (text == NULL || number_parse(text, &v) != 0 || v < low || v > high)
        return fallback;
    return v;
}

void web_reply_json(struct web_reply *reply, unsigned status, json_t *object)
{
    char *text = object != NULL ? json_dumps(object, JSON_COMPACT) : NULL;
    json_decref(object);
    *reply = (struct web_reply){.status = status, .type = "application/json; charset=utf-8"};
    if (text == NULL) {
        static const char short_of_memory[] = "{\"error\":{\"what\":\"memory is short\"}}";
        reply->status = 500;
        reply->bytes = (void *)(uintptr_t)short_of_memory; /* never written to: owned is false */
        reply->size = sizeof short_of_memory - 1;
        return;
    }
    reply->bytes = text;
    reply->size = strlen(text);
    reply->owned = true;
}

void web_reply_error(struct web_reply *reply, unsigned status, const char *what)
{
    web_reply_json(reply, status, json_pack("{s:{s:s}}", "error", "what", what));
}

static void reply_result(struct web_reply *reply, json_t *result, bool found, const struct error *err)
{
    if (result != NULL)
        web_reply_json(reply, 200, result);
    else
        web_reply_error(reply, found ? 500 : 404, err->text[0] != '\0' ? err->text : "there is no such thing here");
}

/* ---- live ---- */

static void get_status(const struct web_context *c, struct web_reply *reply)
{
    json_t *o = web_snapshot_get(c->snapshot);
    if (o != NULL) {
        (void)json_object_set_new(o, "may_act", json_boolean(c->may_act));
        (void)json_object_set_new(o, "version", json_string(c->version));
    }
    web_reply_json(reply, 200, o);
}

static void get_health(const struct web_context *c, struct web_reply *reply)
{
    json_t *o = web_snapshot_get(c->snapshot);
    bool reachable = json_is_true(json_object_get(o, "reachable"));
    bool healthy = json_is_true(json_object_get(json_object_get(o, "status"), "journal_healthy"));
    json_decref(o);
    web_reply_json(reply, reachable && healthy ? 200 : 503,
                   json_pack("{s:b, s:b}", "daemon_reachable", (int)reachable, "journal_healthy", (int)healthy));
}

static void get_metrics(const struct web_context *c, struct web_reply *reply)
{
    json_t *o = web_snapshot_get(c->snapshot);
    char *text = o != NULL ? web_metrics_print(o) : NULL;
    json_decref(o);
    if (text == NULL) {
        web_reply_error(reply, 500, "memory is short");
        return;
    }
    *reply = (struct web_reply){.status = 200,
                                .type = "application/openmetrics-text; version=1.0.0; charset=utf-8",
                                .bytes = text,
                                .size = strlen(text),
                                .owned = true};
}

/* ---- from the record ---- */

static void get_runs(const struct web_request *q, struct journal_reader *r, struct web_reply *reply, struct error *err)
{
    struct run_filter filter = {.serial = web_argument(q, "unit"),
                                .channel = web_argument(q, "channel"),
                                .newest_first = true,
                                .limit = (int64_t)web_number(q, "limit", 1, RUNS_PAGE, RUNS_PAGE)};
    reply_result(reply, runs_to_json(r, &filter, err), true, err);
}

/* A file that one of the drawing functions writes by name, read back into the reply. */
static void reply_file(struct web_reply *reply, const char *path, const char *type)
{
    FILE *f = fopen(path, "rb");
    long size = -1;
    char *bytes = NULL;
    if (f != NULL && fseek(f, 0, SEEK_END) == 0 && (size = ftell(f)) > 0 && fseek(f, 0, SEEK_SET) == 0)
        bytes = malloc((size_t)size);
    if (bytes != NULL && fread(bytes, 1, (size_t)size, f) == (size_t)size) {
        *reply = (struct web_reply){.status = 200, .type = type, .bytes = bytes, .size = (size_t)size, .owned = true};
        bytes = NULL;
    } else {
        web_reply_error(reply, 500, "the picture could not be read back");
    }
    free(bytes);
    if (f != NULL)
        (void)fclose(f);
}

static int write_picture(const struct run_data *data, const char *what, const char *version, const char *path,
                         struct error *err)
{
    if (strcmp(what, "record.pdf") == 0) {
        struct record_options options = {.issued_utc_s = (int64_t)time(NULL), .version = version};
        return run_record_write(data, &options, path, err);
    }
    struct run_plot plot;
    int rc = run_plot_init(&plot, data, 0, data->length_s > 1 ? data->length_s : 1);
    if (rc == 0)
        rc = plot_write(&plot.plot, PLOT_SVG, path, 760, 640, err);
    else
        (void)error_set(err, "memory is short");
    run_plot_fini(&plot);
    return rc;
}

static void get_picture(const struct web_context *c, struct journal_reader *r, int64_t run_no, const char *what,
                        struct web_reply *reply, struct error *err)
{
    char path[] = "/tmp/soakbench-web-XXXXXX";
    int fd = mkstemp(path);
    if (fd < 0) {
        web_reply_error(reply, 500, "no temporary file could be made");
        return;
    }
    (void)close(fd);
    struct run_data *data = run_data_load(r, run_no, err);
    if (data == NULL)
        web_reply_error(reply, 404, err->text);
    else if (write_picture(data, what, c->version, path, err) != 0)
        web_reply_error(reply, 500, err->text);
    else
        reply_file(reply, path, strcmp(what, "record.pdf") == 0 ? "application/pdf" : "image/svg+xml");
    run_data_free(data);
    (void)unlink(path);
}

static bool get_run(const struct web_context *c, const struct web_request *q, struct journal_reader *r,
                    const char *rest, struct web_reply *reply, struct error *err)
{
    char *end;
    long long run_no = strtoll(rest, &end, 10);
    if (end == rest || run_no <= 0 || end - rest > 18)
        return false;
    bool found = true;
    if (*end == '\0') {
        json_t *o = run_detail_to_json(r, run_no, &found, err);
        reply_result(reply, o, found, err);
    } else if (strcmp(end, "/events") == 0) {
        int64_t after = (int64_t)web_number(q, "after", 0, 9e15, 0);
        reply_result(reply, events_to_json(r, run_no, after, EVENTS_PAGE, err), true, err);
    } else if (strcmp(end, "/curves") == 0) {
        json_t *o = web_curves(r, run_no, web_number(q, "from", 0, 1e9, 0), web_number(q, "to", 0, 1e9, 0),
                               (int)web_number(q, "columns", 1, CURVE_COLUMNS_MAX, 800), &found, err);
        reply_result(reply, o, found, err);
    } else if (strcmp(end, "/record.pdf") == 0 || strcmp(end, "/curves.svg") == 0) {
        get_picture(c, r, run_no, end + 1, reply, err);
    } else {
        return false;
    }
    return true;
}

static void get_latest_events(struct journal_reader *r, struct web_reply *reply, struct error *err)
{
    enum { LATEST = 60 };
    int64_t rows[FEED_COUNT_] = {0};
    if (journal_reader_last_rows(r, rows, err) != 0) {
        web_reply_error(reply, 500, err->text);
        return;
    }
    int64_t after = rows[FEED_EVENTS] > LATEST ? rows[FEED_EVENTS] - LATEST : 0;
    reply_result(reply, events_to_json(r, 0, after, LATEST, err), true, err);
}

static bool get_from_record(const struct web_context *c, const struct web_request *q, const char *what,
                            struct web_reply *reply)
{
    struct error err = {{0}};
    struct journal_reader *r = journal_reader_open(c->journal_path, &err);
    if (r == NULL) {
        web_reply_error(reply, 503, err.text);
        return true;
    }
    bool found = true, mine = true;
    if (strcmp(what, "runs") == 0)
        get_runs(q, r, reply, &err);
    else if (strncmp(what, "runs/", 5) == 0)
        mine = get_run(c, q, r, what + 5, reply, &err);
    else if (strcmp(what, "events") == 0)
        get_latest_events(r, reply, &err);
    else if (strcmp(what, "units") == 0)
        reply_result(reply, units_to_json(r, &err), true, &err);
    else if (strncmp(what, "units/", 6) == 0 && strchr(what + 6, '/') == NULL) {
        json_t *o = unit_detail_to_json(r, what + 6, &found, &err);
        reply_result(reply, o, found, &err);
    } else
        mine = false;
    journal_reader_close(r);
    return mine;
}

static void get_bench(const struct web_context *c, struct web_reply *reply)
{
    struct error err = {{0}};
    json_t *answer = web_link_ask(c->socket_path, protocol_request(DO_BENCH, 1), 0, 2000, &err);
    json_t *result = json_incref(json_object_get(answer, "result"));
    json_decref(answer);
    if (result == NULL) {
        web_reply_error(reply, 503, err.text);
        return;
    }
    (void)json_object_del(result, "encoded");
    web_reply_json(reply, 200, result);
}

bool web_api_get(const struct web_context *c, const struct web_request *q, struct web_reply *reply)
{
    if (strcmp(q->path, "/metrics") == 0)
        get_metrics(c, reply);
    else if (strcmp(q->path, "/health") == 0)
        get_health(c, reply);
    else if (strcmp(q->path, "/api/status") == 0)
        get_status(c, reply);
    else if (strcmp(q->path, "/api/bench") == 0)
        get_bench(c, reply);
    else if (strncmp(q->path, "/api/", 5) == 0)
        return get_from_record(c, q, q->path + 5, reply);
    else
        return false;
    return true;
}

/* ---- orders ---- */

/* What may be ordered from a page. Anything else is for the terminal at the bench. */
static bool may_be_ordered(const char *verb)
{
    static const char *const verbs[] = {"run-start", "run-end", "channel-reset", "channel-release", "unit-add"};
    for (size_t i = 0; i < sizeof verbs / sizeof verbs[0]; i++)
        if (strcmp(verb, verbs[i]) == 0)
            return true;
    return false;
}

/* Starting from elsewhere needs the bench's own key switch on: somebody at the bench allowed it. */
static bool key_is_on(const struct web_context *c, const char *channel)
{
    bool on = false;
    json_t *o = web_snapshot_get(c->snapshot);
    size_t i;
    json_t *view;
    json_array_foreach(json_object_get(json_object_get(o, "status"), "channels"), i, view)
    {
        const char *name = json_string_value(json_object_get(view, "channel"));
        const json_t *key = json_object_get(json_object_get(view, "signals"), "key_switch");
        const char *quality = json_string_value(json_object_get(key, "quality"));
        if (name != NULL && strcmp(name, channel) == 0 && quality != NULL && strcmp(quality, "good") == 0)
            on = json_number_value(json_object_get(key, "value")) > 0.5;
    }
    json_int_t age = json_integer_value(json_object_get(o, "age_ms"));
    if (!json_is_true(json_object_get(o, "reachable")) || age > 5000)
        on = false;
    json_decref(o);
    return on;
}

void web_api_order(const struct web_context *c, const struct web_request *q, struct web_reply *reply)
{
    json_error_t trouble;
    json_t *order = json_loadb(q->body, q->body_size, JSON_REJECT_DUPLICATES, &trouble);
    const char *verb = json_string_value(json_object_get(order, "do"));
    if (verb == NULL || !may_be_ordered(verb)) {
        web_reply_error(reply, 400,
                        "the body must be a JSON object with \"do\" one of run-start, run-end, "
                        "channel-reset, channel-release, unit-add");
        json_decref(order);
        return;
    }
    const char *channel = json_string_value(json_object_get(order, "channel"));
    if (strcmp(verb, "run-start") == 0 && (channel == NULL || !key_is_on(c, channel))) {
        web_reply_error(reply, 403,
                        "starting from a page needs the bench's key switch turned on by somebody at the bench");
        json_decref(order);
        return;
    }
    (void)json_object_set_new(order, "v", json_integer(PROTOCOL_VERSION));
    struct error err = {{0}};
    json_t *answer = web_link_ask(c->socket_path, order, 1, ORDER_TIMEOUT_MS, &err);
    if (answer == NULL) {
        web_reply_error(reply, 503, err.text);
        return;
    }
    const char *stage = json_string_value(json_object_get(answer, "stage"));
    web_reply_json(reply, stage != NULL && strcmp(stage, "refused") == 0 ? 409 : 200, answer);
}
