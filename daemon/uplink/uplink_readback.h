/* What a store is asked about what it was sent: how many points of a stretch it has, and whether the marker came back.
 */
#ifndef UPLINK_READBACK_H
#define UPLINK_READBACK_H

#include "store_http.h"

/* Rows that the store acknowledged and that wait until they count as settled. */
struct pending {
    int64_t since_ns;
    int64_t last[FEED_COUNT_];
    int lines[FEED_COUNT_];
    int64_t first_ms[FEED_COUNT_], last_ms[FEED_COUNT_];
};

/* Does the store (version 1 queries) still have what it acknowledged? 1 yes, 0 no, -1 it could not be asked; answer
 * holds its words. Without any line to ask for it is not asked, and 1. */
int readback_counts(struct store_http *http, const char *bench_name, const struct pending *p,
                    struct store_answer *answer);

/* The value of the self-test's point. */
double readback_marker_value(void);

/* Did the self-test's point come back with its value at its millisecond? */
bool readback_marker(struct store_http *http, enum uplink_kind kind, const char *bench, int64_t marker_ms,
                     struct store_answer *answer);

#endif
