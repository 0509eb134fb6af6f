/* Faults of a line, made on purpose and repeatable by a seed, in front of any transport. For trying what a driver and
 * everything above it do about them; nothing in the daemon's configuration leads here. */
#ifndef FAULT_LAYER_H
#define FAULT_LAYER_H

#include <stdatomic.h>

#include "transport.h"

enum fault_kind {
    FAULT_DROP,         /* what was said does not arrive */
    FAULT_DELAY,        /* ... comes late, by up to delay_ns */
    FAULT_DUPLICATE,    /* ... comes twice */
    FAULT_TRUNCATE,     /* ... loses its end */
    FAULT_FLIP,         /* one to three bits are wrong */
    FAULT_NOISE_BEFORE, /* one to eight bytes of noise ahead of it */
    FAULT_NOISE_AFTER,
    FAULT_SPLIT,   /* byte by byte, with pauses */
    FAULT_HANG_UP, /* the connection breaks */
    FAULT_KINDS
};

const char *fault_kind_name(enum fault_kind kind);

/* How often each was done. Owned by the caller; outlives the transport. */
struct fault_log {
    _Atomic uint64_t done[FAULT_KINDS];
    _Atomic uint64_t passed; /* untouched */
};

struct fault_plan {
    uint32_t seed;
    unsigned share_pct;           /* of all that passes */
    unsigned weight[FAULT_KINDS]; /* of each kind among the faults; all 0: alike */
    int64_t delay_ns;
    /* Where no checksum guards the content, a changed bit in it is a value like any other and nobody can tell: Modbus
     * TCP and text leave that to what carries them. So flips can be kept to the first bytes, and to certain bits. */
    int flip_bytes;    /* 0: anywhere */
    uint8_t flip_bits; /* 0: any bit */
    /* Requests too: drops, truncation, flips and hang-ups. A device that took half a request, or one twice, is what
     * both sides of a line have to live with; without a transaction number a request heard twice is answered twice. */
    bool to_device;
    struct fault_log *log; /* NULL: not counted */
};

/* A transport with faults over inner, which is taken over (freed when this fails). NULL when out of memory. */
struct transport *fault_layer_over(struct transport *inner, const struct fault_plan *plan);

#endif
