/* Which channels may be on-load together: limits of the bank and of the supply circuits, and what a plan of their
 * cycles (stagger_plan.h) looks at. */
#ifndef STAGGER_H
#define STAGGER_H

#include "engine_state.h"
#include "stagger_job.h"

/* Would the bank or the channel's circuit be overloaded if this channel went on-load now? Writes why. Asked before
 * every closing, whatever was planned. */
bool stagger_hinders(struct engine *e, int ch, char *text, size_t cap);

/* The channel waits for others to come off load, which is no fault. */
bool stagger_is_waiting(const struct engine *e, int ch);

/* Supply current that the rating point takes: from the plate, else an estimate (efficiency 0.8, power factor 0.65 for
 * one phase and 0.9 for three: common practice, no published source). A */
double stagger_supply_a(const struct run_request *rq, const struct load_point *point);

/* Has the run to be given a place yet, and may the place it has still be changed? */
bool stagger_is_new(const struct engine *e, const struct run *r);

/* Does another run take from what this channel takes from, where that has a limit? */
bool stagger_shares(const struct engine *e, int ch);

/* A job in three parts: its limits; the runs whose cycles lie where they lie, against zero_ns; those to be placed.
 * coming: with those that have not come to their first cycle yet. */
void stagger_job_begin(const struct engine *e, struct stagger_job *job);
void stagger_job_under_way(const struct engine *e, struct stagger_job *job, int64_t zero_ns);
void stagger_job_new(const struct engine *e, struct stagger_job *job, bool coming);

/* Would a run find a place among those under way, their cycles as they lie; a single on-load part: at once? wish:
 * prepared, not begun. */
bool stagger_has_room(const struct engine *e, int ch, const struct run *wish);

#endif
