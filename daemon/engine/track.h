/* Signals as the engine sees them: latest value, age, history. */
#ifndef TRACK_H
#define TRACK_H

#include "engine_state.h"

/* Takes one reading. */
void track_take(struct engine *e, const struct input_readings *m, const struct reading *r);

/* The signal of a kind on a channel; NULL when the channel has none. */
struct track *track_of(struct engine *e, int ch, enum signal_kind kind);
const struct bench_signal *signal_of(const struct engine *e, int ch, enum signal_kind kind);

/* Latest good value that still counts at the step's time (age by arrival within the signal's own limit), else NAN. */
double track_value(struct engine *e, int ch, enum signal_kind kind);

/* Stamp of the latest good reading; LONG_AGO_NS when there was none. */
int64_t track_stamp(const struct track *t);

/* Sample number n, or NULL when it is no longer (or not yet) held. */
const struct sample *track_sample(const struct track *t, uint64_t n);

/* Mean of the good readings stamped in [from, to]; NAN when there is none. count may be NULL. */
double track_mean(const struct track *t, int64_t from_ns, int64_t to_ns, int *count);

/* Largest of them; NAN when there is none. */
double track_most(const struct track *t, int64_t from_ns, int64_t to_ns);
double track_least(const struct track *t, int64_t from_ns, int64_t to_ns);

/* How long a loss of this signal is borne. */
int64_t track_limit_ns(const struct engine *e, int signal);

/* The signal is silent or bad for longer than it may be, at the step's time. False where there is no such signal. */
bool track_is_lost(struct engine *e, int signal);

/* Time that hides when something happened: refresh, averaging, three time constants of damping, and one poll. */
int64_t signal_lag_ns(const struct engine *e, int ch, enum signal_kind kind);

/* The slowest of several kinds. */
int64_t signals_lag_ns(const struct engine *e, int ch, const enum signal_kind *kinds, size_t count);

/* Is a two-valued signal there and 1 (or 0)? False when there is none or its value no longer counts. */
bool contact_is(struct engine *e, int ch, enum signal_kind kind, bool closed);

/* Says once when a signal is lost and when it is back. */
void track_tell_losses(struct engine *e);

#endif
