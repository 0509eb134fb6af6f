/* Requests that only read, and the dispatch of all requests. What comes from the record is read in the reader's thread
 * and sent from the server's. */
#include <stdlib.h>
#include <string.h>

#include "journal_json.h"
#include "json_build.h"
#include "model_json.h"
#include "server.h"
#include "utc.h"

/* What was read from the record is the answer. */
static int read_done(struct doing *d, json_t *result)
{
    d->result = result;
    return 0;
}

static int done(struct doing *d, json_t *result)
{
    server_send(d->c, d->client, result ? protocol_done(d->id, result) : NULL);
    return 0;
}

int server_done_text(struct doing *d, const char *text)
{
    struct json_build b = build_begin();
    build_text(&b, "text", text);
    return done(d, build_end(&b));
}

static int do_hello(struct doing *d)
{
    struct json_build b = build_begin();
    build_text(&b, "program", "soakbenchd");
    build_text(&b, "version", d->c->hooks.version);
    build_integer(&b, "protocol", PROTOCOL_VERSION);
    build_text(&b, "bench", d->c->hooks.bench->name);
    build_text(&b, "journal", d->c->hooks.journal_path);
    return done(d, build_end(&b));
}

static int do_status(struct doing *d)
{
    struct bench_view *view = calloc(1, sizeof *view);
    json_t *result = NULL;
    if (view) {
        d->c->hooks.view(d->c->hooks.ctx, view);
        result = view_to_json(view, d->c->hooks.bench);
    }
    free(view);
    return done(d, result);
}

static int do_bench(struct doing *d)
{
    return done(d, bench_to_json(d->c->hooks.bench));
}

static int do_counters(struct doing *d)
{
    char *text = d->c->hooks.counters ? d->c->hooks.counters(d->c->hooks.ctx) : NULL;
    json_t *object = text ? json_loads(text, 0, NULL) : json_object();
    free(text);
    return done(d, object);
}

struct journal_reader *server_reader(struct doing *d)
{
    struct control *c = d->c;
    struct error err = {{0}};
    if (!c->reader)
        c->reader = journal_reader_open(c->hooks.journal_path, &err);
    if (!c->reader)
        protocol_fail(&d->err, "journal", "See soakbench status and the daemon's log.",
                      "the journal cannot be read: %.300s", err.text);
    return c->reader;
}

int server_journal_failed(struct doing *d, const struct error *err)
{
    journal_reader_close(d->c->reader);
    d->c->reader = NULL;
    return protocol_fail(&d->err, "journal", "Try again; see the daemon's log if it stays.",
                         "the journal cannot be read: %.300s", err->text);
}

int server_date(struct doing *d, const char *key, int64_t *utc_s)
{
    char text[UTC_CAP];
    int found = field_text(d->body, key, text, sizeof text, &d->err);
    if (found > 0 && utc_parse(text, utc_s) != 0)
        return protocol_fail(&d->err, key, "Write it as 2026-03-01 or 2026-03-01T22:15:00Z (UTC).",
                             "%s: \"%s\" is no date", key, text);
    return found;
}

enum { CALLED_CAP = 2 * NAME_CAP }; /* SERIAL/MAKER */

/* Returns 1 found, 0 none, -1 with err. */
static int find_unit(struct doing *d, const char *called, char name[NAME_CAP])
{
    struct journal_reader *r = server_reader(d);
    struct error err = {{0}};
    if (!r)
        return -1;
    int found = journal_reader_find_unit(r, called, name, &err);
    if (found == 2)
        return protocol_fail(&d->err, "unit", "soakbench unit list shows them.", "%.350s", err.text);
    return found < 0 ? server_journal_failed(d, &err) : found;
}

