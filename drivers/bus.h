/* A bus: one serial line, one TCP connection, or one peer in process, with the devices on it. It has no thread of its
 * own: whoever owns it calls bus_run() when something is due. A thread each in the daemon; one loop over all of them on
 * the virtual clock.
 *
 *     while (going)
 *         wait until bus_next_due_ns(bus) or bus_wake_fd(bus) is readable; bus_run(bus);
 *
 * Each call does at most one thing, and lasts about one transaction's timeout at most. First of what is due:
 * latched drops, leases that ran out, opening commands, other commands, beats, the steps of connecting, then the polls
 * by a timetable of fixed phase. Only bus_post, bus_probe, bus_wake, bus_shutdown_overdue and bus_stats may be called
 * from other threads.
 *
 * A load device is connected in this order: identity read and compared; what it says about being virtual handed to the
 * sink, which may refuse it; drop-all written and confirmed, the first write of all; the watchdog's limit written and
 * read back; link up. Where the device marks a restart until the mark is taken off, that waits for BEAT_START, which
 * the engine sends after a proof of the watchdog: until then nobody can forget that there was none, whatever happens to
 * the daemon. A device that fails is asked again after a growing pause, and does not hold up the others. */
#ifndef BUS_H
#define BUS_H

#include <stdbool.h>
#include <stdint.h>

#include "bus_stats.h"
#include "command.h"
#include "device_map.h"
#include "error.h"
#include "input.h"
#include "lease.h"
#include "peer.h"
#include "probe_item.h"

struct bus;
struct transport;

/* The bench's clock: real, scaled or virtual. Stamps, timetable and lease are in it. Transport timeouts are real time
 * (of the monotonic clock), except on a bus in process, where all time is the bench's. */
struct bus_time {
    int64_t (*now_ns)(void *ctx);
    void *ctx;
    double rate; /* bench seconds in a real second; 0 counts as 1 */
};

/* What a device says about itself when it is connected. A figure that the map does not name is NAN. */
struct bus_identity {
    bool is_virtual;
    double rate;
    double epoch;    /* in the map's unit, as read */
    double power_up; /* as read; changes when the device restarted */
};

/* Where a bus puts what it finds. Called from within bus_run() only. readings, ack and link return 0 when taken; when
 * one is not (a queue is full) the bus counts it and withdraws the leases of its devices. */
struct bus_sink {
    int (*readings)(void *ctx, const struct input_readings *readings);
    /* Command 0: a drop. ACK_DROPPED when the device confirmed it, ACK_FAILED once when a first attempt failed (it is
     * repeated), ACK_LEASE_EXPIRED when a lease was found run out: a drop follows, with its own ACK_DROPPED. */
    int (*ack)(void *ctx, const struct input_ack *ack);
    int (*link)(void *ctx, const struct input_link *link);
    /* What became of a fast capture. NULL: nobody wants to know, captures are not made. */
    int (*capture)(void *ctx, const struct input_capture *capture);
    /* May this device be used? false with a reason in why (cap TEXT_CAP) leaves it down. NULL: any may. */
    bool (*identity)(void *ctx, int device, const struct bus_identity *identity, char *why);
    /* Turns what a sensor gave (base unit of the point's dimension: V, ohm, A) into its quantity, for points with a
     * sensor. cold_junction_degc is NAN when the point names none or it is not known. Returns 0, 1 when out of the
     * sensor's range (value kept), -1 when there is no value. NULL: such points are invalid. */
    int (*convert)(void *ctx, const struct map_point *point, double value, double cold_junction_degc,
                   double *converted);
    /* What bus_probe() asked for, as read; failure (NULL: none) says in a sentence why it could not be. May be NULL. */
    void (*probed)(void *ctx, uint64_t request, const struct probe_item *items, int count, const char *failure);
    /* Something worth a line in the log (port opened, device lost, block limit learnt). May be NULL. */
    void (*log)(void *ctx, const char *text);
    void *ctx;
};

struct bus_device {
    int index; /* in the bench's devices: used in commands and inputs */
    const struct device_config *config;
    const struct device_map *map; /* must outlive the bus */
    struct load_lease *lease;     /* load devices; NULL otherwise. Must outlive the bus */
    int64_t beat_ns;              /* interval of the heartbeat, bench time; 0: no heartbeat */
    int64_t watchdog_ns;          /* limit to write and read back when connecting; 0: leave it alone */
};

