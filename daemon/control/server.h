/* Inside of the control server, shared by its parts: control.c moves bytes, control_do.c, control_orders.c and
 * control_pending.c do what requests ask. */
#ifndef SERVER_H
#define SERVER_H

#include <pthread.h>
#include <sys/types.h>

#include "control.h"
#include "journal_read.h"
#include "protocol.h"

enum {
    UNDER_WAY_MAX = 16,           /* requests of a client that wait for engine or journal */
    PENDING_MAX = 512,            /* of all clients */
    ANSWERS_MAX = 1024,           /* answers on their way from other threads */
    UNSENT_MAX = 16 * 1024 * 1024 /* bytes of a client that are not sent yet */
};

struct client {
    int fd;          /* -1: free slot */
    uint64_t serial; /* tells this client from the one that had the slot before */
    uid_t uid;
    pid_t pid;
    struct line_buffer in;
    char *out;
    size_t out_used, out_cap, out_sent;
    int64_t took_ns;  /* when it last took bytes, or owed none */
    int64_t heard_ns; /* when it last sent bytes */
    int under_way;
    uint8_t *file; /* what has come of a file that it attaches; NULL: none */
    size_t file_size;
    char file_name[ATTACHMENT_NAME_CAP];
    bool closing; /* hang up as soon as everything is sent */
};

/* A request that engine or journal thread will answer. */
struct pending {
    uint64_t request; /* 0: free */
    int client;
    uint64_t client_serial;
    int64_t id;
    enum protocol_verb verb;
    int64_t run_no; /* DO_RUN_START */
    bool wait_done; /* a second answer is wanted */
    bool accepted;  /* the first one was given */
    int64_t asked_ns;
    bool holding; /* a refusal waits for its reasons to be on record */
    int64_t hold_until_ns, look_ns;
    char text[TEXT_CAP]; /* of the refusal */
};

struct engine_answer {
    uint64_t request;
    int code;
    char text[TEXT_CAP];
    char *json; /* the result, in place of text; NULL: none */
};

struct control {
    struct control_hooks hooks;
    char path[PATH_CAP];
    int listen_fd, wake_fd;
    struct client clients[CONTROL_CLIENTS_MAX];
    uint64_t next_serial;
    struct pending pending[PENDING_MAX];
    uint64_t next_request;
    struct journal_reader *reader;
    pthread_mutex_t lock; /* of the three below */
    struct engine_answer answers[ANSWERS_MAX];
    int answer_first, answer_count;
    bool has_lock;
};

/* A request being done. The functions that do one return 0 when it is answered or pending, -1 with err. */
struct doing {
    struct control *c;
    int client;
    int64_t id;
    enum protocol_verb verb;
    const json_t *body;
    struct protocol_error err;
};

/* control_orders.c */
int server_do_channel_order(struct doing *d);
int server_do_watchdog_prove(struct doing *d);
int server_do_device_probe(struct doing *d);
int server_do_run_start(struct doing *d); /* DO_RUN_QUEUE too */
int server_do_run_unqueue(struct doing *d);
int server_do_unit_add(struct doing *d);
int server_do_unit_import(struct doing *d);
int server_do_unit_inspect(struct doing *d);
int server_do_unit_release(struct doing *d);
int server_do_unit_baseline(struct doing *d);
int server_put_on_file(struct doing *d, struct register_order *order);
int server_who(struct doing *d, char who[NAME_CAP]);
int server_do_notify_test(struct doing *d);
int server_do_notify_acknowledge(struct doing *d);

/* control_attach.c */
int server_do_run_attach(struct doing *d);
int server_do_run_revise(struct doing *d);
/* control_resend.c */
int server_do_uplink_resend(struct doing *d);
void server_drop_file(struct client *client);

/* control_do.c: the journal's reader (opened when needed; NULL with err), fields that several requests have, and their
 * errors. */
struct journal_reader *server_reader(struct doing *d);
int server_journal_failed(struct doing *d, const struct error *err);
int server_done_text(struct doing *d, const char *text);
int server_date(struct doing *d, const char *key, int64_t *utc_s);
int server_serial(struct doing *d, char serial[NAME_CAP]);
int server_no_unit(struct doing *d, const char *serial);

/* control_pending.c: opens an entry for a request that engine or journal thread will answer (NULL with err when there
 * are too many); takes one back. */
struct pending *server_begin(struct doing *d);
void server_forget(struct control *c, struct pending *p);
int server_busy(struct doing *d, const char *who);

/* Does one whole line of a client; every line is answered. */
void server_do_line(struct control *c, int client, const char *line, size_t size);

/* Answers that came from engine and journal thread. */
void server_take_answer(struct control *c, const struct engine_answer *a);

/* Requests whose time is up, refusals that waited for their reasons. Returns when to call again (INT64_MAX: no need).
 */
int64_t server_due(struct control *c, int64_t now_ns);

/* Queues an answer for a client (takes it over; NULL: an answer that says memory is short). */
void server_send(struct control *c, int client, json_t *answer);

#endif
