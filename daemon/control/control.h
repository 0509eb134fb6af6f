/* Server side of the control socket. It has no thread and no clock of its own: the runtime calls control_run_once in a
 * thread that it gives to it and control_read_once in another, and everything it needs of the daemon comes through
 * struct control_hooks. It reads the journal by a read-only connection of its own, in control_read_once and nowhere
 * else, since a disk may hang; it changes nothing by itself: orders go to the engine, records to the journal thread,
 * and their answers come back through control_answer.
 *
 * Bounds: CONTROL_CLIENTS_MAX clients (one more is told so and hung up on), one request line of 1 MiB, 16 requests
 * under way, 16 that wait for the record (one more is told "busy") and 16 MiB of unsent answers a client; a client that
 * does not take its answers for 10 s, or sends half a line and nothing more for 60 s, is hung up on. An idle client
 * that owes nothing stays. */
#ifndef CONTROL_H
#define CONTROL_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "error.h"
#include "input.h"
#include "journal_types.h"
#include "rating.h"
#include "verdict.h"
#include "view.h"

enum { CONTROL_CLIENTS_MAX = 32 };

/* What is put on file about a unit, besides runs: the journal thread writes it. */
enum register_kind {
    REGISTER_PLATE,       /* a new version of the plate; unchanged plates get no new version */
    REGISTER_INSPECTION,  /* safety inspection and test */
    REGISTER_DISPOSITION, /* to hire, to service, quarantine */
    REGISTER_BASELINE,    /* the run that later ones are compared with */
    REGISTER_PLATES,      /* many plates: all of them or none */
    REGISTER_ADDENDUM     /* a remark, a file or a correction, added to a run */
};

struct register_order {
    enum register_kind kind;
    uint64_t request; /* number that control_answer is called with: 2 stored, 1 refused */
    int64_t utc_s;    /* when it was entered, by the bench's clock */
    char who[NAME_CAP];
    struct unit_plate plate;              /* REGISTER_PLATE ... */
    char unit[NAME_CAP];                  /* ... of the unit of this name, whatever maker it states; empty: by itself */
    struct journal_inspection inspection; /* REGISTER_INSPECTION */
    struct journal_disposition disposition; /* REGISTER_DISPOSITION */
    struct journal_baseline baseline;       /* REGISTER_BASELINE */
    struct unit_plate *plates;              /* REGISTER_PLATES: malloc'd, plate_count of them */
    int plate_count;
    struct journal_addendum addendum; /* REGISTER_ADDENDUM ... */
    struct verdict verdict;           /* ... of a correction: the verdict that it gives */
    uint8_t *bytes;                   /* ... of a file; malloc'd, goes to whoever takes the order; else NULL */
    size_t size;
};

/* All are called from the thread that calls control_run_once, utc_ns from that of control_read_once as well; none may
 * block for longer than a lock is held. */
struct control_hooks {
    void *ctx;
    const struct bench *bench; /* outlives the server */
    char version[NAME_CAP];    /* of the daemon */
    char journal_path[PATH_CAP];
    char socket_group[NAME_CAP]; /* system group that may use the socket; empty: as the process has it */

    /* Latest published view, copied. */
    void (*view)(void *ctx, struct bench_view *view);

    /* Hand an order to the engine thread. order->request is already set (the top bit is never set, so that the runtime
     * may use numbers with it for orders of its own). Returns 0; -1 when the queue is full. The engine's
     * COMMAND_ANSWER with that number goes to control_answer. */
    int (*submit)(void *ctx, const struct input_operator *order);

    /* The same for VERB_END, by a slot of its own that is never busy: end orders that arrive before the last one was
     * taken are merged (a channel of -1 or another channel: all of those named). Each request number is answered. */
    void (*submit_end)(void *ctx, const struct input_operator *order);

    /* Hand a record to the journal thread, and with it what it points to. Returns 0; -1 when its queue is full, and
     * plates stay the caller's. */
    int (*put_on_file)(void *ctx, const struct register_order *order);

    /* The next run number, never given out twice, also over restarts. Returns -1 when the journal is not healthy. */
    int64_t (*next_run_no)(void *ctx);

    /* Figures of buses, queues, journal and stores as the text of one JSON object, malloc'd; NULL when there are none.
     */
    char *(*counters)(void *ctx);

    /* Read every point of a device once, beside the bus's own work; control_answer_json says what came, control_answer
     * why nothing could. Returns 0, or -1 with err when it cannot be asked. May be NULL. */
    int (*probe)(void *ctx, uint64_t request, int device, struct error *err);

    /* What stands behind a run without anybody at the bench, as it is now. NULL: nothing does. */
    void (*night)(void *ctx, struct run_night *night);

    /* Stores send again from these rows on (below zero: leave that feed); store empty: all of them. Returns how many
     * stores will. May be NULL. */
    int (*resend)(void *ctx, const char *store, const int64_t from_row[FEED_COUNT_]);

    /* How the time-series stores stand now. NULL: there are none. */
    void (*stores)(void *ctx, struct run_stores *stores);

    /* Send a test message with a code to everybody who is told; control_answer says what became of it (2 sent, 1
     * refused). Returns 0, or -1 with err when there is nobody to tell. May be NULL. */
    int (*notify_test)(void *ctx, uint64_t request, const char *who, struct error *err);

    /* A person enters the code of the test message. Returns 0, or -1 with err when it is not the code. May be NULL. */
    int (*notify_acknowledge)(void *ctx, const char *code, const char *who, struct error *err);

    /* Monotonic, unscaled time, for the time limits of clients. */
    int64_t (*real_ns)(void *ctx);

    /* UTC by the bench's clock, for dates put on file. */
    int64_t (*utc_ns)(void *ctx);

    /* One line for the daemon's log (who connected, who was hung up on and why). May be NULL. */
    void (*log)(void *ctx, const char *text);
};

struct control;

/* Binds and listens at socket_path with mode 0660. A socket that is left over and that nobody serves is replaced; one
 * that answers is an error, as is a path that is no socket. Returns the server (release with control_free, which
 * removes the socket) or NULL with err. */
struct control *control_new(const char *socket_path, const struct control_hooks *hooks, struct error *err);
void control_free(struct control *c);

/* Waits up to timeout_ms (0: not at all) for something to do and does what is due; never waits for a client. Returns 0;
 * -1 with err when the server itself has failed (its clients' mistakes are no failure). */
int control_run_once(struct control *c, int timeout_ms, struct error *err);

/* Does what one request wants read from the record; waits up to timeout_ms for one. May hang as long as the disk does,
 * and nothing else waits for it. Returns whether there was one. To be called by one thread, any but at the same time as
 * control_free. */
bool control_read_once(struct control *c, int timeout_ms);

/* Makes a control_read_once that waits return soon. Any thread. */
void control_read_wake(struct control *c);

/* The answer of engine or journal thread to a request: code as in COMMAND_ANSWER (0 accepted, 1 refused, 2 done), text
 * for people (may be empty; copied). Any thread; wakes control_run_once; never blocks for longer than a lock is held.
 * Returns 0; -1 when 1024 answers are already waiting (the request is then answered "lost" by its own time limit). */
int control_answer(struct control *c, uint64_t request, int code, const char *text);

/* The same for a request that is done, with a JSON text as its result (malloc'd, taken over). */
int control_answer_json(struct control *c, uint64_t request, char *json);

/* Makes a control_run_once that is under way return soon. Any thread. */
void control_wake(struct control *c);

/* Clients connected now. */
int control_client_count(const struct control *c);

#endif
