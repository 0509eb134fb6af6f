/* Rules tried on what is on record: which of them would have told something, and when. */
#ifndef RULE_TRIAL_H
#define RULE_TRIAL_H

#include "bench.h"

/* Puts the rules of `wanted` (a bench file that has been loaded and checked) in place of those of `recorded` (the bench
 * of the session on record), channels by their names. What was done cannot be undone: rules that end or open only flag
 * in the trial, and asked (RULES_MAX entries) receives what each really asks for. Feeding the session's inputs to an
 * engine of this bench gives an EVENT_RULE (code: number of the rule) wherever one would have told; everything up to
 * the first of the rules that end or open is as it would have been.
 * Returns how many rules could not be taken over because the recorded bench has no such channel. */
int rule_trial_prepare(struct bench *recorded, const struct bench *wanted, enum rule_action asked[]);

#endif
