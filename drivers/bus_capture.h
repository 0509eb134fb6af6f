/* Inside of a bus: buffers of fast samples that a device keeps around an event. Armed when the engine says so, looked
 * at each second, read in pieces when the engine asks for it: always last of all that is due, and never just before
 * something else. Owner of the bus only. */
#ifndef BUS_CAPTURE_H
#define BUS_CAPTURE_H

#include <stdbool.h>
#include <stdint.h>

#include "bus.h"

struct device;
struct job;
struct outcome;

/* One for each channel whose capture is on this bus. Returns 0, or -1 with err. */
int bus_captures_plan(struct bus *bus, const struct bus_setup *setup, struct error *err);
void bus_captures_free(struct bus *bus);

/* COMMAND_CAPTURE: is it for this bus, and what it asks for. */
struct device *bus_capture_device(const struct bus *bus, int channel);
void bus_capture_order(struct bus *bus, const struct command *command);

/* Devices that were lost meanwhile, events that never came. */
void bus_captures_tick(struct bus *bus);

/* When capture number i wants its next transaction, bench time, and since when its work has been waiting, real time;
 * NEVER_NS: nothing is to be done. */
int64_t bus_capture_due_ns(const struct bus *bus, int i, struct device **dev, int64_t *since_real_ns);

void bus_capture_run(struct bus *bus, struct job *job, struct outcome *out);
void bus_capture_done(struct bus *bus, struct job *job, struct outcome *out);

#endif
