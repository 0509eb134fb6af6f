/* Requests that wait for the record, the engine or the journal thread, and what becomes of their answers. */
#include <stdlib.h>
#include <string.h>

#include "journal_json.h"
#include "json_build.h"
#include "server.h"

static const int64_t engine_answers_ns = 10 * INT64_C(1000000000); /* first answer, at the latest */
static const int64_t record_answers_ns = 30 * INT64_C(1000000000);
static const int64_t hold_ns = INT64_C(1000000000); /* a refusal waits this long for its reasons to be on record */
static const int64_t look_ns = INT64_C(50000000);

static json_t *refused_text(int64_t id, const char *what, const char *where, const char *remedy, json_t *lines)
{
    struct protocol_error err;
    protocol_fail(&err, where, remedy, "%s", what);
    return protocol_refused(id, &err, lines);
}

static struct pending *free_pending(struct control *c)
{
    for (int i = 0; i < PENDING_MAX; i++) {
        if (c->pending[i].request == 0)
            return &c->pending[i];
    }
    return NULL;
}

void server_forget(struct control *c, struct pending *p)
{
    struct client *client = &c->clients[p->client];
    if (client->fd >= 0 && client->serial == p->client_serial)
        (*(p->reading ? &client->reading : &client->under_way))--;
    p->request = 0;
}

void server_to_reading(struct control *c, struct pending *p)
{
    struct client *client = &c->clients[p->client];
    client->under_way--;
    client->reading++;
    p->reading = true;
}

void server_from_reading(struct control *c, struct pending *p)
{
    struct client *client = &c->clients[p->client];
    client->reading--;
    client->under_way++;
    p->reading = false;
}

struct pending *server_find(struct control *c, uint64_t request)
{
    for (struct pending *p = c->pending; p < c->pending + PENDING_MAX; p++) {
        if (p->request == request && request != 0)
            return p;
    }
    return NULL;
}

int server_busy(struct doing *d, const char *who)
{
    return protocol_fail(&d->err, who, "Try again in a moment.", "%s is busy", who);
}

/* Opens a pending entry for the request; NULL with err when there are too many. */
struct pending *server_begin(struct doing *d)
{
    if (d->pending) {
        d->handed_on = true;
        return d->pending;
    }
    struct pending *p = free_pending(d->c);
    if (!p) {
        (void)server_busy(d, "the daemon");
        return NULL;
    }
    struct client *client = &d->c->clients[d->client];
    *p = (struct pending){.request = d->c->next_request++,
                          .client = d->client,
                          .client_serial = client->serial,
                          .id = d->id,
                          .verb = d->verb,
                          .channel = -1,
                          .asked_ns = d->c->hooks.real_ns(d->c->hooks.ctx)};
    client->under_way++;
    return p;
}

static bool one_answer_only(enum protocol_verb verb)
{
    switch (verb) {
    case DO_RUN_START:
    case DO_RUN_END:
    case DO_CHANNEL_RESET:
    case DO_WATCHDOG_PROVE:
    case DO_NOTIFY_TEST: /* a mail server may take its time */
        return false;
    default:
        return true;
    }
}

static json_t *answer_result(const struct pending *p, const char *text)
{
    struct json_build b = build_begin();
    if (p->run_no > 0)
        build_integer(&b, "run", p->run_no);
    build_text(&b, "text", text);
    return build_end(&b);
}

bool server_client_is_there(const struct control *c, const struct pending *p)
{
    return c->clients[p->client].fd >= 0 && c->clients[p->client].serial == p->client_serial;
}

static void finish(struct control *c, struct pending *p, json_t *answer)
{
    int client = p->client;
    bool there = server_client_is_there(c, p);
    server_forget(c, p);
    if (there)
        server_send(c, client, answer);
    else
        json_decref(answer);
}

static int add_preflight_line(void *ctx, const struct journal_event *e)
{
    json_t *lines = ctx;
    if (e->event.kind != EVENT_PREFLIGHT || e->event.code == 0)
        return 0;
    struct json_build b = build_begin();
    build_text(&b, "result", e->event.code == 1 ? "warn" : "refuse");
    build_text(&b, "text", e->event.text);
    return json_array_append_new(lines, build_end(&b)) != 0;
}