static int read_run_list(struct doing *d)
{
    char called[CALLED_CAP], serial[NAME_CAP], channel[NAME_CAP], certificate[NAME_CAP], word[NAME_CAP] = "";
    int64_t since_s = 0, until_s = 0;
    struct run_filter filter = {.newest_first = true, .limit = 100};
    int has_serial = field_text(d->body, "unit", called, sizeof called, &d->err);
    int has_channel = field_text(d->body, "channel", channel, sizeof channel, &d->err);
    int has_certificate = field_text(d->body, "instrument", certificate, sizeof certificate, &d->err);
    if (has_serial < 0 || has_channel < 0 || has_certificate < 0 ||
        field_text(d->body, "verdict", word, sizeof word, &d->err) < 0 || server_date(d, "since", &since_s) < 0 ||
        server_date(d, "until", &until_s) < 0 || field_flag(d->body, "open", &filter.open_only, &d->err) < 0 ||
        field_integer(d->body, "limit", 1, JOURNAL_PAGE_MAX, &filter.limit, &d->err) < 0)
        return -1;
    int found = has_serial ? find_unit(d, called, serial) : 0;
    if (found < 0)
        return -1;
    filter.serial = found ? serial : has_serial ? called : NULL;
    filter.channel = has_channel ? channel : NULL;
    filter.certificate = has_certificate ? certificate : NULL;
    filter.since_utc_us = since_s * 1000000;
    filter.until_utc_us = until_s * 1000000;
    for (int i = 1; word[0] && i < VERDICT_COUNT_; i++) {
        if (strcmp(verdict_kind_name((enum verdict_kind)i), word) == 0)
            filter.verdict = i;
    }
    if (word[0] && !filter.verdict)
        return protocol_fail(&d->err, "verdict", "One of met, not-met, undecided, held.", "verdict \"%s\" is not known",
                             word);
    struct journal_reader *r = server_reader(d);
    struct error err = {{0}};
    json_t *result = r ? runs_to_json(r, &filter, &err) : NULL;
    if (!result)
        return r ? server_journal_failed(d, &err) : -1;
    return read_done(d, result);
}

static int run_field(struct doing *d, int64_t *run_no)
{
    int found = field_integer(d->body, "run", 1, INT64_MAX, run_no, &d->err);
    return found != 0 ? found
                      : protocol_fail(&d->err, "run", "soakbench run list shows them.", "name the run by its number");
}

static int read_run_show(struct doing *d)
{
    int64_t run_no = 0;
    if (run_field(d, &run_no) < 0)
        return -1;
    struct journal_reader *r = server_reader(d);
    if (!r)
        return -1;
    bool found = true;
    struct error err = {{0}};
    json_t *result = run_detail_to_json(r, run_no, &found, &err);
    if (!found)
        return protocol_fail(&d->err, "run", "soakbench run list shows them.", "there is no run %lld on record",
                             (long long)run_no);
    return result ? read_done(d, result) : server_journal_failed(d, &err);
}

static int read_run_events(struct doing *d)
{
    int64_t run_no = 0, after = 0, limit = JOURNAL_PAGE_MAX;
    if (field_integer(d->body, "run", 0, INT64_MAX, &run_no, &d->err) < 0 ||
        field_integer(d->body, "after", 0, INT64_MAX, &after, &d->err) < 0 ||
        field_integer(d->body, "limit", 1, JOURNAL_PAGE_MAX, &limit, &d->err) < 0)
        return -1;
    struct journal_reader *r = server_reader(d);
    struct error err = {{0}};
    json_t *result = r ? events_to_json(r, run_no, after, limit, &err) : NULL;
    if (!result)
        return r ? server_journal_failed(d, &err) : -1;
    return read_done(d, result);
}

/* So many always fit into an answer, however full their plates are. */
enum { UNITS_AT_ONCE = 500 };

static int read_unit_list(struct doing *d)
{
    char after[NAME_CAP] = "";
    int64_t limit = UNITS_AT_ONCE;
    if (field_text(d->body, "after", after, sizeof after, &d->err) < 0 ||
        field_integer(d->body, "limit", 1, UNITS_AT_ONCE, &limit, &d->err) < 0)
        return -1;
    struct journal_reader *r = server_reader(d);
    struct error err = {{0}};
    json_t *result = r ? units_to_json(r, after, limit, &err) : NULL;
    if (!result)
        return r ? server_journal_failed(d, &err) : -1;
    return read_done(d, result);
}

