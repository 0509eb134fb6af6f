/* From the readings of one signal to stretches of time with "inside the range", "outside" or "not known": straight
 * lines between readings, crossing of limits with hysteresis. A slow meter's repeated value is one reading; bad
 * readings and gaps are not known and widen the bounds. A stretch may be cut anywhere by how readings are batched: sums
 * are the same. Fixed size, no allocation. Verdict path: + - * / sqrt and comparison only. */
#ifndef CROSSING_H
#define CROSSING_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "error.h"
#include "signals.h"

/* Time of a meter's own that hides when something happened. */
struct meter_timing {
    int64_t refresh_ns;   /* interval between new values; 0: each reading is new */
    int64_t averaging_ns; /* window that a value is the mean of */
    int64_t damping_ns;   /* time constant of a filter */
};

/* A range with hysteresis: entered when enter_low <= value <= enter_high, left when value < leave_low or > leave_high.
 * Between, the earlier answer holds, and is not known when there is none. "At or above" has both high limits at
 * RANGE_OPEN. */
struct range {
    double enter_low, leave_low;   /* leave_low <= enter_low */
    double enter_high, leave_high; /* enter_high <= leave_high */
};

#define RANGE_OPEN 1e300

/* What is known about a stretch of time, as bits. Inside for sure has all three; outside for sure none. AND of two
 * signals' bits is what is known about "both inside". */
enum {
    INSIDE_SURE = 1,  /* counts for the lower bound */
    INSIDE_BEST = 2,  /* counts for the best estimate, by the straight line between readings */
    INSIDE_MAYBE = 4, /* counts for the upper bound */
    INSIDE_UNSEEN = 8 /* a gap or bad readings, not just a crossing between two readings */
};
enum { INSIDE = INSIDE_SURE | INSIDE_BEST | INSIDE_MAYBE, OUTSIDE = 0 };

struct stretch {
    int64_t from_ns, to_ns; /* from < to */
    unsigned known;         /* bits above */
};

enum { STRETCHES_PER_READING = 2 };

/* Where an on/off change lies, given the last reading before it and the first after it: the meter's refresh, averaging
 * and damping and half the length of both transactions widen it. */
struct edge {
    int64_t earliest_ns, latest_ns;
    int64_t at_ns;         /* middle */
    int64_t half_width_ns; /* at_ns +/- this is the whole of it: a limit of error, not a standard uncertainty */
};

enum range_state { RANGE_UNKNOWN, RANGE_OUTSIDE, RANGE_INSIDE };

/* Opaque by convention: read it through the functions below only. */
struct crossing {
    struct range range;
    struct meter_timing timing;
    int64_t gap_ns;
    bool has_point; /* a good reading that a line may start from */
    int64_t point_ns, point_half_ns;
    double point_value;
    int64_t seen_ns; /* latest stamp, of whatever quality */
    int64_t done_ns; /* stretches have been given out up to here */
    enum range_state state;
    int64_t out_of_order;
};

/* Begins at begin_ns; time from there to the first reading is unseen. gap_ns: two good readings further apart than this
 * leave the time between unseen (it should be above the refresh interval plus a poll; 0: no limit). Returns 0, or -1
 * with err when limits are not in order or not numbers. */
int crossing_begin(struct crossing *c, const struct range *range, const struct meter_timing *timing, int64_t gap_ns,
                   int64_t begin_ns, struct error *err);

/* Takes the next reading (stamps must rise; one that does not is counted and dropped). Writes up to
 * STRETCHES_PER_READING stretches, in order, that follow on the earlier ones and end at this reading, and returns how
 * many: none for a repeated value of a slow meter, whose stretch comes with the next new value. A good reading that is
 * not a finite number counts as bad. */
int crossing_feed(struct crossing *c, int64_t stamp_ns, int64_t half_width_ns, double value, enum quality quality,
                  struct stretch out[STRETCHES_PER_READING]);

enum range_state crossing_state(const struct crossing *c);
int64_t crossing_out_of_order(const struct crossing *c);

/* Stretches have been given out up to here. */
int64_t crossing_known_ns(const struct crossing *c);

/* Locates a change between the reading before (stamp, half width) and the reading after it. A value shown at the
 * reading before may be `refresh` old, and shows a change only when the averaging window and the damping let it: the
 * change lies between (before - half - refresh - averaging - lag) and (after + half). ratio: level before over the
 * limit that tells on from off (above 1); the lag of a first-order filter, damping * ln(ratio), is bounded from above
 * without a logarithm by ln x <= 4 (r - 1) / sqrt(r), r = x^(1/4). */
struct edge edge_locate(const struct meter_timing *timing, int64_t before_ns, int64_t before_half_ns, int64_t after_ns,
                        int64_t after_half_ns, double ratio);

/* The usual ranges. */
struct range range_at_least(double enter, double leave);
struct range range_band(double low, double high, double hysteresis); /* entered hysteresis inside of the limits */

struct meter_timing meter_timing_of(const struct bench_signal *signal);

#endif
