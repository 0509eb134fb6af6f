/* The composition of the daemon: clock, journal, engine, buses, control socket, stores and notices, put together in one
 * order and taken apart in the reverse. Everything that does work is a step function (engine_stage, journal_stage,
 * bus); runtime_run gives each a thread, runtime_step calls them all from one thread on the virtual clock, so that
 * tests and the daemon run the same code.
 *
 * Start: record opened (which takes the single-instance lock) -> session begun -> engine -> buses (identity, then
 * drop-all, before anything else) -> control socket. Nothing goes on load by itself.
 * Stop: every run ended -> every load opened and confirmed -> buses -> engine -> journal, ended cleanly. */
#ifndef RUNTIME_H
#define RUNTIME_H

#include <stdbool.h>
#include <stdint.h>

#include "bench_clock.h"
#include "config.h"
#include "error.h"
#include "input.h"
#include "log.h"
#include "peer.h"
#include "view.h"

struct runtime_options {
    enum log_level log_level;
    int log_fd;                /* stays the caller's */
    bool log_prefix;           /* syslog levels before the lines */
    bool service;              /* tell the service manager: ready, alive, stopping */
    int stop_fd;               /* a descriptor that is readable when the daemon shall end (a signalfd); -1: none */
    bool no_control;           /* no control socket */
    struct bench_clock *clock; /* taken over in any case; NULL: real or scaled, as configured. A virtual one is for
                                  runtime_step */
    /* Peers in place of the configured buses, by name of the bus; all buses are then in process. NULL: as configured.
     */
    bool (*peer)(void *ctx, const char *bus, struct peer *peer);
    /* Answers to the orders of runtime_submit. May be NULL. */
    void (*answer)(void *ctx, uint64_t request, int code, const char *text);
    /* In place of what the daemon finds when a run of the queue is to begin. May be NULL. */
    void (*facts)(void *ctx, struct run_night *night, struct run_stores *stores);
    /* Tests of faults; called by the engine's and the journal's thread before they work. Other than 0 from
     * before_commit makes the commit fail. May be NULL. */
    void (*before_engine)(void *ctx);
    int (*before_commit)(void *ctx);
    void *ctx;
};

struct runtime;

/* Builds everything but starts nothing: no thread, no connection. config must outlive the runtime. NULL with a sentence
 * in err (also when another daemon holds the journal). */
struct runtime *runtime_new(const struct config *config, const struct runtime_options *options, struct error *err);
void runtime_free(struct runtime *rt);

/* Runs the daemon until runtime_stop, then opens all loads and ends cleanly. Returns 0, or -1 with err when it could
 * not start, or could not end cleanly. */
int runtime_run(struct runtime *rt, struct error *err);

/* Ask runtime_run to end. Any thread; from a signal handler too. */
void runtime_stop(struct runtime *rt);

/* True once runtime_run has started all threads, until it ends. Any thread. */
bool runtime_is_up(const struct runtime *rt);

/* ---- one thread, virtual clock ---- */

/* Do what is due now, everywhere, until nothing more is. */
void runtime_step(struct runtime *rt);

/* Bench time at which runtime_step has something to do next. */
int64_t runtime_next_ns(struct runtime *rt);

/* Publish the view as it stands now. */
void runtime_publish(struct runtime *rt);

/* End cleanly: runs ended, loads opened, journal's session closed, the clock advanced as needed. 0 or -1 with err. */
int runtime_finish(struct runtime *rt, struct error *err);

/* ---- any thread ---- */

/* Hand an order to the engine; order->request is set by the caller (0: no answer wanted). 0, or -1: busy. */
int runtime_submit(struct runtime *rt, const struct input_operator *order);
void runtime_view(struct runtime *rt, struct bench_view *view);
int64_t runtime_next_run_no(struct runtime *rt);
struct bench_clock *runtime_clock(struct runtime *rt);

/* Epoch of this session in the journal. */
uint64_t runtime_epoch(const struct runtime *rt);

#endif
