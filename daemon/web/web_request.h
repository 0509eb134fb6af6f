/* One HTTP request and its answer, for the files of this room. */
#ifndef WEB_REQUEST_H
#define WEB_REQUEST_H

#include <jansson.h>
#include <microhttpd.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>

#include "error.h"
#include "journal_read.h"
#include "web_snapshot.h"

/* Requests at one time that read a whole run, and that read the record at all: each may hang as long as its disk does,
 * and the live view and orders must still find a connection. */
enum { WEB_HEAVY_MAX = 2, WEB_READS_MAX = 12 };

struct web_context {
    const char *socket_path, *journal_path, *version;
    const char *site;       /* as records print it; empty: not printed */
    const char *check_unit; /* serial; empty: none */
    bool letter;            /* paper of records; else A4 */
    bool may_act;
    struct web_snapshot *snapshot;
    atomic_int *heavy, *reads; /* such requests under way */
};

struct web_reply {
    unsigned status;
    const char *type;
    void *bytes; /* malloc'd when owned */
    size_t size;
    bool owned;
    bool cacheable; /* assets that change with the version only */
};

/* A request by its parts. Query arguments through web_argument. */
struct web_request {
    struct MHD_Connection *connection;
    const char *path;
    const char *body;
    size_t body_size;
};

/* Value of a query argument, or NULL. */
const char *web_argument(const struct web_request *q, const char *name);
/* Number of a query argument between low and high; fallback when it is absent or no such number. */
double web_number(const struct web_request *q, const char *name, double low, double high, double fallback);

/* Fills reply with an object as JSON (taken over; NULL: 500). */
void web_reply_json(struct web_reply *reply, unsigned status, json_t *object);
/* {"error":{"what":...}} */
void web_reply_error(struct web_reply *reply, unsigned status, const char *what);

/* What /api/, /metrics and /health answer to GET. Returns false when the path is not theirs. */
bool web_api_get(const struct web_context *c, const struct web_request *q, struct web_reply *reply);
/* The run's record.pdf or curves.svg. */
void web_picture(const struct web_context *c, const struct web_request *q, struct journal_reader *r, int64_t run_no,
                 const char *what, struct web_reply *reply);
/* Each rating point in value, however deep, gets a field test_voltage_v; null when its process has no formula. */
void web_add_test_voltage(json_t *value);
/* POST /api/orders: an order for the daemon. */
void web_api_order(const struct web_context *c, const struct web_request *q, struct web_reply *reply);

#endif
