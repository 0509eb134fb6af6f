/* The prognosis of a unit's heating: asked of the worker at the ends of on-load parts, answered by an input that is on
 * record. All of it is estimated; no verdict rests on it. */
#ifndef ESTIMATE_H
#define ESTIMATE_H

#include "engine_state.h"

/* Asks for a fit over the run so far, when the run is long enough for one, the unit's temperature is measured and no
 * fit is under way. */
void estimate_ask(struct engine *e, int ch);

/* The worker's answer. One that belongs to no question of a run under way is left alone. */
void estimate_take(struct engine *e, const struct input_worker *answer);

/* Keeps the temperature at which the unit shut off. */
void estimate_shutoff(struct engine *e, int ch, const struct shutoff *s);

/* Tells the latest estimate again beside the run's verdict. */
void estimate_conclude(struct engine *e, int ch);

#endif
