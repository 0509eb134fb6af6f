/* The virtual bench: load bank, units, supply circuits, meters and their faults, simulated from a scenario file
 * (docs/virtual-bench.md). It shares no code with the daemon or the drivers but the bounds of capacity.h: its own
 * encoders, physics, Modbus server and scenario reader, so that a mistake cannot agree with itself.
 *
 * Time is the bench clock in nanoseconds. The first vbench_advance() (or vbench_start()) sets the moment that the
 * scenario counts from. Everything that happens lies on instants that the scenario and the requests define, so the
 * same seed and the same requests at the same times give the same bytes, however finely the clock is advanced.
 * One thread at a time. */
#ifndef VBENCH_H
#define VBENCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "capacity.h"

struct vbench;

struct vbench_error {
    char text[512]; /* "line 12: ..." */
};

/* What vbench_exchange() and vbench_text() return. */
enum {
    VBENCH_OK = 0,
    VBENCH_NO_ANSWER = -1,    /* nothing within the caller's patience: *took_ns is how long the device stays silent */
    VBENCH_GARBLED = -2,      /* something arrived that is no valid frame (CRC, truncated, noise) */
    VBENCH_WRONG_SERVER = -3, /* a valid frame of another server arrived */
    VBENCH_GONE = -4,         /* the adapter or connection is gone */
    VBENCH_BAD_CALL = -5      /* no such bus, bus of another kind, or the answer does not fit */
};

/* Makes a bench from a scenario: the path of a YAML file, or the YAML text itself (anything with a line feed in it).
 * Returns NULL with the reason in err (which may be NULL). The caller frees it with vbench_free(). */
struct vbench *vbench_new(const char *scenario, struct vbench_error *err);
void vbench_free(struct vbench *vb);

/* Sets the bench-clock time that is the scenario's time 0. Later calls, and calls after the first advance, change
 * nothing. */
void vbench_start(struct vbench *vb, int64_t now_ns);

/* Lets time pass up to now_ns. A time in the past does nothing. */
void vbench_advance(struct vbench *vb, int64_t now_ns);

/* One Modbus transaction with a server on a bus, at the time of the last advance: pdu in (function code first, no
 * address, no CRC), answer out (exceptions included). took_ns: time on the line and in the device. */
int vbench_exchange(struct vbench *vb, const char *bus, int server, const uint8_t *pdu, size_t pdu_size,
                    uint8_t *answer, size_t cap, size_t *answer_size, int64_t *took_ns);

/* One line to a text device, without its line end, and its reply (without line end; "" when it gives none). */
int vbench_text(struct vbench *vb, const char *bus, const char *line, char *reply, size_t cap, int64_t *took_ns);

/* The next line that a device which talks by itself has sent since it was last asked: 1 with the line and the bench
 * time at which it was sent, 0 when there is none, VBENCH_BAD_CALL for another kind of bus. */
int vbench_listen(struct vbench *vb, const char *bus, char *line, size_t cap, int64_t *sent_ns);

/* The same in the shape of a plain function-pointer peer: ctx is a struct vbench_port. */
struct vbench_port {
    struct vbench *vb;
    char bus[NAME_CAP];
};
int vbench_port_exchange(void *ctx, int server, const uint8_t *pdu, size_t pdu_size, uint8_t *answer, size_t cap,
                         size_t *answer_size, int64_t *took_ns);
int vbench_port_text(void *ctx, const char *line, char *reply, size_t cap, int64_t *took_ns);
int vbench_port_listen(void *ctx, char *line, size_t cap, int64_t *said_ns);

/* --- what is true inside, for tests ------------------------------------------------------------------------------ */

enum vbench_trip {
    VBENCH_TRIP_NONE,
    VBENCH_TRIP_CUTOUT,       /* the unit's thermal cut-out */
    VBENCH_TRIP_BREAKER,      /* supply breaker, thermal */
    VBENCH_TRIP_BREAKER_FAST, /* supply breaker, instantaneous */
    VBENCH_TRIP_OUTAGE,
    VBENCH_TRIP_LEAD_OPEN,
    VBENCH_TRIP_LEAD_SHORT,
    VBENCH_TRIP_UNDERVOLTAGE,
    VBENCH_TRIP_ANTI_STICK,
    VBENCH_TRIP_ARC_LOSS,
    VBENCH_TRIP_UNIT_FAULT,
    VBENCH_TRIP_SWITCHED_OFF,
    VBENCH_TRIP_ENGINE,
    VBENCH_TRIP_WATCHDOG,
    VBENCH_TRIP_ESTOP,
    VBENCH_TRIP_BANK_HOT,    /* the bank's own hard-wired thermostat */
    VBENCH_TRIP_SUPPLY_TRIP, /* the second means was used */
    VBENCH_TRIP_SLEEP,
    VBENCH_TRIP_COUNT_
};

const char *vbench_trip_name(enum vbench_trip trip);

/* One thing that happened, with the channel (-1: the whole bench) and the scenario time in ns. */
struct vbench_happening {
    int64_t at_ns;
    enum vbench_trip what;
    int channel;
};

struct vbench_channel_state {
    char name[NAME_CAP];
    double i2_a, u2_v, u_bank_v; /* true values at this instant */
    double u1_v, i1_a, p1_w;     /* at the unit's plug */
    double t_a_degc, t_b_degc;   /* the unit's two nodes: hot part, case */
    double t_exhaust_degc, t_lead_degc;
    double load_ohm; /* closed steps as they are now; INFINITY: open */
    unsigned command_mask, closed_mask;
    double remote_v;      /* at the input of the unit's remote control */
    unsigned operations;  /* contactor operations since the start */
    unsigned broken_live; /* of these, openings under current */
    bool cut_out, lamp, output_on, supply_open, unit_fault;
    enum vbench_trip last_trip;
    int64_t last_trip_ns; /* scenario time; -1: none */
};

int vbench_channel_find(const struct vbench *vb, const char *name);
int vbench_channel_count(const struct vbench *vb);
bool vbench_channel(const struct vbench *vb, int channel, struct vbench_channel_state *state);

/* Any probe of docs/virtual-bench.md by name ("A.i2", "c1.u1", "bank.t_bank"), its true value now; NAN: unknown. */
double vbench_probe(const struct vbench *vb, const char *probe);

/* The scenario time reached, its epoch (s UTC) and rate. */
int64_t vbench_elapsed_ns(const struct vbench *vb);
int64_t vbench_epoch_s(const struct vbench *vb);
double vbench_rate(const struct vbench *vb);
void vbench_set_rate(struct vbench *vb, double rate);

/* What tripped, in order, oldest first; at most the last 256 are kept. Returns how many there are. */
size_t vbench_happenings(const struct vbench *vb, struct vbench_happening *to, size_t cap);

/* Does one thing of the scenario's `events:` list now, given as YAML flow text: "{do: weld, channel: A, step: 2}".
 * Returns 0, or -1 with the reason. */
int vbench_do(struct vbench *vb, const char *event, struct vbench_error *err);

/* A digest of the whole state (64 bits), to compare two runs to the bit. */
uint64_t vbench_digest(const struct vbench *vb);

#endif
