/* Proof of a load controller's watchdog: close a step with the unit dead or isolated, keep reading, stop the heartbeat
 * and time the opening by feedback. Some controllers are fed by any valid frame; the proof finds them. */
#ifndef WATCHDOG_H
#define WATCHDOG_H

#include "engine_state.h"

/* Begins the proof, or refuses with a sentence. */
bool watchdog_start(struct engine *e, int device, uint64_t request, char *why, size_t cap);

/* After every input, and when its deadline is due. */
void watchdog_poll(struct engine *e);

void watchdog_ack(struct engine *e, const struct input_ack *ack);

/* Deadline of the proof under way; NEVER_NS: none. */
int64_t watchdog_next_ns(const struct engine *e);

/* Proved within the last 24 h of bench time and since its last power-up. */
bool watchdog_is_proved(const struct engine *e, int device);

#endif
