/* Rules from the configuration, and the built-in one that flags a unit short of its rated percent-on. */
#ifndef RULES_H
#define RULES_H

#include "engine_state.h"

/* Finds out which signal each rule looks at on each channel. Called once. */
void rules_bind(struct engine *e);

/* Tests the rules of a channel, after every input. */
void rules_run(struct engine *e, int ch);

/* When a rule's `for` will have been fulfilled; NEVER_NS: none. */
int64_t rules_next_ns(const struct engine *e, int ch);

#endif
