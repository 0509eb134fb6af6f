/* Inside of the control server, shared by its parts: control.c moves bytes, control_do.c, control_orders.c and
 * control_pending.c do what requests ask, control_read.c is where the record is read. */
#ifndef SERVER_H
#define SERVER_H

#include <pthread.h>
#include <sys/types.h>

#include "control.h"
#include "journal_read.h"
#include "protocol.h"

enum {
    UNDER_WAY_MAX = 16,            /* requests of a client that wait for engine or journal */
    READS_A_CLIENT_MAX = 16,       /* requests of a client that wait for the record */
    READS_MAX = 128,               /* of all clients */
    IMPORT_PLATES_MAX = 40000,     /* of one import: some 110 MiB while it is under way */
    PENDING_MAX = 512 + READS_MAX, /* of all clients */
    ANSWERS_MAX = 1024,            /* answers on their way from other threads */
    UNSENT_MAX = 16 * 1024 * 1024  /* bytes of a client that are not sent yet */
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
    int under_way;    /* requests that engine or journal thread have */
    int reading;      /* requests that wait for the record */
    uint8_t *file;    /* what has come of a file that it attaches; NULL: none */
    size_t file_size;
    char file_name[ATTACHMENT_NAME_CAP];
    struct unit_plate *plates; /* what has come of a fleet that it imports; NULL: none */
    int plate_count, plate_cap;
    bool closing; /* hang up as soon as everything is sent */
};

/* A request that engine or journal thread will answer, or that waits for the record to be read. */
struct pending {
    uint64_t request; /* 0: free */
    int client;
    uint64_t client_serial;
    int64_t id;
    enum protocol_verb verb;
    int64_t run_no;  /* DO_RUN_START */
    int32_t channel; /* the same: of a start that waits for the record */
    bool reading;    /* waits for the record; else for engine or journal thread */
    bool wait_done;  /* a second answer is wanted */
    bool accepted;   /* the first one was given */
    int64_t asked_ns;
    bool holding; /* a refusal waits for its reasons to be on record */
    bool looking; /* the reader looks for them */
    int64_t hold_until_ns, look_ns;
    char text[TEXT_CAP]; /* of the refusal */
};

struct engine_answer {
    uint64_t request;
    int code;
    char text[TEXT_CAP];
    char *json; /* the result, in place of text; NULL: none */
};

struct read_job;

struct read_list {
    struct read_job *first, *last;
};

struct control {
    struct control_hooks hooks;
    char path[PATH_CAP];
    int listen_fd, wake_fd;
    int read_fd; /* wakes the reader */
    struct client clients[CONTROL_CLIENTS_MAX];
    uint64_t next_serial;
    struct pending pending[PENDING_MAX];
    uint64_t next_request;
    struct journal_reader *reader;       /* of the reader's thread alone */
    pthread_mutex_t lock;                /* of what follows */
    struct read_list to_read, read_done; /* requests for the reader, and what it has read */
    int read_count;                      /* of both, and of the one that is being read */
    struct engine_answer answers[ANSWERS_MAX];
    int answer_first, answer_count;
    bool has_lock;
};

/* A request being done. The functions that do one return 0 when it is answered or pending, -1 with err. Those that read
 * the record (server_read_...) run in the reader's thread: they look at this, the record and what never changes, and
 * leave what they found here for the function that finishes the request in the server's thread. */
struct doing {
    struct control *c;
    int client;
    uid_t uid;
    int64_t id;
    enum protocol_verb verb;
    const json_t *body;
    struct protocol_error err;
    json_t *result;               /* what was read, for an answer */
    struct input_operator *order; /* ready but for what the server's thread knows; malloc'd */
    struct register_order *file;  /* the same for the register; malloc'd */
    int64_t from[FEED_COUNT_], run_no;
    char unit[NAME_CAP];
    int (*finish)(struct doing *d);
    struct pending *pending; /* already open when a request is finished; NULL: none */
    bool handed_on;          /* engine or journal thread will answer */
};

struct read_job {
    struct doing d;
    uint64_t request;
    int (*read)(struct doing *d);
    int result;
    bool lines; /* not a request: the reasons of a refusal */
    struct read_job *next;
};

