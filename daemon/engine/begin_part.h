/* The begin of an on-load part, and of the state `setting`. */
#ifndef BEGIN_PART_H
#define BEGIN_PART_H

#include "engine_state.h"

/* Begins the next cycle, unless something has to be waited for. */
void cycle_start(struct engine *e, int ch);

/* Begins `setting`, likewise. */
void setting_start(struct engine *e, int ch);

/* Why nothing may close now; false when it may. */
bool part_hindered(struct engine *e, int ch, char *text, size_t cap);

/* Something stands in the way: TIMER_PHASE tries again, for a while; then the run ends. */
void part_wait(struct engine *e, int ch, const char *why);

#endif
