/* The engine's thread, without the thread: takes what has arrived, gives it one total order (seq, seen_ns), records it,
 * steps the engine and carries out what the engine asks for. The daemon calls engine_stage_run from a thread of its
 * own, the virtual bench from its event loop.
 *
 * Nothing is fed to the engine that cannot be recorded: while the queue to the journal has no room for an input and
 * all that may come of it, every load is dropped, inputs stay where they are, and what is lost meanwhile is counted
 * and told to the engine (INPUT_LOST) as soon as there is room again. So engine and record never part.
 *
 * Commands: leases and drop latches are set at once. Commands with an intent wait here until the journal has the
 * intent on disk, and are forgotten when the channel is opened meanwhile. All others go to their bus at once. */
#ifndef ENGINE_STAGE_H
#define ENGINE_STAGE_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "bench_clock.h"
#include "command.h"
#include "input.h"
#include "log.h"
#include "queue.h"
#include "stagger_job.h"
#include "view.h"

/* What the journal's thread publishes; lock-free, read by the engine's thread. */
struct journal_state {
    _Atomic uint64_t synced_event; /* events up to this number are on disk */
    atomic_bool failed;            /* the last try to commit failed */
    atomic_bool space_low;         /* less space than the floor */
};

/* Types of the records in the queue to the journal; their stamp is real time. RECORD_INPUT holds a struct input, cut
 * after the part that its kind uses (input_used_size). */
enum record_type { RECORD_INPUT, RECORD_EVENT, RECORD_VERDICT, RECORD_CARRY, RECORD_NOTICE };

/* What RECORD_VERDICT holds. */
struct verdict_record {
    uint64_t seq;    /* input that brought it about */
    int64_t seen_ns; /* and when */
    struct verdict verdict;
};

/* Largest record in that queue. */
enum { RECORD_MAX = 12288 };

/* Where the engine's commands go. All are called from within engine_stage_run and must not block. */
struct engine_hands {
    void *ctx;
    void (*lease)(void *ctx, int device, int64_t until_ns);
    void (*drop)(void *ctx, const struct command *command);
    void (*post)(void *ctx, const struct command *command); /* everything for a device but lease and drop */
    void (*beacon)(void *ctx, const struct command *command);
    void (*answer)(void *ctx, uint64_t request, int code, const char *text);
    void (*facts)(void *ctx, const struct command *command); /* COMMAND_FACTS: answered by VERB_FACTS */
    void (*worker)(void *ctx, const struct command *command, const struct stagger_job *stagger); /* of JOB_STAGGER */
    void (*readings)(void *ctx,
                     const struct input_readings *in); /* each input of readings, after its step; may be NULL */
};

struct engine_stage_setup {
    const struct bench *bench;
    const struct bench_clock *clock;
    struct log *log;
    struct queue *ends;             /* input_operator with VERB_END: never kept waiting by other orders */
    struct queue *orders;           /* type: input_kind; operator, anchor and worker inputs */
    struct queue *buses[BUSES_MAX]; /* type: input_kind; readings, acks and links of each bus */
    struct queue *to_journal;
    struct journal_state *journal;
    struct engine_hands hands;
};

struct engine_stage;

/* boot is the first input (its version, epoch, UTC and carry filled in). NULL when memory is out. */
struct engine_stage *engine_stage_new(const struct engine_stage_setup *setup, const struct input_boot *boot);
void engine_stage_free(struct engine_stage *stage);

/* Takes up to `most` inputs and fires the timers that are due. Returns how many steps the engine made. */
int engine_stage_run(struct engine_stage *stage, int most);

/* Bench time at which the engine wants to be called although nothing arrived. */
int64_t engine_stage_next_ns(const struct engine_stage *stage);

/* End every run, as if an operator had asked and there were no room to write down who. Any thread. */
void engine_stage_end_all(struct engine_stage *stage);

/* Publish the view now (otherwise every 50 ms of real time at most). Engine's thread. */
void engine_stage_publish(struct engine_stage *stage);

/* Copy the latest published view. Any thread. */
void engine_stage_view(struct engine_stage *stage, struct bench_view *view);

/* Number of the last input. Engine's thread, or after it ended. */
uint64_t engine_stage_seq(const struct engine_stage *stage);

struct engine_stage_counts {
    uint64_t inputs;
    uint64_t events;
    uint64_t commands;
    uint64_t lost;   /* inputs lost in full queues */
    uint64_t held;   /* commands that wait for their intent, now */
    uint64_t stalls; /* times that the journal's queue had no room */
};
struct engine_stage_counts engine_stage_counts(const struct engine_stage *stage);

/* Bytes of an input that carry something, from its begin. */
size_t input_used_size(const struct input *in);

#endif
