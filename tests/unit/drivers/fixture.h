/* A bench of one bus for tests: a small load controller of our own making as a peer in process, a clock that is moved
 * by hand, and everything that the bus hands over, kept in order. */
#ifndef FIXTURE_H
#define FIXTURE_H

#include "bus.h"

enum { FIX_INPUTS = 20000, FIX_WRITES = 4000, FIX_REGISTERS = 200 };

/* What a fake device does with requests. */
enum fake_mood { FAKE_ANSWERS, FAKE_SILENT, FAKE_GARBLED, FAKE_WRONG_SERVER, FAKE_GONE, FAKE_REFUSES };

struct fake_write {
    int64_t at_ns;
    int server;
    int address;
    int value;
    bool coil;
};

struct fake_device {
    int server;
    enum fake_mood mood;
    int exception;       /* FAKE_REFUSES */
    int block_max;       /* longer reads are refused */
    int block_exception; /* ... with this */
    int hole;            /* a register that is not there; -1 none */
    bool single_writes, mask_writes;
    uint16_t registers[FIX_REGISTERS];
    uint8_t coils[FIX_REGISTERS];
};

struct fixture {
    int64_t now_ns;
    int64_t took_ns; /* of each exchange */
    struct fake_device fakes[4];
    int fake_count;
    int exchanges;
    int longest_read;
    int write_count;
    struct fake_write writes[FIX_WRITES];
    int input_count;
    struct input *inputs; /* seen_ns: when it was handed over */
    int refuse_inputs;    /* the sink refuses this many */
    bool refuse_identity;
    struct bus_identity identity;
    struct device_map maps[4];
    struct device_config configs[4];
    struct load_lease leases[4];
    struct bus_device devices[4];
    struct load_points channels[4];
    struct bus_signal signals[64];
    struct bus_config config;
    struct bus_setup setup;
    struct peer peer;
    struct bus *bus;
};

/* A load controller (server 1, device 0, map: a_steps at holding 40, b_steps 41, a_trigger coil 3, drop_all 50, beat
 * 51, watchdog 52, power_up input 5, identity input 0 = 77) with feedback inputs 10 and 11 as signals 0 and 1 and a
 * float at inputs 20-21 as signal 2, polled each 100 ms; channels 0 and 1. The clock begins at 1000 s. */
void fixture_init(struct fixture *f);

/* A meter (input registers 0 and 1 as the next two signals, polled each poll_ns) as the next device. */
struct fake_device *fixture_add_meter(struct fixture *f, int64_t poll_ns);

/* Make the bus; start over a descriptor when fd >= 0. */
void fixture_start(struct fixture *f, int fd);
void fixture_free(struct fixture *f);

/* Go by the real clock from now on (before fixture_start). */
void fixture_real_time(struct fixture *f);

/* Run a bus on the real clock for so long. Returns the longest time that one bus_run() took. */
int64_t fixture_run_real(struct fixture *f, int64_t ns);

/* Run the bus on the virtual clock until the time, stepping from due time to due time. */
void fixture_run_until(struct fixture *f, int64_t until_ns);
void fixture_run_for(struct fixture *f, int64_t ns);

/* Run until the device's last link input says so; false when it does not within 60 s. */
bool fixture_run_up(struct fixture *f, int device, bool up);

/* The load controller connected and its lease renewed for good; does it run now? */
void fixture_up(struct fixture *f);
bool fixture_lease_runs(struct fixture *f);

struct command fixture_command(enum command_kind kind, int channel);

/* Counting what happened. address -1: any. */
int count_writes(const struct fixture *f, int from, int address);
int count_acks(const struct fixture *f, enum ack_kind kind);
const struct input_ack *last_ack(const struct fixture *f, uint64_t command);
const struct input_link *last_link(const struct fixture *f, int device);
const struct reading *last_reading(const struct fixture *f, int signal, const struct input_readings **in);

/* Answers one Modbus request like the fake device of that server: for peers on a descriptor, too. */
int fake_answer(struct fake_device *fake, const uint8_t *pdu, size_t size, uint8_t *answer);

#define MS INT64_C(1000000)
#define SEC INT64_C(1000000000)

#endif
