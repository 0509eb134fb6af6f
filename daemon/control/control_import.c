/* unit-import: the plates of a fleet, part by part over one connection, on file together or not at all. */
#include <stdlib.h>
#include <string.h>

#include "model_json.h"
#include "server.h"

static const int64_t forgotten_ns = 60 * INT64_C(1000000000);

void server_drop_plates(struct client *client)
{
    free(client->plates);
    client->plates = NULL;
    client->plate_count = client->plate_cap = 0;
}

/* One fleet at a time, for the memory that it takes. A client that began one and sends nothing more loses it. */
static int one_at_a_time(struct doing *d)
{
    struct control *c = d->c;
    int64_t now_ns = c->hooks.real_ns(c->hooks.ctx);
    for (int i = 0; i < CONTROL_CLIENTS_MAX; i++) {
        struct client *other = &c->clients[i];
        if (i == d->client || other->fd < 0 || other->plate_count == 0)
            continue;
        if (now_ns - other->heard_ns < forgotten_ns)
            return server_busy(d, "the register");
        server_drop_plates(other);
    }
    return 0;
}

static int make_room(struct doing *d, struct client *client, size_t count)
{
    if (count > (size_t)(IMPORT_PLATES_MAX - client->plate_count))
        return protocol_fail(&d->err, "plates", "Import the list in parts.", "more than %d plates at once",
                             IMPORT_PLATES_MAX);
    int needed = client->plate_count + (int)count, cap = client->plate_cap > 0 ? client->plate_cap : 256;
    while (cap < needed)
        cap *= 2;
    if (cap == client->plate_cap)
        return 0;
    struct unit_plate *grown = realloc(client->plates, (size_t)cap * sizeof *grown);
    if (!grown)
        return server_busy(d, "the daemon");
    client->plates = grown;
    client->plate_cap = cap;
    return 0;
}

/* What is wrong with a plate names its place in the whole list. */
static int take_plates(struct doing *d, struct client *client, const json_t *list)
{
    size_t i;
    json_t *object;
    json_array_foreach((json_t *)list, i, object)
    {
        if (plate_from_json(object, &client->plates[client->plate_count], &d->err) != 0) {
            char what[sizeof d->err.what];
            (void)text_format(what, sizeof what, "plates[%d]: %.200s", client->plate_count, d->err.what);
            (void)text_copy(d->err.what, sizeof d->err.what, what);
            return -1;
        }
        client->plate_count++;
    }
    return 0;
}

/* All parts are there. The order takes the plates over. */
static int put_fleet(struct doing *d, struct client *client)
{
    struct register_order *order = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    order->kind = REGISTER_PLATES;
    order->plates = client->plates;
    order->plate_count = client->plate_count;
    int result = server_who(d, order->who) != 0 ? -1 : server_put_on_file(d, order);
    if (result == 0)
        client->plates = NULL; /* the order's now */
    free(order);
    return result;
}

int server_do_unit_import(struct doing *d)
{
    struct client *client = &d->c->clients[d->client];
    const json_t *list = json_object_get(d->body, "plates");
    size_t count = json_array_size(list);
    bool more = false;
    int result = -1;
    if (field_flag(d->body, "more", &more, &d->err) < 0)
        ;
    else if (count == 0)
        (void)protocol_fail(&d->err, "plates", "A list of plates, each as unit-add takes it.",
                            "there are no plates to import");
    else if (one_at_a_time(d) == 0 && make_room(d, client, count) == 0 && take_plates(d, client, list) == 0)
        result = more ? server_done_text(d, "more is to come") : put_fleet(d, client);
    if (result != 0 || !more)
        server_drop_plates(client);
    return result;
}
