/* When what waits in the queue is expected to begin and to end, for people: by the planned length of what is before it.
 * Nothing is decided by it. */
#ifndef QUEUE_EXPECT_H
#define QUEUE_EXPECT_H

#include "engine_state.h"

/* Length of a run as planned, s; NAN: open end, at least run_least_s. */
double run_expected_s(const struct run *r);
double run_least_s(const struct run *r);

/* Fills begin_s, end_s and at_least of the view's queue. */
void queue_expect(const struct engine *e, struct bench_view *view);

#endif
