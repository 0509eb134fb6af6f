/* The language of the control socket: one JSON object a line (UTF-8, ended by LF), in both directions.
 *
 *   request  {"v":1,"id":7,"do":"status", ...fields of the verb}
 *   answer   {"v":1,"id":7,"stage":"accepted", ...}            the engine took it; a second answer follows
 *            {"v":1,"id":7,"stage":"done","result":{...}}      finished
 *            {"v":1,"id":7,"stage":"refused","error":{"what":"...","where":"...","remedy":"..."},"lines":[...]}
 *
 * "id" is the client's own number and comes back with every answer to it; answers to different requests may come in
 * any order. A line that is no request is answered with stage "refused" and id 0 (or its id, where it could be read);
 * the connection stays open. Only a line longer than PROTOCOL_REQUEST_MAX ends the connection, after its answer.
 * docs/control-protocol.md has every verb with its fields. Shared by the server, the client and the web process. */
#ifndef PROTOCOL_H
#define PROTOCOL_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "error.h"
#include "quantity.h"

enum {
    PROTOCOL_VERSION = 1,
    PROTOCOL_REQUEST_MAX = 1024 * 1024,    /* bytes of a request with its LF: a fleet's plates fit in one */
    PROTOCOL_ANSWER_MAX = 8 * 1024 * 1024, /* bytes of an answer with its LF */
    PROTOCOL_DEPTH_MAX = 16                /* nested arrays and objects */
};

enum protocol_verb {
    DO_HELLO,       /* name and version of the daemon, protocol version */
    DO_STATUS,      /* live view of all channels and devices */
    DO_BENCH,       /* bench as configured; "encoded": canonical bytes in base64 */
    DO_COUNTERS,    /* figures of buses, queues, journal, stores */
    DO_RUN_START,   /* channel, unit, point, procedure, ... */
    DO_RUN_END,     /* channel or "all" */
    DO_RUN_QUEUE,   /* as DO_RUN_START: begins when its turn comes */
    DO_RUN_UNQUEUE, /* run, or channel or "all" */
    DO_RUN_LIST,    /* filters: unit, channel, verdict, since, limit */
    DO_RUN_SHOW,    /* run */
    DO_RUN_EVENTS,  /* run, after: what happened, page by page */
    DO_CHANNEL_RIG, /* channel */
    DO_CHANNEL_RIGGED,
    DO_CHANNEL_RELEASE,
    DO_CHANNEL_RESET, /* channel, reason */
    DO_CHANNEL_SET,   /* channel: the unit is dialled in */
    DO_CHANNEL_CONTINUE,
    DO_CHANNEL_NOTE,   /* channel, text */
    DO_WATCHDOG_PROVE, /* device */
    DO_DEVICE_PROBE,   /* device: every point by its map, beside the polls */
    DO_UNIT_ADD,       /* plate */
    DO_UNIT_IMPORT,    /* plates: all of them or none */
    DO_UNIT_LIST,
    DO_UNIT_SHOW,          /* unit */
    DO_UNIT_INSPECT,       /* unit, passed, kind, reference, date, due, note */
    DO_UNIT_RELEASE,       /* unit, to, due, run, note: where the unit goes after its check */
    DO_UNIT_BASELINE,      /* unit, run */
    DO_RUN_ATTACH,         /* run, note, name, data, more: a remark, or a file piece by piece */
    DO_RUN_REVISE,         /* run, correction, reason, judgement: judged again with a meter's correction */
    DO_UPLINK_RESEND,      /* run or since, store: stores get rows again */
    DO_NOTIFY_TEST,        /* a test message with a code to everybody who is told */
    DO_NOTIFY_ACKNOWLEDGE, /* code */
    DO_COUNT_
};

/* What is wrong, with what, and what would put it right. Each is a sentence or empty. */
struct protocol_error {
    char what[384];
    char where[96];
    char remedy[512];
};

const char *protocol_verb_name(enum protocol_verb verb);

/* Does the verb change anything (an order to the engine or the register), or only read? */
bool protocol_verb_changes(enum protocol_verb verb);

/* Fills err; always returns -1. remedy may be NULL. what takes a printf format. */
int protocol_fail(struct protocol_error *err, const char *where, const char *remedy, const char *what, ...)
    __attribute__((format(printf, 4, 5)));

/* Reads one line (size bytes, with or without its LF) as a request. On success *body is the whole object (release with
 * json_decref), *verb and *id are set. Returns 0; -1 with err, *body NULL and *id the request's id where it could be
 * read, else 0. Never touches anything but its arguments; any bytes are allowed. */
int protocol_parse(const char *line, size_t size, json_t **body, enum protocol_verb *verb, int64_t *id,
                   struct protocol_error *err);

/* Reads one line as an answer: *body the whole object, *id its id. Returns 0 or -1 with err. */
int protocol_parse_answer(const char *line, size_t size, json_t **body, int64_t *id, struct error *err);

/* A request object {"v":1,"id":id,"do":verb}, to which the caller adds fields; NULL when memory is short. */
json_t *protocol_request(enum protocol_verb verb, int64_t id);

/* Answers. result and lines are taken over (also on failure); they may be NULL. Return NULL when memory is short. */
json_t *protocol_accepted(int64_t id, json_t *result);
json_t *protocol_done(int64_t id, json_t *result);
json_t *protocol_refused(int64_t id, const struct protocol_error *err, json_t *lines);

/* The object as one line with its LF, in a malloc'd block of *size bytes; NULL when memory is short or it would be
 * longer than max. */
char *protocol_line(const json_t *object, size_t max, size_t *size);

/* Fields of a request. Each returns 1 when the field is there and good, 0 when it is absent (or null), -1 with err
 * when it has the wrong type, is too long or lies outside. An absent field leaves *value untouched. */
int field_text(const json_t *body, const char *key, char *to, size_t cap, struct protocol_error *err);
int field_integer(const json_t *body, const char *key, int64_t low, int64_t high, int64_t *value,
                  struct protocol_error *err);
int field_flag(const json_t *body, const char *key, bool *value, struct protocol_error *err);

/* A quantity: a number in the base unit of its dimension, or a string with its unit ("60 min", "160 A"). */
int field_quantity(const json_t *body, const char *key, enum dimension dim, double low, double high, double *value,
                   struct protocol_error *err);

/* Bytes collected until a line is whole. Used by both ends; grows as needed up to max bytes. */
struct line_buffer {
    char *bytes;
    size_t used, cap, max;
    size_t scanned; /* bytes known to hold no LF */
};

struct line_buffer line_buffer_over(size_t max);
void line_buffer_free(struct line_buffer *b);

/* Appends bytes. Returns 0; -1 when memory is short or max would be passed (nothing is appended then). */
int line_buffer_add(struct line_buffer *b, const char *bytes, size_t size);

/* The first whole line, without its LF: *line points into the buffer and holds until the next call on b. Returns true
 * when there is one. line_buffer_drop removes it. */
bool line_buffer_line(struct line_buffer *b, const char **line, size_t *size);
void line_buffer_drop(struct line_buffer *b);

#endif
