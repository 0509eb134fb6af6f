#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"
#include "history_json.h"
#include "journal_json.h"
#include "journal_read.h"
#include "model_json.h"
#include "web_curves.h"
#include "web_metrics.h"
#include "web_request.h"

enum { RUNS_PAGE = 200, EVENTS_PAGE = 500, LATEST_EVENTS = 60 };

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
    web_reply_json(reply, status, json_pack("{s:{s:o}}", "error", "what", json_text(what)));
}

static void reply_result(struct web_reply *reply, json_t *result, bool found, const struct error *err)
{
    web_add_test_voltage(result);
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
        web_add_test_voltage(o);
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

/* OpenMetrics for those who ask for it, the older text format of the same family for all others. */
static void get_metrics(const struct web_context *c, const struct web_request *q, struct web_reply *reply)
{
    const char *accept = MHD_lookup_connection_value(q->connection, MHD_HEADER_KIND, "Accept");
    bool open = accept != NULL && strstr(accept, "application/openmetrics-text") != NULL;
    json_t *o = web_snapshot_get(c->snapshot);
    char *text = o != NULL ? web_metrics_print(o, open) : NULL;
    json_decref(o);
    if (text == NULL) {
        web_reply_error(reply, 500, "memory is short");
        return;
    }
    *reply = (struct web_reply){.status = 200,
                                .type = open ? "application/openmetrics-text; version=1.0.0; charset=utf-8"
                                             : "text/plain; version=0.0.4; charset=utf-8",
                                .bytes = text,
                                .size = strlen(text),
                                .owned = true};
}

/* ---- from the record ---- */

enum { UNITS_PAGE = 50000 };

static void get_runs(const struct web_request *q, struct journal_reader *r, struct web_reply *reply, struct error *err)
{
    struct run_filter filter = {.serial = web_argument(q, "unit"),
                                .channel = web_argument(q, "channel"),
                                .newest_first = true,
                                .limit = (int64_t)web_number(q, "limit", 1, RUNS_PAGE, RUNS_PAGE)};
    reply_result(reply, runs_to_json(r, &filter, err), true, err);
}

/* Pictures and curves read a whole run: no more than a few at a time, so that a crowd asking for them leaves threads
 * for the live page. */
static void get_heavy(const struct web_context *c, const struct web_request *q, struct journal_reader *r,
                      int64_t run_no, const char *what, struct web_reply *reply)
{
    struct error err = {{0}};
    bool found = true;
    if (atomic_fetch_add(c->heavy, 1) >= WEB_HEAVY_MAX) {
        web_reply_error(reply, 503, "too many curves and pictures are being drawn; ask again in a second");
    } else if (strcmp(what, "curves") == 0) {
        json_t *o = web_curves(r, run_no, web_number(q, "from", 0, 1e9, 0), web_number(q, "to", 0, 1e9, 0),
                               (int)web_number(q, "columns", 1, CURVE_COLUMNS_MAX, 800), &found, &err);
        reply_result(reply, o, found, &err);
    } else {
        web_picture(c, q, r, run_no, what, reply);
    }
    (void)atomic_fetch_sub(c->heavy, 1);
}

static bool get_run(const struct web_context *c, const struct web_request *q, struct journal_reader *r,
                    const char *rest, struct web_reply *reply)
{
    struct error err = {{0}};
    char *end;
    long long run_no = strtoll(rest, &end, 10);
    if (rest[0] < '1' || rest[0] > '9' || end - rest > 18)
        return false;
    bool found = true;
    if (*end == '\0') {
        json_t *o = run_detail_to_json(r, run_no, &found, &err);
        if (!found)
            (void)error_set(&err, "there is no run %lld on record", run_no);
        reply_result(reply, o, found, &err);
    } else if (strcmp(end, "/events") == 0) {
        int64_t after = (int64_t)web_number(q, "after", 0, 9e15, 0);
        reply_result(reply, events_to_json(r, run_no, after, EVENTS_PAGE, &err), true, &err);
    } else if (strcmp(end, "/curves") == 0 || strcmp(end, "/record.pdf") == 0 || strcmp(end, "/curves.svg") == 0) {
        get_heavy(c, q, r, run_no, end + 1, reply);
    } else {
        return false;
    }
    return true;
}

static void get_latest_events(struct journal_reader *r, struct web_reply *reply, struct error *err)
{
    int64_t rows[FEED_COUNT_] = {0};
    if (journal_reader_last_rows(r, rows, err) != 0) {
        web_reply_error(reply, 500, err->text);
        return;
    }
    int64_t after = rows[FEED_EVENTS] > LATEST_EVENTS ? rows[FEED_EVENTS] - LATEST_EVENTS : 0;
    reply_result(reply, events_to_json(r, 0, after, LATEST_EVENTS, err), true, err);
}

/* Serial numbers may hold anything, a slash too: they come as an argument, not as part of the path. */
/* The unit that is asked for: by its name on record (unit=), or as a person calls it (serial=). False: reply says why
 * not. */
static bool unit_of(const struct web_request *q, struct journal_reader *r, char name[NAME_CAP], struct web_reply *reply)
{
    struct error err = {{0}};
    const char *unit = web_argument(q, "unit"), *serial = web_argument(q, "serial");
    const char *asked = unit != NULL && unit[0] != '\0' ? unit : serial;
    int found = 0;
    if (asked == NULL || asked[0] == '\0') {
        web_reply_error(reply, 400, "name the unit: ?unit= with its name, or ?serial= with its serial number");
        return false;
    }
    if (asked != unit)
        found = journal_reader_find_unit(r, asked, name, &err);
    if (found == 0 && text_copy(name, NAME_CAP, asked) != 0) {
        (void)error_set(&err, "unit %.80s is not on file", asked);
        web_reply_error(reply, 404, err.text);
        return false;
    }
    if (found == 2 || found < 0)
        web_reply_error(reply, found == 2 ? 409 : 500, err.text);
    return found == 0 || found == 1;
}

static void get_unit(const struct web_request *q, struct journal_reader *r, struct web_reply *reply, struct error *err)
{
    char serial[NAME_CAP];
    if (!unit_of(q, r, serial, reply))
        return;
    bool found = true;
    json_t *o = unit_detail_to_json(r, serial, &found, err);
    if (!found)
        (void)error_set(err, "unit %.80s is not on file", serial);
    reply_result(reply, o, found, err);
}

enum { HISTORY_RUNS = 24 };

/* Reads the readings of many runs: counted among the heavy ones. */
static void get_history(const struct web_context *c, const struct web_request *q, struct journal_reader *r,
                        struct web_reply *reply)
{
    struct error err = {{0}};
    struct unit_history h = {0};
    char serial[NAME_CAP];
    if (!unit_of(q, r, serial, reply))
        return;
    if (atomic_fetch_add(c->heavy, 1) >= WEB_HEAVY_MAX) {
        web_reply_error(reply, 503, "too many curves and pictures are being drawn; ask again in a second");
    } else if (unit_history_load(r, serial, c->check_unit, HISTORY_RUNS, &h, &err) != 0) {
        web_reply_error(reply, 500, err.text);
    } else {
        json_t *o = history_head_to_json(&h), *rows = json_array();
        bool whole = o != NULL && json_object_set_new(o, "history", rows) == 0;
        for (size_t i = 0; whole && i < h.count; i++)
            whole = json_array_append_new(rows, history_row_to_json(&h.rows[i])) == 0;
        if (!whole) {
            json_decref(o);
            o = NULL;
        }
        web_reply_json(reply, 200, o);
    }
    unit_history_free(&h);
    (void)atomic_fetch_sub(c->heavy, 1);
}

static bool read_record(const struct web_context *c, const struct web_request *q, const char *what,
                        struct web_reply *reply)
{
    struct error err = {{0}};
    struct journal_reader *r = journal_reader_open(c->journal_path, &err);
    if (r == NULL) {
        web_reply_error(reply, 503, err.text);
        return true;
    }
    bool mine = true;
    if (strcmp(what, "runs") == 0)
        get_runs(q, r, reply, &err);
    else if (strncmp(what, "runs/", 5) == 0)
        mine = get_run(c, q, r, what + 5, reply);
    else if (strcmp(what, "events") == 0)
        get_latest_events(r, reply, &err);
    else if (strcmp(what, "units") == 0)
        reply_result(reply, units_to_json(r, web_argument(q, "after"), UNITS_PAGE, &err), true, &err);
    else if (strcmp(what, "unit") == 0)
        get_unit(q, r, reply, &err);
    else if (strcmp(what, "unit/history") == 0)
        get_history(c, q, r, reply);
    else
        mine = false;
    journal_reader_close(r);
    return mine;
}

static bool get_from_record(const struct web_context *c, const struct web_request *q, const char *what,
                            struct web_reply *reply)
{
    bool mine = true;
    if (atomic_fetch_add(c->reads, 1) < WEB_READS_MAX)
        mine = read_record(c, q, what, reply);
    else
        web_reply_error(reply, 503, "too many requests wait for the record; its disk may be slow or hang");
    (void)atomic_fetch_sub(c->reads, 1);
    return mine;
}

static void get_bench(const struct web_context *c, struct web_reply *reply)
{
    json_t *bench = web_snapshot_bench(c->snapshot);
    if (bench != NULL)
        web_reply_json(reply, 200, bench);
    else
        web_reply_error(reply, 503, "the daemon has not told about its bench yet");
}

bool web_api_get(const struct web_context *c, const struct web_request *q, struct web_reply *reply)
{
    if (strcmp(q->path, "/metrics") == 0)
        get_metrics(c, q, reply);
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
