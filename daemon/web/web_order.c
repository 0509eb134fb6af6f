/* Orders from the page: what may be ordered from elsewhere, and the bench's own key switch. */
#include <string.h>

#include "model_json.h"
#include "protocol.h"
#include "web_link.h"
#include "web_request.h"

enum { ORDER_TIMEOUT_MS = 8000, LIVE_MS = 3000 };

struct order_row {
    const char *verb;
    int accepted_ends; /* the engine's word is the answer: what follows takes as long as a run */
};

/* What may be ordered from a page. Rigging, dialling in and proofs of the watchdog are for the terminal at the bench:
 * whoever says them must stand there. */
static const struct order_row orders[] = {{"run-start", 1},      {"run-end", 0},      {"channel-reset", 0},
                                          {"unit-add", 0},       {"unit-release", 0}, {"unit-baseline", 0},
                                          {"channel-release", 0}};

static const struct order_row *order_of(const char *verb)
{
    for (size_t i = 0; verb != NULL && i < sizeof orders / sizeof orders[0]; i++)
        if (strcmp(verb, orders[i].verb) == 0)
            return &orders[i];
    return NULL;
}

static bool key_of(const json_t *view)
{
    const json_t *key = json_object_get(json_object_get(view, "signals"), "key_switch");
    const char *quality = json_string_value(json_object_get(key, "quality"));
    return quality != NULL && strcmp(quality, "good") == 0 && json_number_value(json_object_get(key, "value")) > 0.5;
}

/* Starting from elsewhere needs the bench's own key switch on, as seen within the last seconds: somebody at the bench
 * allowed it. */
static bool key_is_on(const struct web_context *c, const char *channel)
{
    bool on = false;
    json_t *o = web_snapshot_get(c->snapshot);
    json_int_t age_ms = json_integer_value(json_object_get(o, "age_ms"));
    if (json_is_true(json_object_get(o, "reachable")) && age_ms >= 0 && age_ms <= LIVE_MS) {
        size_t i;
        json_t *view;
        json_array_foreach(json_object_get(json_object_get(o, "status"), "channels"), i, view)
        {
            const char *name = json_string_value(json_object_get(view, "channel"));
            if (name != NULL && strcmp(name, channel) == 0)
                on = key_of(view);
        }
    }
    json_decref(o);
    return on;
}

/* NULL, or why the order is not passed on, with the status to answer. */
static const char *objection(const struct web_context *c, const json_t *order, unsigned *status)
{
    const char *verb = json_string_value(json_object_get(order, "do"));
    const char *who = json_string_value(json_object_get(order, "who"));
    const char *channel = json_string_value(json_object_get(order, "channel"));
    *status = 400;
    if (order_of(verb) == NULL)
        return "the body must be a JSON object with \"do\" one of run-start, run-end, channel-reset, channel-release, "
               "unit-add, unit-release, unit-baseline";
    if (who == NULL || who[0] == '\0')
        return "say who gives the order: it goes into the record";
    *status = 403;
    if (strcmp(verb, "run-start") == 0 && (channel == NULL || !key_is_on(c, channel)))
        return "starting from a page needs the bench's key switch turned on by somebody at the bench";
    return NULL;
}

void web_api_order(const struct web_context *c, const struct web_request *q, struct web_reply *reply)
{
    json_error_t trouble;
    json_t *order = q->body != NULL ? json_loadb(q->body, q->body_size, JSON_REJECT_DUPLICATES, &trouble) : NULL;
    unsigned status;
    const char *no = objection(c, order, &status);
    if (no != NULL) {
        web_reply_error(reply, status, no);
        json_decref(order);
        return;
    }
    const struct order_row *row = order_of(json_string_value(json_object_get(order, "do")));
    (void)json_object_set_new(order, "v", json_integer(PROTOCOL_VERSION));
    /* The engine looks at the key once more, in the step that starts, and keeps in the record where the order came
     * from. */
    if (strcmp(row->verb, "run-start") == 0)
        (void)json_object_set_new(order, "from_page", json_true());
    struct error err = {{0}};
    json_t *answer = web_link_ask(c->socket_path, order, row->accepted_ends, ORDER_TIMEOUT_MS, &err);
    if (answer == NULL) {
        web_reply_error(reply, 503, err.text);
        return;
    }
    const char *stage = json_string_value(json_object_get(answer, "stage"));
    (void)json_object_del(answer, "id");
    web_reply_json(reply, stage != NULL && strcmp(stage, "refused") == 0 ? 409 : 200, answer);
}