int server_unit(struct doing *d, char name[NAME_CAP])
{
    char called[CALLED_CAP];
    int found = field_text(d->body, "unit", called, sizeof called, &d->err);
    if (found == 0)
        return protocol_fail(&d->err, "unit", "soakbench unit list shows them.", "name the unit by its serial number");
    if (found > 0)
        found = find_unit(d, called, name);
    return found != 0 ? found : server_no_unit(d, called);
}

int server_read_named_unit(struct doing *d)
{
    return server_unit(d, d->unit) < 0 ? -1 : 0;
}

int server_read_label(struct doing *d)
{
    char called[CALLED_CAP];
    int found = field_text(d->body, "unit", called, sizeof called, &d->err);
    if (found <= 0)
        return found;
    found = find_unit(d, called, d->unit);
    if (found == 0 && text_copy(d->unit, sizeof d->unit, called) != 0)
        return protocol_fail(&d->err, "unit", "", "unit %s is not in the register, and too long for a serial number",
                             called);
    return found < 0 ? -1 : 0;
}

int server_no_unit(struct doing *d, const char *serial)
{
    return protocol_fail(&d->err, "unit", "Enter its plate with: soakbench unit add FILE",
                         "unit %s is not in the register", serial);
}

static int read_unit_show(struct doing *d)
{
    char serial[NAME_CAP];
    if (server_unit(d, serial) < 0)
        return -1;
    struct journal_reader *r = server_reader(d);
    if (!r)
        return -1;
    bool found = true;
    struct error err = {{0}};
    json_t *result = unit_detail_to_json(r, serial, &found, &err);
    if (!found)
        return server_no_unit(d, serial);
    return result ? read_done(d, result) : server_journal_failed(d, &err);
}

/* ---- dispatch ---- */

static int send_read(struct doing *d)
{
    json_t *result = d->result;
    d->result = NULL;
    return done(d, result);
}

struct do_row {
    int (*run)(struct doing *d);
    const char *keys;             /* fields besides v, id and do; NULL: checked by the function */
    int (*read)(struct doing *d); /* first of all, in the reader's thread; NULL: nothing is read from the record */
    const char *read_if;          /* only when this field is there; NULL: always */
};

