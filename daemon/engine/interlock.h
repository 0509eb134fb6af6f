/* The interlocks: built in, not to be switched off, one table. A condition that holds opens the load in the same step
 * and latches the channel until a person resets it with a reason. This is not the safety function of the bench: the
 * emergency stop, the bank's over-temperature and its airflow are hard-wired. */
#ifndef INTERLOCK_H
#define INTERLOCK_H

#include "engine_state.h"

/* Tests every interlock of every channel and trips what has to trip. */
void interlock_run(struct engine *e);

/* The channel counts as in use: an interlock that holds latches it. */
bool interlock_watches(const struct engine *e, int ch);

/* First interlock whose condition holds on the channel as if it were in use, with a sentence; INTERLOCK_NONE: all
 * clear. Used before closing, by preflight and before a reset. */
enum interlock interlock_standing(struct engine *e, int ch, char *text, size_t cap);

/* Latches the channel: opens the load, ends the run, locks. */
void interlock_trip(struct engine *e, int ch, enum interlock which, const char *text);

/* Resets the latch. Returns false with a sentence when its condition still holds or the load is not seen open. */
bool interlock_reset(struct engine *e, int ch, const char *who, const char *reason, char *why, size_t cap);

/* When a condition that grows with time (silence, on-load time, a held condition) will next hold; NEVER_NS: none. */
int64_t interlock_next_ns(struct engine *e);

/* Limit of the no-load voltage of what is asked for, V: by process, output and marking. */
double no_load_limit_of(const struct engine *e, const struct run_request *rq);

#endif
