/* When the cycles of runs that share bank or circuits begin. All that are to begin are planned together by the worker
 * beside the engine (JOB_STAGGER); its answer is a recorded input, is held against the limits here before it counts,
 * and where none comes in time, or one that breaks a limit, each is placed one after the other here. What finds no
 * place waits in the order of asking and is looked at again when others end.
 *
 * Only first cycles are placed. A run that has begun is never moved: a longer pause would be kind to its unit. */
#ifndef PLACING_H
#define PLACING_H

#include "engine_state.h"

/* Before an on-load part. True: it may begin as far as its place goes. False: it waits, its timer is set and c->doing
 * says for what. */
bool placing_lets_begin(struct engine *e, int ch);

/* After every input: asks for a plan, or does without. */
void placing_run(struct engine *e);

/* When it has to be looked at next; NEVER_NS: not at all. */
int64_t placing_next_ns(const struct engine *e);

/* The worker's answer. */
void placing_take(struct engine *e, const struct input_worker *answer);

#endif
