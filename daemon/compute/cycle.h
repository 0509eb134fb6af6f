/* One cycle of a run, from the stream of readings of I2 and U2: four times kept apart (commanded, conducting, at or
 * above rated current less the meter's uncertainty, inside the test-condition band of current and voltage), each with a
 * lower and an upper bound, and the moments at which conduction began and ended. Batching of readings, and which of the
 * two signals comes first, change nothing to the bit as long as the two are no further apart than CYCLE_PENDING / 2
 * readings. Fixed size, no allocation, no clock. Verdict path: + - * / sqrt and comparison only. */
#ifndef CYCLE_H
#define CYCLE_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "crossing.h"
#include "error.h"
#include "rating.h"

enum cycle_signal { CYCLE_I2, CYCLE_U2, CYCLE_SIGNALS_ };
enum { CYCLE_PENDING = 128 };

struct cycle_setup {
    struct range conducting;   /* A */
    struct range at_rated;     /* A */
    struct range band_current; /* A */
    struct range band_voltage; /* V */
    double rated_a;
    struct meter_timing timing[CYCLE_SIGNALS_];
    int64_t gap_ns[CYCLE_SIGNALS_];
    int64_t settle_ns; /* after conduction begins, this long is kept out of the band (hot start, up-slope); heat counts
                          it */
};

/* A duration with its bounds. low <= best <= high. */
struct bounded_time {
    int64_t low_ns, best_ns, high_ns;
};

/* Time-weighted mean and extremes of a series while something holds. */
struct series_mean {
    double mean, min, max; /* NAN when nothing was seen */
    int64_t over_ns;
};

struct cycle_figures {
    struct bounded_time commanded, conducting, at_rated, in_band;
    int64_t unseen_ns; /* part of the cycle in which I2 was not seen */
    bool began, ended; /* conduction was seen to begin, to end (the last end in the cycle) */
    struct edge begin, end;
    int ends; /* how often conduction ended: above 1 it was interrupted */
    struct edge first_end;
    struct series_mean current_a; /* while conducting, after settling */
    struct series_mean voltage_v; /* same */
    int64_t known_ns;             /* both signals are known up to here */
    bool overflowed; /* the signals drifted further apart than can be held: the band's bounds were widened */
};

struct cycle;

/* Ranges from a rating point, the bench's limits and the meters. i2_uncertainty_a: expanded uncertainty of the current
 * meter at the rated current: at-rated is entered a quarter of it above (rated - uncertainty), left below that level,
 * so that nothing below the level is ever counted. Conducting: above 5 % of rated, left below 3 %. The band is
 * +band_high_pct/-band_low_pct. load_voltage_v is U2 of the point (load_point_find). Returns 0 or -1 with err. */
int cycle_setup_for(const struct rating_point *point, double load_voltage_v, double i2_uncertainty_a,
                    const struct bench_limits *limits, const struct bench_signal *i2, const struct bench_signal *u2,
                    struct cycle_setup *setup, struct error *err);

/* Begins a cycle at begin_ns. Returns 0 or -1 with err (a range out of order). */
int cycle_begin(struct cycle *c, const struct cycle_setup *setup, int64_t begin_ns, struct error *err);

/* Begins the cycle that follows at begin_ns, taking over from `previous` the last readings and states, so that the time
 * from the last reading before begin_ns is not lost. `previous` may go on to be fed. */
void cycle_begin_after(struct cycle *c, const struct cycle *previous, int64_t begin_ns);

/* The cycle is over at end_ns: nothing after it counts. To be called when it ends, before readings with later stamps.
 */
void cycle_end(struct cycle *c, int64_t end_ns);

/* A load command took effect (by feedback or by the moment on the wire): on or off at at_ns +/- half_width_ns. In order
 * of time; repeating a state changes nothing. */
void cycle_command(struct cycle *c, int64_t at_ns, int64_t half_width_ns, bool on);

/* A reading of I2 in A or U2 in V. Stamps of a signal must rise; others are counted as dropped. */
void cycle_feed(struct cycle *c, enum cycle_signal signal, int64_t stamp_ns, int64_t half_width_ns, double value,
                enum quality quality);

/* Figures as known up to upto_ns (or the end of the cycle, whichever is first). Time between the last reading and
 * upto_ns is unseen: lower bounds leave it out, upper bounds count it. Changes nothing. */
void cycle_figures(const struct cycle *c, int64_t upto_ns, struct cycle_figures *figures);

/* Both signals have readings (of whatever quality) up to this stamp; INT64_MIN before the first. */
int64_t cycle_known_ns(const struct cycle *c);

/* Is current flowing, by the last reading? */
enum range_state cycle_conducting(const struct cycle *c);

/* Percent of a cycle, 100 * on / cycle_ns; NAN when the cycle has no length. */
double percent_on_of(int64_t on_ns, int64_t cycle_ns);

/* The accumulator itself, so that it can lie inside other structures. Members are not for reading. */
struct cycle_sum {
    int64_t low_ns, best_ns, high_ns, unseen_ns;
};

struct cycle_piece {
    struct stretch stretch;
    bool flowing; /* I2: current flowed for sure, after settling */
    bool line;    /* a straight line from value_from to value_to; else unseen */
    double value_from, value_to;
};

struct cycle_pending {
    struct cycle_piece items[CYCLE_PENDING];
    int first, count;
};

struct cycle_mean {
    double weighted; /* value times ns */
    int64_t over_ns;
    double min, max;
};

struct cycle_mark {
    bool any;
    int64_t at_ns, half_ns;
};

struct cycle {
    struct cycle_setup setup;
    int64_t begin_ns, end_ns;
    struct crossing conducting, at_rated, band[CYCLE_SIGNALS_];
    struct cycle_sum sum_conducting, sum_at_rated, sum_band, sum_commanded;
    struct cycle_pending pending[CYCLE_SIGNALS_];
    int64_t joined_ns; /* the band is summed up to here */
    bool overflowed;
    bool commanded;
    int64_t commanded_ns, commanded_half_ns;
    bool began, ended;
    struct edge begin, end, first_end;
    int ends;
    struct cycle_mark last_inside, last_outside; /* readings with current flowing for sure, and without */
    bool flowing_last;                           /* the last definite state was inside */
    double peak_a;        /* highest reading since conduction began: what a slow meter fades from */
    int64_t on_since_ns;  /* conducting since, by best estimate */
    bool on_since_hidden; /* in a gap: it is not known since when */
    struct cycle_mean mean[CYCLE_SIGNALS_];
};

#endif