/* The reasons of a refused start, from the record; the result stays NULL when there are none (yet). */
static int read_refusal_lines(struct doing *d)
{
    struct row_filter filter = row_filter_any();
    filter.run_no = d->run_no;
    filter.limit = 200;
    struct journal_reader *r = server_reader(d);
    json_t *lines = r ? json_array() : NULL;
    if (lines &&
        (journal_reader_events(r, &filter, add_preflight_line, lines, NULL) < 0 || json_array_size(lines) == 0)) {
        json_decref(lines);
        lines = NULL;
    }
    d->result = lines;
    return 0;
}

static void refuse_held(struct control *c, struct pending *p, json_t *lines)
{
    finish(c, p,
           refused_text(p->id, p->text, "run-start",
                        "Put right what is refused. A warning can be accepted by its name, in \"accept\".", lines));
}

void server_take_lines(struct control *c, struct pending *p, json_t *lines)
{
    p->looking = false;
    if (lines)
        refuse_held(c, p, lines);
}

void server_refuse_starts(struct control *c, bool queued, int32_t channel)
{
    enum protocol_verb verb = queued ? DO_RUN_QUEUE : DO_RUN_START;
    for (struct pending *p = c->pending; p < c->pending + PENDING_MAX; p++) {
        if (p->request != 0 && p->reading && p->verb == verb && (channel < 0 || p->channel == channel))
            finish(c, p,
                   refused_text(p->id, "an order to end came before the run had begun", "channel",
                                "Start it again if it is still wanted.", NULL));
    }
}

static void refuse(struct control *c, struct pending *p, const char *text)
{
    if (p->verb == DO_RUN_START || p->verb == DO_RUN_QUEUE) {
        int64_t now_ns = c->hooks.real_ns(c->hooks.ctx);
        p->holding = true;
        p->hold_until_ns = now_ns + hold_ns;
        p->look_ns = now_ns;
        (void)text_copy(p->text, sizeof p->text, text);
        return;
    }
    finish(c, p, refused_text(p->id, text, protocol_verb_name(p->verb), "", NULL));
}

void server_take_answer(struct control *c, const struct engine_answer *a)
{
    struct pending *p = server_find(c, a->request);
    if (!p || p->holding) {
        free(a->json);
        return;
    }
    if (a->json) {
        finish(c, p, protocol_done(p->id, json_loads(a->json, 0, NULL)));
        free(a->json);
        return;
    }
    if (a->code == 1) {
        refuse(c, p, a->text);
    } else if (a->code == 2 || one_answer_only(p->verb)) {
        finish(c, p, protocol_done(p->id, answer_result(p, a->text)));
    } else if (!p->wait_done) {
        finish(c, p, protocol_accepted(p->id, answer_result(p, a->text)));
    } else {
        p->accepted = true;
        if (server_client_is_there(c, p))
            server_send(c, p->client, protocol_accepted(p->id, answer_result(p, a->text)));
    }
}

int64_t server_due(struct control *c, int64_t now_ns)
{
    int64_t next_ns = INT64_MAX;
    for (struct pending *p = c->pending; p < c->pending + PENDING_MAX; p++) {
        if (p->request == 0)
            continue;
        int64_t due_ns = INT64_MAX;
        if (!server_client_is_there(c, p)) {
            server_forget(c, p);
            continue;
        }
        if (p->holding) {
            if (now_ns >= p->hold_until_ns) {
                refuse_held(c, p, NULL);
                continue;
            }
            if (now_ns >= p->look_ns && !p->looking) {
                p->looking = server_read_lines(c, p, read_refusal_lines) == 0;
                p->look_ns = now_ns + look_ns;
            }
            due_ns = p->looking ? p->hold_until_ns : p->look_ns;
        } else if (p->reading) {
            due_ns = p->asked_ns + record_answers_ns;
            if (now_ns >= due_ns) {
                finish(c, p,
                       refused_text(p->id, "the record could not be read within 30 s; nothing was done", "journal",
                                    "Its disk may hang: see soakbench status and the daemon's log.", NULL));
                continue;
            }
        } else if (!p->accepted) {
            due_ns = p->asked_ns + engine_answers_ns;
            if (now_ns >= due_ns) {
                finish(c, p,
                       refused_text(p->id, "no answer came within 10 s", "daemon",
                                    "Look at soakbench status before you try again: it may have been done.", NULL));
                continue;
            }
        }
        if (due_ns < next_ns)
            next_ns = due_ns;
    }
    return next_ns;
}
