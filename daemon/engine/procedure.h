/* A run from its begin to its end: cycles of on-load part and pause, and what each procedure does next. */
#ifndef PROCEDURE_H
#define PROCEDURE_H

#include "engine_state.h"

/* Changes the channel's state, says so, and keeps fans and beacon in step. */
void set_state(struct engine *e, int ch, enum channel_state state);

/* What a run is made of before anything happened: load, times, parts. Begins nothing. */
void run_prepare(const struct engine *e, const struct run_request *rq, struct run *r);

/* Begins a run that preflight has passed. */
void run_begin(struct engine *e, int ch, const struct run_request *rq);

/* Ends the run at once, undecided, for a reason that is not the unit's. The caller sees to the load. */
void run_cut_short(struct engine *e, int ch, enum shutoff_cause cause, const char *text);

/* Ends the run undecided as soon as the load is seen open. */
void run_end_soon(struct engine *e, int ch, enum shutoff_cause cause, const char *text);

/* Ends the run with the verdict that `ending` and what was seen allow. */
void run_finish(struct engine *e, int ch, enum ending ending);

/* After every input. */
void procedure_poll(struct engine *e, int ch);

/* TIMER_PHASE is due. */
void procedure_timer(struct engine *e, int ch);

/* The operator says that the unit is dialled in. False: not in the state `setting`. */
bool procedure_set(struct engine *e, int ch);

/* Closes the books on the present on-load part. shutoff: the unit ended it. */
void cycle_close(struct engine *e, int ch, bool shutoff, struct cycle_result *r);

/* The unit is ready again after a shutoff, or the wait is over: go on or finish. */
void procedure_after_recovery(struct engine *e, int ch, bool reset_seen);

/* Has the run done all that was asked of it? */
bool run_is_done(const struct engine *e, const struct run *r);

/* A 100 % point: on-load without pauses. */
bool run_is_continuous(const struct run *r);

/* When figures say that the on-load part is done: time at rated current, ns. */
int64_t on_load_goal_ns(const struct run *r);

#endif
