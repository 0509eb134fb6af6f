/* Inside of a bus, shared by the bus_*.c files only. */
#ifndef BUS_INTERNAL_H
#define BUS_INTERNAL_H

#include <pthread.h>
#include <stdatomic.h>

#include "blocks.h"
#include "bus.h"
#include "bus_capture.h"
#include "bus_text.h"
#include "modbus_link.h"
#include "transport.h"

enum {
    QUEUE_CAP = 64,       /* commands that may wait */
    MISSES_TO_LOSS = 3,   /* transactions without an answer before a device counts as lost */
    OPENING_ATTEMPTS = 3, /* an opening command is sent this often before it has failed */
    DROP_WRITES_MAX = 2 * CHANNELS_MAX
};

/* Real-time pauses. */
#define DROP_RETRY_NS INT64_C(100000000)
#define PAUSE_FIRST_NS INT64_C(250000000)
#define PAUSE_LOAD_NS INT64_C(2000000000)
#define PAUSE_LONGEST_NS INT64_C(15000000000)
#define LISTEN_EVERY_NS INT64_C(20000000)
#define LISTEN_PATIENCE_NS INT64_C(10000000000)
#define NEVER_NS INT64_MAX

enum phase { PHASE_DOWN, PHASE_IDENTITY, PHASE_DROP, PHASE_WATCHDOG_WRITE, PHASE_WATCHDOG_READ, PHASE_UP };

/* A point's value from one transaction, in the map's unit. */
struct sample {
    int16_t point;
    enum quality quality;
    double value;
};

/* What became of one transaction. */
struct outcome {
    enum bus_error error;
    int exception;
    int64_t took_ns;           /* in process: as the peer says; else filled by the bus */
    int sent_bytes, got_bytes; /* on the wire, for the line's load */
    char *raw;                 /* TEXT_CAP bytes for what came, as it came; NULL: not wanted */
    int64_t said_ns;           /* a line said by the device itself: when; 0 otherwise */
    int sample_count;
    struct sample samples[POINTS_MAX];
};

/* Where a part of a buffer's samples goes, in the map's unit; NAN where one stands for no value. */
struct sample_row {
    double *values;
    int cap, got;
};

struct drop_write {
    int16_t point;
    double value;
};

struct device {
    struct bus_device setup;
    const struct device_map *map;
    const struct protocol *protocol;
    int64_t answer_ns; /* longest answer time, real */
    bool is_load;

    int signal_count;
    struct bus_signal *signals;

    bool wanted[POINTS_MAX]; /* points that are polled */
    bool split[POINTS_MAX];  /* points that must begin a request, as learnt */
    struct block_limits limits;
    int block_count;
    struct block *blocks;  /* point_count entries */
    int64_t *block_due_ns; /* bench time; on the grid of the timetable */
    int64_t cycle_began_ns, last_cycle_ns;

    int identity_count;
    struct block *identity;

    enum phase phase;
    int step;     /* within PHASE_IDENTITY or PHASE_DROP */
    bool trusted; /* identity seen on this connection */
    bool lost_reported;
    int misses;
    int64_t next_try_real_ns, pause_ns, last_try_real_ns;
    double latest[POINTS_MAX];     /* last good value in the map's unit, NAN */
    int64_t let_go_ns[POINTS_MAX]; /* latched peaks: when last let go, bench time; 0: not in this session */
    int clear_point;               /* takes the mark of a restart off; -1: the map has none */
    bool power_up_seen;            /* this connection began after a restart */
    bool mark_stands;              /* the mark is known and not taken off yet */
    bool mark_off;                 /* it may be: what it says is on record */
    int64_t mark_off_real_ns;      /* not before */
    double power_up;               /* count as last read, or bench time (s) of the start by its uptime; NAN */

