/* A control server over a real socket and a real journal, with an engine and a journal thread that do as the test
 * says. */
#ifndef FAKE_DAEMON_H
#define FAKE_DAEMON_H

#include <jansson.h>

#include "control.h"
#include "journal.h"

enum { FAKE_ORDERS_MAX = 64 };

struct fake {
    char folder[64], socket[128], path[128];
    struct journal *journal;
    struct control *control;
    struct bench *bench;
    struct bench_view view;
    int64_t now_ns; /* time as the server sees it: moved by hand */
    bool busy;
    bool disk_hangs; /* nothing is read from the record */
    int order_count, end_count, file_count;
    struct input_operator orders[FAKE_ORDERS_MAX], ends[FAKE_ORDERS_MAX];
    struct register_order filed;
    int64_t resend[FEED_COUNT_]; /* rows from which stores were to send again */
    int64_t run_no;
    struct run_stores stores;
    char notify_trouble[TEXT_CAP]; /* the test message cannot be sent, in words */
    char notify_code[NAME_CAP];    /* that is taken */
    char notify_who[NAME_CAP];     /* who asked or acknowledged last */
    uint64_t notify_request;
    bool accept_all; /* answer orders at once: accepted, done, stored */
};

void fake_begin(struct fake *f);

/* The same; one that tells nobody has no hooks for messages. */
void fake_begin_as(struct fake *f, bool tells_nobody);
void fake_end(struct fake *f);

/* The same on the heap. */
struct fake *fake_new(bool tells_nobody);
void fake_free(struct fake *f);

/* Lets the server work until nothing is left to do. */
void fake_turn(struct fake *f);

int fake_connect(const struct fake *f);

/* Sends bytes, lets the server work, and gives the next answer line parsed (the caller's); NULL when the server hung up
 * or nothing came. */
json_t *fake_ask(struct fake *f, int fd, const char *line);
json_t *fake_next(struct fake *f, int fd);

/* Text of a field, or of a field in a field (b NULL: none); "" when it is not there. */
const char *fake_word(const json_t *answer, const char *a, const char *b);

/* The answer is to this request, and of this stage. */
void fake_expect(json_t *answer, int64_t id, const char *stage);

/* The same for a refusal whose words hold a part; takes the answer. */
void fake_refused(json_t *answer, int64_t id, const char *part);

/* A plate with two rating points for HQ-0147. */
struct unit_plate fake_plate(void);

#endif
