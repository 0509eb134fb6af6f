/* A latched peak of the welding voltage: let go before each on-load part, when the load has settled, and after the
 * evidence of a shutoff was taken; and no evidence unless it was seen to let go. */
#ifndef PEAK_H
#define PEAK_H

#include "engine_state.h"

/* Before an on-load part: nothing is known of it yet. */
void peak_begin(struct engine *e, int ch);

/* On-load: lets it go once the load has settled, and looks whether it did. */
void peak_watch(struct engine *e, int ch);

/* After the evidence was taken. */
void peak_let_go(struct engine *e, int ch);

/* A command's outcome: when it was let go. */
void peak_ack(struct engine *e, const struct input_ack *ack);

/* Highest reading of the peak stamped in [from, to] that is evidence; NAN when there is none. */
double peak_seen(struct engine *e, int ch, int64_t from_ns, int64_t to_ns);

#endif