static const struct do_row do_rows[DO_COUNT_] = {
    [DO_HELLO] = {.run = do_hello, .keys = ""},
    [DO_STATUS] = {.run = do_status, .keys = ""},
    [DO_BENCH] = {.run = do_bench, .keys = ""},
    [DO_COUNTERS] = {.run = do_counters, .keys = ""},
    [DO_RUN_START] = {.run = server_do_run_start, .read = server_read_run_start},
    [DO_RUN_END] = {.run = server_do_channel_order, .keys = "channel reason who wait"},
    [DO_RUN_QUEUE] = {.run = server_do_run_start, .read = server_read_run_start},
    [DO_RUN_UNQUEUE] = {.run = server_do_run_unqueue, .keys = "run channel reason who"},
    [DO_RUN_LIST] = {.run = send_read,
                     .keys = "unit channel verdict since until instrument open limit",
                     .read = read_run_list},
    [DO_RUN_SHOW] = {.run = send_read, .keys = "run", .read = read_run_show},
    [DO_RUN_EVENTS] = {.run = send_read, .keys = "run after limit", .read = read_run_events},
    [DO_CHANNEL_RIG] = {.run = server_do_channel_order, .keys = "channel who"},
    [DO_CHANNEL_RIGGED] = {.run = server_do_channel_order,
                           .keys = "channel unit who",
                           .read = server_read_label,
                           .read_if = "unit"},
    [DO_CHANNEL_RELEASE] = {.run = server_do_channel_order, .keys = "channel who"},
    [DO_CHANNEL_RESET] = {.run = server_do_channel_order, .keys = "channel reason who wait"},
    [DO_CHANNEL_SET] = {.run = server_do_channel_order, .keys = "channel who"},
    [DO_CHANNEL_CONTINUE] = {.run = server_do_channel_order, .keys = "channel reason who"},
    [DO_CHANNEL_NOTE] = {.run = server_do_channel_order, .keys = "channel text who"},
    [DO_WATCHDOG_PROVE] = {.run = server_do_watchdog_prove, .keys = "device who wait"},
    [DO_DEVICE_PROBE] = {.run = server_do_device_probe, .keys = "device"},
    [DO_UNIT_ADD] = {.run = server_do_unit_add,
                     .keys = "plate unit who",
                     .read = server_read_named_unit,
                     .read_if = "unit"},
    [DO_UNIT_IMPORT] = {.run = server_do_unit_import, .keys = "plates more who"},
    [DO_UNIT_LIST] = {.run = send_read, .keys = "after limit", .read = read_unit_list},
    [DO_UNIT_SHOW] = {.run = send_read, .keys = "unit", .read = read_unit_show},
    [DO_UNIT_INSPECT] = {.run = server_do_register,
                         .keys = "unit passed kind reference note done due who",
                         .read = server_read_unit_inspect},
    [DO_UNIT_RELEASE] = {.run = server_do_register,
                         .keys = "unit to due run note who",
                         .read = server_read_unit_release},
    [DO_UNIT_BASELINE] = {.run = server_do_register, .keys = "unit run who", .read = server_read_unit_baseline},
    [DO_RUN_ATTACH] = {.run = server_do_run_attach,
                       .keys = "run note name data more who",
                       .read = server_read_run_attach},
    [DO_RUN_REVISE] = {.run = server_do_run_revise,
                       .keys = "run correction reason judgement who",
                       .read = server_read_run_revise},
    [DO_UPLINK_RESEND] = {.run = server_do_uplink_resend,
                          .keys = "run since store who",
                          .read = server_read_uplink_resend},
    [DO_NOTIFY_TEST] = {.run = server_do_notify_test, .keys = "who"},
    [DO_NOTIFY_ACKNOWLEDGE] = {.run = server_do_notify_acknowledge, .keys = "code who"},
};

static bool word_in(const char *words, const char *word)
{
    size_t size = strlen(word);
    for (const char *at = words; (at = strstr(at, word)) != NULL; at++) {
        bool begins = at == words || at[-1] == ' ';
        if (begins && (at[size] == ' ' || at[size] == 0))
            return true;
    }
    return false;
}

static int check_fields(struct doing *d, const char *keys)
{
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)d->body, key, value)
    {
        if (!key[0] || strchr(key, ' ') || !(word_in("v id do", key) || word_in(keys, key)))
            return protocol_fail(&d->err, protocol_verb_name(d->verb), "docs/control-protocol.md lists the fields.",
                                 "\"%.60s\" is not a field of %s", key, protocol_verb_name(d->verb));
    }
    return 0;
}

void server_do_line(struct control *c, int client, const char *line, size_t size)
{
    struct doing d = {.c = c, .client = client, .uid = c->clients[client].uid};
    json_t *body = NULL;
    int result = protocol_parse(line, size, &body, &d.verb, &d.id, &d.err);
    d.body = body;
    if (result == 0 && do_rows[d.verb].keys)
        result = check_fields(&d, do_rows[d.verb].keys);
    if (result == 0) {
        const struct do_row *row = &do_rows[d.verb];
        bool reads = row->read && (!row->read_if || json_object_get(body, row->read_if));
        result = reads ? server_read(&d, row->read, row->run) : row->run(&d);
    }
    if (result != 0)
        server_send(c, client, protocol_refused(d.id, &d.err, NULL));
    json_decref(body);
}
