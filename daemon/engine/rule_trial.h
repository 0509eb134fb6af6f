/* Rules tried on what is on record: which of them would have told something, and when. */
#ifndef RULE_TRIAL_H
#define RULE_TRIAL_H

#include "bench.h"

/* Puts rules in place of those of `recorded` (the bench of the session on record), whose channels they go by. What was
 * done cannot be undone: rules that end or open only flag in the trial, and asked (RULES_MAX entries) receives what
 * each really asks for; and the recorded rules that end or open stay, behind those to be tried, since they made the
 * night what it was. Feeding the session's inputs to an engine of this bench gives an EVENT_RULE (code: number of the
 * rule; below the result it is one of those to be tried) wherever one would have told; everything up to the
 * first that ends or opens is as it would have been.
 * Returns how many of the rules could be put in place, from the first on: all of them but where RULES_MAX is full. */
int rule_trial_prepare(struct bench *recorded, const struct bench_rule *rules, int count, enum rule_action asked[]);

#endif
