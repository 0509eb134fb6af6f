/* Small helpers of the virtual bench's tests: a bench from text, and a client that speaks plain PDUs. */
#ifndef VB_FIXTURE_H
#define VB_FIXTURE_H

#include "vbench.h"

#define SECOND INT64_C(1000000000)

/* A bench of one channel A on device "bank" (bus rack, server 1, steps of 0.1 and 0.2 ohm), started at time 0, with
 * the given unit and circuit in YAML flow style (without braces). Fails the test when the scenario is refused. */
struct vbench *one_channel(const char *unit, const char *circuit, const char *more);

/* Bench from a printf format. */
struct vbench *bench_from(const char *yaml);

int write_register(struct vbench *vb, int server, int address, int value); /* 0, or the exception code, or < 0 */
int write_coil(struct vbench *vb, int server, int address, bool on);
int read_words(struct vbench *vb, const char *bus, int server, int function, int address, int count, uint16_t *to);

/* Beats once a second up to the time given (s). */
void beat_until(struct vbench *vb, double until_s);

struct vbench_channel_state state_of(const struct vbench *vb, const char *channel);
const struct vbench_happening *happened(const struct vbench *vb, enum vbench_trip what);

enum { BEAT = 0, WATCHDOG = 1, DROP = 2, STEPS_A = 10, FAN = 0, TRIGGER_A = 8, TRIP_A = 9 };

#endif
