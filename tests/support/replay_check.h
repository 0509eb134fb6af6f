/* Judges a run of the harness again from its record, as `soakbench replay` does. */
#ifndef REPLAY_CHECK_H
#define REPLAY_CHECK_H

#include "harness.h"

/* Fails the running test unless events and verdict come out the same to the bit, and at least so many estimates were
 * computed again. Returns how many plans of the channels' cycles were made again. */
int replay_check(struct harness *h, int64_t run_no, int least_estimates);

#endif
