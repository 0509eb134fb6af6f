/* One bus of the bench, set up from the configuration, with its queue to the engine. The bus itself (drivers/bus.h) has
 * no thread; the daemon gives each one its own, the virtual bench steps them all in its loop.
 *
 * When the queue to the engine is full an input is refused and counted; the bus then withdraws the leases of its
 * devices, and the engine is told how many inputs were lost. */
#ifndef BUS_STAGE_H
#define BUS_STAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "bench_clock.h"
#include "bus.h"
#include "config.h"
#include "error.h"
#include "lease.h"
#include "log.h"
#include "peer.h"
#include "queue.h"

struct bus_stage_setup {
    const struct config *config; /* must outlive the stage */
    int bus;                     /* index */
    const struct bench_clock *clock;
    struct log *log;
    struct load_lease *leases; /* DEVICES_MAX of them, by device; only those of load devices are used */
    struct queue *to_engine;   /* type: input_kind */
    /* What a probe found, see bus_probe(); from the bus's own thread. May be NULL. */
    void (*probed)(void *ctx, uint64_t request, const struct probe_item *items, int count, const char *failure);
    void *probed_ctx;
    const struct peer *peer; /* in-process bus in place of what the configuration says; NULL: as configured */
};

struct bus_stage;

/* NULL with err when the bus cannot work as configured. Opens nothing yet. */
struct bus_stage *bus_stage_new(const struct bus_stage_setup *setup, struct error *err);
void bus_stage_free(struct bus_stage *stage);

/* The bus, for running, posting and figures by the rules of bus.h. */
struct bus *bus_stage_bus(struct bus_stage *stage);

#endif
