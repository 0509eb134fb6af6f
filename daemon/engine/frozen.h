/* Meters that go on saying the same number. The same value, to the bit, is no evidence of anything in a quantity that
 * may stand still; it is where the signal was noisy in this on-load part and is not any more, or where the load was
 * switched and it saw nothing of it. */
#ifndef FROZEN_H
#define FROZEN_H

#include "engine_state.h"

/* Each step: tells what stands still, voids the cycle that rests on it. */
void frozen_watch(struct engine *e, int ch);

/* A safety signal of the channel that has stood still for longer than is borne; -1 none. */
int frozen_safety_signal(const struct engine *e, int ch);

#endif
