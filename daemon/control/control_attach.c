/* Requests that add to the record of a run that is over: remarks, files, a new judgement with a meter's correction. */
#include <stdlib.h>
#include <string.h>

#include "base64.h"
#include "server.h"

void server_drop_file(struct client *client)
{
    free(client->file);
    client->file = NULL;
    client->file_size = 0;
    client->file_name[0] = '\0';
}

/* A name that every file system takes and that cannot point anywhere: no separators, no control characters, no dot or
 * dash in front. */
static bool name_is_safe(const char *name)
{
    if (name[0] == '\0' || name[0] == '.' || name[0] == '-')
        return false;
    for (const unsigned char *c = (const unsigned char *)name; *c != '\0'; c++)
        if (*c < 0x20 || *c == 0x7f || strchr("/\\:*?\"<>|", (int)*c) != NULL)
            return false;
    return true;
}

static int run_on_file(struct doing *d, struct journal_addendum *a)
{
    struct error err = {{0}};
    int found = field_integer(d->body, "run", 1, INT64_MAX, &a->run_no, &d->err);
    if (found < 0)
        return -1;
    struct journal_reader *r = found > 0 ? server_reader(d) : NULL;
    if (found > 0 && r == NULL)
        return -1;
    struct journal_run *run = calloc(1, sizeof *run);
    if (run == NULL)
        return server_busy(d, "the daemon");
    found = found > 0 ? journal_reader_run(r, a->run_no, run, &err) : 0;
    free(run);
    if (found < 0)
        return server_journal_failed(d, &err);
    return found > 0
               ? 0
               : protocol_fail(&d->err, "run", "soakbench run list shows them.", "there is no such run on record");
}

/* One more piece of the file, behind those that have come. */
static int take_piece(struct doing *d, const char *name, const char *data)
{
    struct client *client = &d->c->clients[d->client];
    if (strcmp(client->file_name, name) != 0) {
        server_drop_file(client);
        (void)text_copy(client->file_name, sizeof client->file_name, name);
    }
    size_t size = 0;
    uint8_t *piece = base64_decode(data, strlen(data), &size);
    if (piece == NULL)
        return protocol_fail(&d->err, "data", "Base 64 of RFC 4648, section 4.",
                             "the piece of the file cannot be read");
    if (size > ATTACHMENT_MAX_BYTES - client->file_size) {
        free(piece);
        server_drop_file(client);
        return protocol_fail(&d->err, "data", "Make the picture smaller, or attach its parts.",
                             "the file is larger than %d MiB", ATTACHMENT_MAX_BYTES / 1024 / 1024);
    }
    uint8_t *grown = realloc(client->file, client->file_size + size + 1);
    if (grown == NULL) {
        free(piece);
        server_drop_file(client);
        return server_busy(d, "the daemon");
    }
    memcpy(grown + client->file_size, piece, size);
    free(piece);
    client->file = grown;
    client->file_size += size;
    return 0;
}

/* Returns 0 when order is whole, 1 when more pieces are to come, -1. */
static int attach_fields(struct doing *d, struct register_order *order)
{
    struct journal_addendum *a = &order->addendum;
    struct client *client = &d->c->clients[d->client];
    bool more = false;
    const char *data = json_string_value(json_object_get(d->body, "data"));
    if (server_who(d, a->who) != 0 || field_text(d->body, "note", a->note, sizeof a->note, &d->err) < 0 ||
        field_text(d->body, "name", a->name, sizeof a->name, &d->err) < 0 ||
        field_flag(d->body, "more", &more, &d->err) < 0)
        return -1;
    if (a->name[0] == '\0' && data == NULL) {
        a->kind = ADDENDUM_REMARK;
        return a->note[0] != '\0'
                   ? 0
                   : protocol_fail(&d->err, "note", "A remark, or a file with its name.", "there is nothing to add");
    }
    a->kind = ADDENDUM_FILE;
    if (!name_is_safe(a->name))
        return protocol_fail(&d->err, "name", "The file's own name, without folders.",
                             "\"%.100s\" is no name for a file on record", a->name);
    if (data == NULL)
        return protocol_fail(&d->err, "data", "Base 64 of RFC 4648, section 4.", "the file's bytes are missing");
    if (take_piece(d, a->name, data) != 0)
        return -1;
    if (more)
        return 1;
    order->bytes = client->file;
    order->size = client->file_size;
    client->file = NULL;
    server_drop_file(client);
    return 0;
}

static int put_addendum(struct doing *d, struct register_order *order)
{
    order->kind = REGISTER_ADDENDUM;
    (void)text_copy(order->who, sizeof order->who, order->addendum.who);
    int result = server_put_on_file(d, order);
    if (result != 0)
        free(order->bytes);
    return result;
}

int server_read_run_attach(struct doing *d)
{
    d->file = calloc(1, sizeof *d->file);
    return d->file ? run_on_file(d, &d->file->addendum) : server_busy(d, "the daemon");
}

int server_do_run_attach(struct doing *d)
{
    int result = attach_fields(d, d->file);
    if (result == 0)
        return put_addendum(d, d->file);
    return result > 0 ? server_done_text(d, "more is to come") : -1;
}

static int judgement_field(struct doing *d, struct verdict *v)
{
    const char *text = json_string_value(json_object_get(d->body, "judgement"));
    size_t size = 0;
    uint8_t *bytes = text != NULL ? base64_decode(text, strlen(text), &size) : NULL;
    struct reader r = reader_over(bytes, bytes != NULL ? size : 0);
    if (bytes != NULL)
        get_verdict(&r, v);
    bool bad = bytes == NULL || r.bad || r.at != r.size;
    free(bytes);
    return bad ? protocol_fail(&d->err, "judgement", "Use a client of the daemon's own version.",
                               "the judgement cannot be read")
               : 0;
}

int server_read_run_revise(struct doing *d)
{
    struct register_order *order = d->file = calloc(1, sizeof *order);
    if (!order)
        return server_busy(d, "the daemon");
    struct journal_addendum *a = &order->addendum;
    a->kind = ADDENDUM_CORRECTION;
    int result = -1;
    if (run_on_file(d, a) != 0 || server_who(d, a->who) != 0 ||
        field_text(d->body, "correction", a->name, sizeof a->name, &d->err) < 0 ||
        field_text(d->body, "reason", a->note, sizeof a->note, &d->err) < 0 || judgement_field(d, &order->verdict) != 0)
        ;
    else if (a->name[0] == '\0' || a->note[0] == '\0')
        (void)protocol_fail(&d->err, a->name[0] == '\0' ? "correction" : "reason", "Both go into the record.",
                            "say what is corrected, and why");
    else if (order->verdict.run_no != a->run_no)
        (void)protocol_fail(&d->err, "judgement", NULL, "the judgement is of another run");
    else
        result = 0;
    return result;
}

int server_do_run_revise(struct doing *d)
{
    return put_addendum(d, d->file);
}