    int drop_count;
    struct drop_write drops[DROP_WRITES_MAX];
    int drop_step;
    uint64_t drop_answers; /* count of the lease's drops that the list under way answers */
    uint64_t drop_failed;  /* count for which a failure was reported */
    uint64_t drop_mark;    /* silence in which a drop was sent already */
    int64_t drop_again_real_ns;

    int64_t beat_due_ns, last_beat_ns;
    int beats_run; /* acknowledged since the heartbeat began, up to BEATS_BEFORE_CLOSING */
    uint32_t beat_value;

    struct text_state *text;             /* text devices */
    bool heard;                          /* something said by the device itself fitted, on this connection */
    int64_t heard_real_ns;               /* when last; or when listening began */
    int64_t step_again_real_ns;          /* a step that waits for the device to speak */
    bool no_single_write, no_mask_write; /* functions that the device refused as unknown */
};

/* A protocol: how points are gathered into requests, read and written. Each call is one transaction (a bit field on a
 * device without mask writes: two) and fills the outcome; none of them blocks beyond the device's answer time. */
struct protocol {
    int (*plan)(const struct device *dev, const bool *wanted, struct block *blocks);
    void (*read)(struct bus *bus, struct device *dev, const struct block *block, struct outcome *out);
    void (*write)(struct bus *bus, struct device *dev, int point, double value, struct outcome *out);
    /* At most count samples of a block point, from number first on. */
    void (*samples)(struct bus *bus, struct device *dev, int point, int first, int count, struct sample_row *row,
                    struct outcome *out);
    /* A question of its own that tells who is there; NULL: none. */
    void (*identify)(struct bus *bus, struct device *dev, struct outcome *out);
    /* What the device said by itself; NULL: never. No samples: nothing came. */
    void (*listen)(struct bus *bus, struct device *dev, struct outcome *out);
};

extern const struct protocol modbus_protocol;
extern const struct protocol text_protocol;

enum job_kind {
    JOB_NONE,
    JOB_OPEN,
    JOB_DROP,
    JOB_COMMAND,
    JOB_BEAT,
    JOB_STEP,
    JOB_MARK,
    JOB_LISTEN,
    JOB_POLL,
    JOB_PROBE,
    JOB_CAPTURE
};

struct waiting {
    struct command command;
    int attempts;
    int64_t held_since_ns; /* a closing command waits for heartbeat and drop since then; 0: it does not */
};

struct job {
    enum job_kind kind;
    struct device *dev;
    int block;
    int64_t due_ns;
    bool in_silence;
    struct waiting waiting;     /* JOB_COMMAND */
    int64_t began_ns, ended_ns; /* bench time */
    int64_t began_real_ns;
};

struct bus {
    int index;
    struct bus_config config;
    struct bus_time time;
    struct bus_sink sink;
    struct peer peer;
    bool in_process;
    bool serial; /* no framing by the transport: gaps and silences count */
    int beacon_device, beacon_point;
    int channel_count;
    struct load_points *channels;
    int device_count;
    struct device *devices;

    struct transport *transport;
    struct modbus_link *modbus;
    bool connected;
    int64_t retry_real_ns, retry_pause_ns, last_open_real_ns;
    int64_t quiet_until_real_ns; /* silence after an error: only drops pass */
    uint64_t quiet_number;
    int64_t gap_until_real_ns; /* silence between frames: nothing passes */
    uint32_t random;

    bool parked; /* a transaction in process lasts until parked_until_ns */
    int64_t parked_until_ns;
    struct job job;
    struct outcome outcome;

    bool started;
    int64_t base_ns; /* begin of the timetable */
    int64_t began_real_ns;
    _Atomic int64_t watermark_ns;
    _Atomic int64_t deadline_real_ns; /* of the transaction under way; 0: none */

    int wake_fd;
    pthread_mutex_t queue_lock;
    int queue_count;
    struct waiting queue[QUEUE_CAP];
    int64_t held_try_ns; /* when to look again at closing commands that are held */
    _Atomic uint64_t commands_refused;

