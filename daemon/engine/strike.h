/* The strike: what gets units going that do not start on the steps of a rating point (lift-start TIG, some
 * voltage-reducing devices). Move by move, each confirmed by feedback, by the plan in compute's strike_plan.h; after
 * the last one the unit has to give its current within a time, else the load opens, rests, and it is tried again, so
 * often as the bench allows. Interlocks, heartbeat and record hold throughout; a contactor that does not follow trips.
 * The time until the point's own load is closed is kept out of the figures, and counts as heat. */
#ifndef STRIKE_H
#define STRIKE_H

#include "engine_state.h"

/* Are this run's on-load parts to begin by a strike? */
bool strike_wanted(const struct engine *e, int ch, const struct run_request *rq);

/* The moves for a point's load, as chosen: a mask, or a setting. Returns 0 or -1 with err. */
int strike_plan_for(const struct engine *e, int ch, const struct run_request *rq, const struct load_point *point,
                    uint32_t mask, double setting, struct strike_plan *plan, struct error *err);

/* Begins it, in place of closing the point's load; `then` follows when the unit has started. */
void strike_begin(struct engine *e, int ch, enum course then);

/* After every input; when TIMER_PHASE is due. */
void strike_poll(struct engine *e, int ch);
void strike_timer(struct engine *e, int ch);

/* What it is at, in words. */
const char *strike_doing(const struct channel *c);

#endif
