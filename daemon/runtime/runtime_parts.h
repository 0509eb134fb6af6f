/* The parts of the runtime, for the files of this room only. */
#ifndef RUNTIME_PARTS_H
#define RUNTIME_PARTS_H

#include <pthread.h>
#include <stdatomic.h>

#include "bus_stage.h"
#include "control.h"
#include "engine_stage.h"
#include "journal.h"
#include "journal_stage.h"
#include "notify_stage.h"
#include "queue.h"
#include "runtime.h"
#include "store_stage.h"
#include "worker_stage.h"

enum {
    BUS_QUEUE_BYTES = 512 * 1024, /* each bus to the engine: some 2000 blocks */
    ORDERS_QUEUE_BYTES = 1024 * 1024,
    ENDS_QUEUE_BYTES = 2 * 1024 * 1024, /* more than all clients together may have under way */
    RECORDS_QUEUE_BYTES = 32 * 1024 * 1024,
    FILE_QUEUE_BYTES = 1024 * 1024
};

/* Orders of the runtime itself bear this bit in their request number. */
#define OWN_REQUEST (UINT64_C(1) << 63)

struct worker {
    struct runtime *rt;
    int index; /* of the bus or store */
    pthread_t thread;
    bool started;
    _Atomic int64_t alive_real_ns; /* last turn of its loop */
};

struct runtime {
    const struct config *config;
    struct runtime_options options;
    struct bench_clock *clock;
    struct log *log;
    struct journal *journal;
    uint64_t epoch;
    struct journal_state journal_state;
    struct load_lease leases[DEVICES_MAX];
    bool fan_wanted[CHANNELS_MAX]; /* engine's thread */
    struct peer peers[BUSES_MAX];

    int engine_fd; /* eventfds that wake a thread */
    int journal_fd;
    int stop_fd;
    int store_fds[STORES_MAX];
    int notify_fd;
    int worker_fd;
    struct queue *bus_queues[BUSES_MAX];
    struct queue *ends, *orders, *records, *file_orders;

    struct engine_stage *engine;
    struct journal_stage *journal_stage;
    struct bus_stage *buses[BUSES_MAX];
    struct control *control;
    struct notify_stage *notify;
    struct worker_stage *worker;
    struct line_figures *figures;           /* supervisor */
    struct heat_series *series;             /* engine's thread */
    struct store_stage *stores[STORES_MAX]; /* NULL: it could not be set up, or there is none */

    struct input_anchor anchor; /* supervisor: the latest */
    int64_t anchored_real_ns;

    struct worker engine_worker, journal_worker, control_worker, read_worker, bus_workers[BUSES_MAX],
        store_workers[STORES_MAX], notify_worker, fit_worker, check_worker;
    struct file_check *check; /* of the whole file, once; NULL: it could not be opened */
    atomic_bool stop_asked, stop_buses, stop_engine, stop_journal, stop_control, stop_stores;
    atomic_bool up;
    atomic_bool threads_alive; /* supervisor: engine and buses move */
    atomic_bool notices;       /* journal: there may be new ones */
};

/* session.c: begins the session in the journal and fills the engine's first input. */
int session_begin(struct runtime *rt, struct input_boot *boot, struct error *err);

/* UTC to begin a scaled clock with: the configured epoch, or just after what the journal already holds. */
int session_scaled_start(const struct config *config, int64_t *start_utc_ns, struct error *err);

/* hands.c: what the engine's commands do. */
struct engine_hands runtime_hands(struct runtime *rt);

/* What stands behind a run that nobody watches, and how the stores stand: now. Any thread. */
void runtime_facts(struct runtime *rt, struct run_night *night, struct run_stores *stores);

/* control_link.c: the control socket's hooks. */
struct control_hooks runtime_control_hooks(struct runtime *rt);

/* supervisor.c: anchors, overdue transactions, threads that hang. Called every 100 ms or so of real time; in one
 * thread on the virtual clock only for the anchors. */
void supervise_anchor(struct runtime *rt);
void supervise(struct runtime *rt);

/* Is every load open, by feedback and by command? */
bool bench_is_open(const struct bench_view *view);

/* threads.c */
int threads_start(struct runtime *rt, struct error *err);

/* Make the eventfd readable. */
void wake_fd(int fd);

/* Wait until the eventfd is readable or the time is over, and read it empty. */
void wait_fd(int fd, int64_t real_ns);

#endif
