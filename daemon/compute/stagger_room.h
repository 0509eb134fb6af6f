/* What bank and circuits carry with some runs in their places: the arithmetic under stagger_plan.h, for its files only.
 * Demand can only rise where an on-load part begins, so it is kept for those moments alone. */
#ifndef STAGGER_ROOM_H
#define STAGGER_ROOM_H

#include "stagger_job.h"

/* A cycle that divides the longest one in more parts than this is taken as on-load throughout. */
enum { STAGGER_BEGINS_MAX = 4, STAGGER_POINTS_MAX = CHANNELS_MAX * STAGGER_BEGINS_MAX };

/* What of a run matters for a place, against the longest cycle. */
struct stagger_part {
    int64_t cycle_ms, on_ms, power_mw, supply_ma;
    int32_t circuit; /* -1: none that has a limit */
    int32_t begins;  /* in the longest cycle */
};

/* peak_mw stays 0 where the bank has no limit. */
struct stagger_cost {
    int64_t peak_mw, circuits_ma, wait_ms;
};

/* A begin of a placed run, and what is carried from it on. */
struct stagger_point {
    int64_t at_ms, mw, ma;        /* ma: on the circuit of its run */
    int32_t item, on, on_circuit; /* how many are on-load */
};

struct stagger_room {
    const struct stagger_job *job;
    int64_t period_ms; /* longest cycle */
    struct stagger_part parts[CHANNELS_MAX];
    int32_t point_count;
    struct stagger_point points[STAGGER_POINTS_MAX];
    int64_t offset_ms[CHANNELS_MAX];
    bool in[CHANNELS_MAX];
    int64_t circuit_ma[CIRCUITS_MAX]; /* peaks */
    struct stagger_cost cost;
};

/* Empty, with the parts of all the job's runs. */
void stagger_room_init(struct stagger_room *r, const struct stagger_job *job);

/* Puts a run into its place, whatever the limits. */
void stagger_room_put(struct stagger_room *r, int item, int64_t offset_ms);

/* Takes it out. */
void stagger_room_take(struct stagger_room *r, int item);

/* Would it be within the limits there? Then cost is what all would cost with it. */
bool stagger_room_try(const struct stagger_room *r, int item, int64_t offset_ms, struct stagger_cost *cost);

/* Is there room for its heat, in the mean over a cycle, beside those that are in? Places do not matter for it. */
bool stagger_room_bears(const struct stagger_room *r, int item);

/* Below zero: a is less. */
int stagger_cost_compare(const struct stagger_cost *a, const struct stagger_cost *b);

/* How much a run would share its on-load time with others that take from the same bank or circuit, if these have
 * limits: time by product of what they take. */
double stagger_room_crowd(const struct stagger_room *r, int item, int64_t offset_ms);

/* The end of a placed run's on-load part, as a begin for another. begin: which of its begins. */
int64_t stagger_room_end(const struct stagger_room *r, int placed, int begin, int item);

#endif
