/* What a bench was used for, counted from the record's events: time taken, hands needed, energy, contactor operations.
 */
#ifndef BENCH_USE_H
#define BENCH_USE_H

#include <stddef.h>
#include <stdint.h>

#include "bench.h"
#include "journal_read.h"

struct channel_use {
    char name[NAME_CAP];
    double held_s;    /* in any state but free */
    double hands_s;   /* rigging and setting: somebody stands at the bench */
    double on_load_s; /* current flowed, by the cycles on record */
    double load_j;    /* into the load, by each cycle's mean current and load voltage; setting is not counted */
    int64_t closings[STEPS_MAX]; /* of each step's contactor */
};

struct bench_use {
    size_t count, cap;
    struct channel_use *channels; /* in order of first appearance */
};

/* Counts the events that the filter lets through. Returns 0 or -1 with err; release with bench_use_free either way. */
int bench_use_load(struct journal_reader *r, const struct row_filter *filter, struct bench_use *use, struct error *err);
void bench_use_free(struct bench_use *use);

/* Of the contactor that closed most often. */
int64_t channel_use_most_closings(const struct channel_use *use);

#endif