/* A signal that a point feeds: value = converted * gain + offset. */
struct bus_signal {
    int device; /* index in the bench's devices */
    int point;  /* index in the device's map */
    int signal; /* index in the bench's signals */
    double gain, offset;
};

struct bus_setup {
    int bus; /* index of this bus in the bench */
    const struct bus_config *config;
    int device_count;
    const struct bus_device *devices; /* those on this bus */
    int channel_count;
    const struct load_points *channels; /* of the whole bench, by number of the channel */
    int signal_count;
    const struct bus_signal *signals; /* those of other buses are skipped */
    int beacon_device, beacon_point;  /* "bench live" light; -1: none */
    struct bus_time time;
    struct bus_sink sink;
    const struct peer *peer;     /* BUS_IN_PROCESS; copied. NULL otherwise */
    int ready_fd;                /* -1; tests: a descriptor to use instead of opening one (taken over) */
    struct transport *transport; /* NULL; tests: used instead of one by the configuration (taken over) */
    uint32_t seed;               /* of the jitter in the pauses between attempts */
};

/* Copies the setup (maps and leases by reference). NULL with err when it cannot work: a point missing, an address that
 * is not numeric, an unknown baud rate. Opens nothing. */
struct bus *bus_new(const struct bus_setup *setup, struct error *err);

/* Closes the connection. Does not write to any device: drop first (bus_drop_now) where that matters. */
void bus_free(struct bus *bus);

/* When bus_run() next has something to do, in bench time; may lie in the past. Owner only. */
int64_t bus_next_due_ns(struct bus *bus);

/* Do the first thing that is due, if any. Owner only. */
void bus_run(struct bus *bus);

/* On the way out: write drop-all to every load device that is connected, waiting for each answer. Owner only.
 * Returns the number of devices that did not confirm. */
int bus_drop_now(struct bus *bus);

/* Is a command's target on this bus? Any thread. */
bool bus_takes(const struct bus *bus, const struct command *command);

/* Queue a command (STEPS, OPEN, TRIGGER, SUPPLY, FAN, BEACON, SETPOINT by their channel; BEAT_STOP, BEAT_START by their
 * device, the stamp of a stop being the end of the last beat) and wake the bus. A setpoint replaces one that
 * still waits for the same channel, without an acknowledgement for the one replaced. Every other command is answered
 * by an input_ack, done or failed. OPEN, and release of the trigger, overtake and cancel whatever waits to close the
 * same. Returns 0; -1 when the queue is full or the command has no target here: it is refused, and when full the
 * leases of this bus's devices are withdrawn. Any thread. */
int bus_post(struct bus *bus, const struct command *command);

/* Read every readable point of a device once, beside the bus's own work: nothing is written, questions go into the gaps
 * of the timetable, and what is not answered does not count against the device. Within 8 s, what there is goes to the
 * sink's probed. Returns 0, or -1 with err (one probe at a time on a bus). Any thread. */
int bus_probe(struct bus *bus, int device, uint64_t request, struct error *err);

/* Make bus_wake_fd() readable: after lease_drop(), lease_beat_start(), lease_withdraw(). Any thread. */
void bus_wake(struct bus *bus);

/* An eventfd, readable after bus_post and bus_wake until the next bus_run. Owned by the bus. */
int bus_wake_fd(const struct bus *bus);

/* The connection's descriptor when a device on this bus talks by itself and is to be listened to (wait for POLLIN
 * beside the wake descriptor), else -1. Owner only. */
int bus_listen_fd(const struct bus *bus);

/* Stop mark of the last completed transaction or declared loss, bench time: nothing older will come from this bus. */
int64_t bus_watermark_ns(const struct bus *bus);

/* For a supervisor: shut the connection down when a transaction is overdue by more than grace_ns (real time). Returns
 * true when it did. Any thread. */
bool bus_shutdown_overdue(struct bus *bus, int64_t grace_ns);

/* Copy of all figures. Any thread. */
void bus_stats(struct bus *bus, struct bus_stats *stats);

#endif
