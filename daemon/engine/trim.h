/* Which steps to close: nearest to the conventional load voltage for the current that the unit really gives. */
#ifndef TRIM_H
#define TRIM_H

#include "engine_state.h"
#include "error.h"
#include "step_choice.h"

/* Steps for the run's rating point as things stand, or the setting (ohm or A) of a settable load. Returns 0, or -1 with
 * err. */
int trim_choose(struct engine *e, int ch, struct step_choice *choice, double *setting, struct error *err);

/* Steps for a request that is not running yet. */
int trim_for_request(const struct engine *e, int ch, const struct run_request *rq, const struct load_point *point,
                     struct step_choice *choice, double *setting, struct error *err);

/* Learns from a finished on-load part how the elements have changed, and tells of a change of steps. */
void trim_learn(struct engine *e, int ch, const struct cycle_result *r);

/* In `setting`: tells the operator in words what to turn, when that has changed. */
void trim_advise(struct engine *e, int ch);

/* The highest voltage that the load may see at a point, V: for the power of the steps. */
double trim_highest_v(const struct engine *e, int ch, const struct load_point *point);

#endif
