/* Temperatures of each channel's unit with the load's on and off, kept beside the engine for the heat fits, and kept
 * again where a record is replayed. Belongs to one thread: fed with every input of readings, copied out when a job is
 * asked for. Bounded: when a channel's store is full, samples are thinned out by half (never those at a change of the
 * load) and the spacing doubles. */
#ifndef HEAT_SERIES_H
#define HEAT_SERIES_H

#include <stdint.h>

#include "bench.h"
#include "input.h"

enum { HEAT_SAMPLES_MAX = 1024 };

struct heat_sample {
    int64_t stamp_ns;
    double case_degc, exhaust_degc, intake_degc; /* the latest good ones; NAN before the first */
    unsigned char on;                            /* from this sample to the next */
};

struct heat_series;

/* For the channels of the bench, which must outlive it. NULL when memory is out. */
struct heat_series *heat_series_new(const struct bench *bench);
void heat_series_free(struct heat_series *series);

/* Take what the readings say of a unit's temperatures and its current. */
void heat_series_take(struct heat_series *series, const struct input_readings *in);

/* Copy the channel's samples from from_ns on into to, which holds HEAT_SAMPLES_MAX. Returns their number. */
int heat_series_copy(const struct heat_series *series, int channel, int64_t from_ns, struct heat_sample *to);

#endif