    atomic_bool probe_taken; /* one at a time, from asking to telling */
    _Atomic(struct probing *) probe_asked;
    struct probing *probing; /* the owner's */

    int capture_count;
    struct capturing *captures;

    pthread_mutex_t stats_lock;
    struct bus_stats stats;
};

/* bus.c */
int64_t bus_now(const struct bus *bus);
int64_t bus_real(const struct bus *bus);
int64_t bus_bench_of(const struct bus *bus, int64_t real_ns, int64_t now_ns, int64_t real_now_ns);
struct device *bus_device_find(const struct bus *bus, int device);
void bus_open(struct bus *bus);
void bus_log(const struct bus *bus, const char *format, ...) __attribute__((format(printf, 2, 3)));
void bus_withdraw_leases(struct bus *bus);
double bus_jitter(struct bus *bus);

/* bus_schedule.c: the job that is due first (by kind, then by time); returns its due time, NEVER_NS for none. */
int64_t bus_next_job(struct bus *bus, int64_t now_ns, struct job *job);

/* bus_device.c: connecting, losing, errors. */
bool device_must_hear(const struct device *dev);
int64_t device_listen_every_ns(const struct bus *bus, const struct device *dev);
void device_begin(struct bus *bus, struct device *dev);
void device_step(struct bus *bus, struct device *dev, struct outcome *out);
void device_step_done(struct bus *bus, struct job *job, struct outcome *out);
void device_lost(struct bus *bus, struct device *dev, const char *why);
void device_restarted(struct bus *bus, struct device *dev);
void bus_connection_lost(struct bus *bus, const char *why);
bool device_restart_seen(const struct bus *bus, const struct device *dev, double now);
void device_mark_run(struct bus *bus, struct device *dev, struct outcome *out);
void device_mark_done(struct bus *bus, struct device *dev, const struct outcome *out);
void device_aside_failed(struct bus *bus, const struct device *dev, const struct outcome *out);
bool device_transaction_failed(struct bus *bus, struct device *dev, const struct outcome *out);
const char *outcome_text(const struct outcome *out, char *text, size_t cap);

/* bus_poll.c: timetable and readings. */
int device_plan(struct device *dev);
void device_align(const struct bus *bus, struct device *dev, int64_t now_ns);
void bus_poll_done(struct bus *bus, struct job *job, struct outcome *out);
void bus_listen_done(struct bus *bus, struct job *job, struct outcome *out);
void bus_emit_lost(struct bus *bus, struct device *dev, int64_t now_ns);
double bus_refine(const struct bus *bus, const struct device *dev, const struct sample *s, enum quality *quality);
void device_remember(struct device *dev, const struct outcome *out);

/* bus_command.c: queue, writes, drops, acknowledgements. */
bool command_target(const struct bus *bus, const struct command *c, struct device **dev, int *point, double *value);
bool command_opens(const struct command *c);
int bus_queue_peek(struct bus *bus, bool opening);
bool bus_command_ready(struct bus *bus, struct job *job);
void bus_command_run(struct bus *bus, struct job *job, struct outcome *out);
void bus_command_done(struct bus *bus, struct job *job, struct outcome *out);
void bus_cancel(struct bus *bus, const struct device *dev, int channel, bool closing_only);
void bus_check_leases(struct bus *bus, int64_t now_ns);
void bus_drop_run(struct bus *bus, struct job *job, struct outcome *out);
void bus_drop_done(struct bus *bus, struct job *job, struct outcome *out);
bool bus_beat_ready(struct bus *bus, const struct job *job);
void bus_beat_run(struct bus *bus, struct job *job, struct outcome *out);
void bus_beat_done(struct bus *bus, struct job *job, struct outcome *out);
void bus_ack(struct bus *bus, const struct device *dev, uint64_t command, enum ack_kind kind, int64_t stamp_ns);
void device_plan_drops(const struct bus *bus, struct device *dev);

#endif
