/* The whole daemon and the virtual bench in one process, one thread, on the virtual clock: configuration, buses,
 * engine and journal are the daemon's own, only sockets, threads and waiting are left out. Discrete events: the clock
 * jumps to whatever is due next. The same setup gives the same journal, to the byte of every input and event. */
#ifndef HARNESS_H
#define HARNESS_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "event.h"
#include "input.h"
#include "runtime.h"
#include "vbench.h"
#include "verdict.h"

#define H_SECOND INT64_C(1000000000)
#define H_MINUTE (60 * H_SECOND)
#define H_HOUR (60 * H_MINUTE)

struct harness_setup {
    const char *bench;        /* "config/examples/two-units": configuration and scenario below the project's sources */
    const char *scenario;     /* path, or YAML text, in place of the bench's own; may be NULL */
    int real_share;           /* bench seconds to a second of disk time; 0: 1 */
    const char *journal_path; /* an existing journal to go on with; NULL: a new one, removed by harness_free */
    void (*edit)(struct config *config);                /* change the loaded configuration; may be NULL */
    void (*edit_for)(struct config *config, void *ctx); /* the same, with edit_ctx; may be NULL */
    void *edit_ctx;
    int log_fd; /* 0: nowhere */
};

struct harness {
    struct config *config;
    struct vbench *vb;
    struct runtime *rt;
    struct bench_clock *clock;
    struct vbench_port ports[BUSES_MAX];
    char folder[PATH_CAP]; /* of its own, empty when the journal is the caller's */
    char journal_path[PATH_CAP];
    int64_t start_ns;
    int64_t start_utc_ns;
    uint64_t requests;
    /* faults, for tests to set */
    bool bus_silent[BUSES_MAX]; /* no answer from anything on the bus */
    bool bus_gone[BUSES_MAX];   /* the connection is lost, and stays so */
    bool disk_fails;            /* every commit fails */
    struct {
        bool on;
        int bus, server, first;
    } no_value;               /* one input register reads "no value" (0x7fff), all others of the device go on */
    struct run_stores stores; /* as they stand when a run of the queue is to begin */
    /* answers to orders */
    struct {
        uint64_t request;
        int code;
        char text[TEXT_CAP];
    } answers[512];
    int answer_count;
};

/* Fails the running test when anything cannot be set up. */
struct harness *harness_new(const struct harness_setup *setup);

/* Frees everything and removes what it made. Does not end the session: that is harness_finish; leaving it out is what
 * a crash looks like to the journal. */
void harness_free(struct harness *h);
void harness_finish(struct harness *h);

/* The daemon is gone from one moment to the next, and starts again down_ns later on the same journal; the bench goes
 * on meanwhile, unattended. */
void harness_crash_and_restart(struct harness *h, int64_t down_ns);

/* Bench time since the start. */
int64_t harness_elapsed_ns(const struct harness *h);

void harness_run_for(struct harness *h, int64_t ns);

/* Until the condition holds or ns have passed; true when it holds. */
bool harness_run_until(struct harness *h, bool (*holds)(struct harness *h, void *ctx), void *ctx, int64_t ns);

/* Give an order and run until it is answered; returns the code (0 accepted, 1 refused), -1 when there was no answer
 * within 10 s. text (NULL, or TEXT_CAP) receives the engine's words. */
int harness_order(struct harness *h, struct input_operator *order, char *text);

/* The order accepted and then done: waits for code 2 as well, at most ns. The words of the second answer in text. */
void harness_order_done(struct harness *h, struct input_operator *order, int64_t ns, char *text);

/* Lets one thing happen on the virtual bench now, in the words of a scenario: "{do: weld, channel: A, step: 2}". */
void harness_happen(struct harness *h, const char *event);

/* Orders in short. Each fails the test when it is refused. */
void harness_rig(struct harness *h, const char *channel);                  /* rig and rigged */
struct harness *harness_proved(const struct harness_setup *setup);         /* new, and its watchdogs proved */
struct vbench_channel_state harness_truth(struct harness *h, int channel); /* the virtual bench's own word */
void harness_prove_watchdogs(struct harness *h);                           /* of every load device that has one */
struct input_operator harness_start_order(struct harness *h, const char *channel, const char *unit_file, int point,
                                          enum procedure procedure);
int64_t harness_start(struct harness *h, struct input_operator *order); /* returns the run number */

/* All that a run without attendance needs, with a message acknowledged now. */
struct run_night harness_night(const struct harness *h);

/* A bench whose channel A is rigged and soaks HQ-0147 for an hour: on-load for ns now. */
struct harness *harness_soaking(const struct harness_setup *setup, int64_t ns);

/* Latest view; the caller's to read until the next call. */
const struct bench_view *harness_view(struct harness *h);
const struct channel_view *harness_channel(struct harness *h, const char *channel);
bool harness_in_state(struct harness *h, const char *channel, enum channel_state state);

/* Run until the channel's run has ended (done, free or locked), at most ns. */
void harness_run_until_done(struct harness *h, const char *channel, int64_t ns);

/* From the journal, as far as it is on disk. */
int harness_count_events(struct harness *h, enum event_kind kind, const char *channel, int32_t code);
bool harness_find_event(struct harness *h, enum event_kind kind, const char *channel, struct event *found);
/* The latest of the kind whose text has these words (NULL: any). */
bool harness_last_event(struct harness *h, enum event_kind kind, const char *channel, const char *words,
                        struct event *found);
bool harness_verdict(struct harness *h, int64_t run_no, struct verdict *verdict);

/* SHA-256 over the canonical bytes of all events and verdicts of this session, in hexadecimal; of all inputs. */
void harness_event_digest(struct harness *h, char hex[65]);
void harness_input_digest(struct harness *h, char hex[65]);

/* Path below the project's sources, in a buffer of the caller's. */
const char *harness_source_path(char to[PATH_CAP], const char *below);

#endif
