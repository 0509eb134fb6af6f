/* When the cycles of several runs begin, so that bank and supply circuits carry as little as possible at a time and
 * never more than their limits. Pure, without the mathematical library: the same job gives the same plan to the bit. No
 * allocation.
 *
 * Order of what a plan is after: everything placed, in the order of asking (a later run goes ahead of one that has no
 * room, never at its cost); then the lowest peak of the bank, where the bank has a limit; then the lowest sum of the
 * circuits' peaks, of those that have one; then the least waiting.
 *
 * Why a finite search finds the optimum: in any arrangement that is not the worse for it, every cycle that can be moved
 * begins where another on-load part ends, or at zero. A cycle moved earlier only leaves others behind at its end and
 * meets nobody new at its begin until it meets the end of another one; a group that holds each other moves as one. So
 * the arrangements to look at are the trees of "begins at the end of", and with what cannot beat the best known left
 * out. Runs with a cycle that does not divide the longest one are taken as on-load throughout. */
#ifndef STAGGER_PLAN_H
#define STAGGER_PLAN_H

#include "input.h"
#include "stagger_job.h"

/* Up to this many runs in a job (under way or asked for) the plan is exact; beyond it is where the search came to its
 * end within its budget, and says so. */
enum { STAGGER_EXACT_MAX = 8 };

/* Plans all of them together. Up to some tenths of a second: for a worker. */
void stagger_plan_jointly(const struct stagger_job *job, struct stagger_plan *plan);

/* Plans one after the other in the order of asking, each where it is best at that time: quick, within the limits, not
 * the lowest peak. */
void stagger_plan_in_turn(const struct stagger_job *job, struct stagger_plan *plan);

/* Looks at places that somebody else found: true when every offset lies within its cycle and no limit is exceeded by
 * what is placed. Fills the peaks. */
bool stagger_plan_holds(const struct stagger_job *job, struct stagger_plan *plan);

/* A plan as an answer of the worker, and back; false when it makes no sense for the job. */
void stagger_plan_to_values(const struct stagger_job *job, const struct stagger_plan *plan,
                            double values[WORKER_VALUES_MAX]);
bool stagger_plan_from_values(const struct stagger_job *job, const double values[WORKER_VALUES_MAX],
                              struct stagger_plan *plan);

#endif
