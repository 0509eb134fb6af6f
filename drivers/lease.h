/* The lease of a load device: the few words that the engine's thread and the bus's thread share without a queue.
 *
 * Drop is a latch: asked for at once by any thread, never queued, never full, cleared only by a write that the device
 * confirmed. The heartbeat goes on only while the lease runs: the bus tests it just before each beat. A lease that ran
 * out (or was withdrawn) makes the bus write drop-all and stays run out, renewals or not, until lease_beat_start().
 * Before its first renewal a lease is dormant: no beat goes out, and nothing has run out either. */
#ifndef LEASE_H
#define LEASE_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

struct load_lease {
    _Atomic int64_t until_ns;    /* bench clock; 0: dormant */
    _Atomic uint64_t drop_asked; /* counts up with each lease_drop() */
    _Atomic uint64_t drop_done;  /* the count that the last confirmed drop-all answers */
    _Atomic bool beat_stopped;   /* no beats, reads go on: the controller's own watchdog shall act */
    _Atomic bool withdrawn;      /* taken back before its time */
    _Atomic bool expired;        /* set by the bus when it found the lease run out and dropped */
};

/* Dormant, nothing latched. */
void lease_init(struct load_lease *lease);

/* The heartbeat may go on until until_ns (bench clock). No effect on a lease that ran out or was withdrawn. */
void lease_renew(struct load_lease *lease, int64_t until_ns);

/* End the lease now: the bus drops the load and beats no more. For a queue that overflowed, a journal that failed. */
void lease_withdraw(struct load_lease *lease);

/* Latch a drop. Wake the bus afterwards (bus_wake) so that it goes out at once. */
void lease_drop(struct load_lease *lease);

/* True from lease_drop() until a drop-all sent after it was confirmed by the device. */
bool lease_drop_pending(const struct load_lease *lease);

/* Stop the beat while reads go on; and begin again after a proof or a reset (clears expired and withdrawn; the next
 * beat needs a lease that runs). */
void lease_beat_stop(struct load_lease *lease);
void lease_beat_start(struct load_lease *lease);

enum lease_state {
    LEASE_DORMANT, /* never renewed */
    LEASE_RUNS,
    LEASE_STOPPED, /* beat stopped on request */
    LEASE_RUN_OUT  /* time over or withdrawn */
};

/* What the bus does about its next beat. Any thread. */
enum lease_state lease_state(const struct load_lease *lease, int64_t now_ns);

/* For the bus: the lease was found run out and the load was dropped. */
void lease_mark_expired(struct load_lease *lease);

#endif
