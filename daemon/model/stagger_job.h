/* Which runs are to share the bank and the supply circuits, and when their cycles begin: the question (a job for the
 * worker, by value) and the answer. Whole numbers throughout, so that the same question gives the same answer on every
 * machine. */
#ifndef STAGGER_JOB_H
#define STAGGER_JOB_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"

enum stagger_kind {
    STAGGER_FIXED, /* under way: its cycles begin where they do, nothing moves them */
    STAGGER_ONCE,  /* asked for, a single on-load part: as soon as there is room */
    STAGGER_CYCLES /* asked for, cycle after cycle: where the peak is lowest */
};

struct stagger_item {
    enum stagger_kind kind;
    int32_t channel;   /* whose it is; a plan does not look at it */
    int32_t circuit;   /* -1: none */
    int64_t cycle_ms;  /* from begin to begin */
    int64_t on_ms;     /* longest on-load part; the cycle or longer: on-load throughout */
    int64_t power_mw;  /* in the bank */
    int64_t supply_ma; /* from the circuit; 0: not known, or none */
    int64_t offset_ms; /* STAGGER_FIXED: a begin of its cycle, counted from the job's zero */
};

/* 0: no limit. What is alone in the bank or on its circuit may exceed them: it was looked at by itself. */
struct stagger_limits {
    int64_t bank_mw;      /* at any time */
    int64_t bank_mean_mw; /* over a cycle: heat that bank and room are rid of */
    int32_t circuit_count;
    int64_t circuit_ma[CIRCUITS_MAX]; /* rated current of the breaker, at any time and as the square's mean */
};

struct stagger_job {
    struct stagger_limits limits;
    int32_t count;
    struct stagger_item items[CHANNELS_MAX]; /* those asked for in the order of asking */
};

struct stagger_place {
    bool placed;
    int32_t turn;      /* not placed: waits as number 1, 2 ... */
    int64_t offset_ms; /* placed: when its cycles begin, 0 up to less than a cycle from the job's zero */
};

struct stagger_plan {
    struct stagger_place places[CHANNELS_MAX]; /* of the job's items */
    int32_t waiting;                           /* how many are not placed */
    bool exact;                                /* no other places give a lower peak */
    int64_t peak_mw, bound_mw;                 /* of what is placed; no plan can come below the bound */
    int64_t together_mw;                       /* peak if what is placed all began at zero */
    int64_t circuit_ma[CIRCUITS_MAX], together_ma[CIRCUITS_MAX];
};

/* input_worker.values of JOB_STAGGER: one for each channel, then these. A channel's value is its offset in ms; below
 * zero it waits, -1 as the first; NAN: it was not asked about. */
enum stagger_value {
    STAGGER_VALUE_PEAK_W = CHANNELS_MAX,
    STAGGER_VALUE_BOUND_W,
    STAGGER_VALUE_TOGETHER_W,
    STAGGER_VALUE_EXACT,
    STAGGER_VALUE_COUNT_
};

#endif
