/* Percent-on in the worst and the best sliding window (ten minutes by the trade's rule) of a run, in a stream: each
 * stretch is looked at a bounded number of times. Only whole windows inside the run count. Fixed size, no allocation.
 * Verdict path: integers and comparison only. */
#ifndef SLIDING_H
#define SLIDING_H

#include <stdbool.h>
#include <stdint.h>

#include "error.h"

enum { SLIDING_STRETCHES = 512 };

struct sliding_result {
    bool any;                          /* at least one whole window lies in the run */
    int64_t least_on_ns, most_on_ns;   /* on-time in the window with the least and the most */
    int64_t least_end_ns, most_end_ns; /* where these windows end */
    double least_percent_on, most_percent_on;
    int64_t dropped; /* stretches merged because more changes fell into a window than can be held */
};

/* Members are not for reading. */
struct sliding {
    int64_t window_ns, begin_ns, head_ns;
    int64_t on_ns;                   /* in the present window */
    int64_t ends[SLIDING_STRETCHES]; /* ring of stretches, oldest first: each ends here ... */
    bool on[SLIDING_STRETCHES];      /* ... and was on or off */
    int first, count;
    int64_t tail_ns; /* begin of the present window */
    struct sliding_result result;
};

/* Begins at begin_ns with a window above 0. Returns 0 or -1 with err. */
int sliding_begin(struct sliding *s, int64_t window_ns, int64_t begin_ns, struct error *err);

/* The state was on or off from the end of the last stretch up to to_ns. A to_ns that does not advance is ignored. When
 * more than SLIDING_STRETCHES changes fall into one window the two oldest stretches are merged as on, and counted. */
void sliding_feed(struct sliding *s, int64_t to_ns, bool on);

/* What has been found so far. */
void sliding_figures(const struct sliding *s, struct sliding_result *result);

#endif