/* control_read.c: has the record read for the request, and finish_by called in the server's thread if that went well.
 * Returns 0, or -1 with err when too much waits already. */
int server_read(struct doing *d, int (*read)(struct doing *d), int (*finish_by)(struct doing *d));
/* The reasons of a refused start, for server_take_lines. Returns -1 when too much waits already. */
int server_read_lines(struct control *c, const struct pending *p, int (*read)(struct doing *d));
void server_take_reads(struct control *c);
void server_drop_reads(struct control *c);

/* control_orders.c */
int server_do_channel_order(struct doing *d);
int server_do_watchdog_prove(struct doing *d);
int server_do_device_probe(struct doing *d);
int server_read_run_start(struct doing *d); /* DO_RUN_QUEUE too */
int server_do_run_start(struct doing *d);
int server_do_run_unqueue(struct doing *d);
int server_do_unit_add(struct doing *d);
int server_read_unit_inspect(struct doing *d);
int server_read_unit_release(struct doing *d);
int server_read_unit_baseline(struct doing *d);
int server_do_register(struct doing *d); /* what one of these has made ready */
int server_put_on_file(struct doing *d, struct register_order *order);
int server_who(struct doing *d, char who[NAME_CAP]);
int server_do_notify_test(struct doing *d);
int server_do_notify_acknowledge(struct doing *d);

/* control_import.c */
int server_do_unit_import(struct doing *d);
void server_drop_plates(struct client *client);

/* control_attach.c */
int server_read_run_attach(struct doing *d);
int server_do_run_attach(struct doing *d);
int server_read_run_revise(struct doing *d);
int server_do_run_revise(struct doing *d);
/* control_resend.c */
int server_read_uplink_resend(struct doing *d);
int server_do_uplink_resend(struct doing *d);
void server_drop_file(struct client *client);

/* control_do.c: the journal's reader (opened when needed; NULL with err; reader's thread only), fields that several
 * requests have, and their errors. */
struct journal_reader *server_reader(struct doing *d);
int server_journal_failed(struct doing *d, const struct error *err);
int server_done_text(struct doing *d, const char *text);
int server_date(struct doing *d, const char *key, int64_t *utc_s);
/* The unit that the request names, by its name on record; -1 with err when there is none, or several (reader's thread).
 */
int server_unit(struct doing *d, char name[NAME_CAP]);
/* The same into d->unit; a label may be of a unit that is not on file yet, and stays as it was read. */
int server_read_label(struct doing *d);
int server_read_named_unit(struct doing *d);
int server_no_unit(struct doing *d, const char *serial);

/* control_pending.c: opens an entry for a request that engine or journal thread will answer (NULL with err when there
 * are too many), or takes the one that it has; takes one back. */
struct pending *server_begin(struct doing *d);
struct pending *server_find(struct control *c, uint64_t request); /* NULL: it is over */
/* The entry counts as waiting for the record; no longer. */
void server_to_reading(struct control *c, struct pending *p);
void server_from_reading(struct control *c, struct pending *p);
/* Is whoever asked still connected? */
bool server_client_is_there(const struct control *c, const struct pending *p);
/* What the reader found of a refused start's reasons (taken over; NULL: none yet). */
void server_take_lines(struct control *c, struct pending *p, json_t *lines);
/* Refuses the starts (queued: orders to queue) that still wait for the record, on a channel or on all (-1): an order to
 * end that overtakes them holds for them too. */
void server_refuse_starts(struct control *c, bool queued, int32_t channel);
void server_forget(struct control *c, struct pending *p);
int server_busy(struct doing *d, const char *who);

/* Does one whole line of a client; every line is answered. */
void server_do_line(struct control *c, int client, const char *line, size_t size);

/* Answers that came from engine and journal thread. */
void server_take_answer(struct control *c, const struct engine_answer *a);

/* Requests whose time is up, refusals that waited for their reasons. Returns when to call again (INT64_MAX: no need).
 */
int64_t server_due(struct control *c, int64_t now_ns);

/* Makes an eventfd readable. */
void server_wake(int fd);

/* Queues an answer for a client (takes it over; NULL: an answer that says memory is short). */
void server_send(struct control *c, int client, json_t *answer);

#endif
