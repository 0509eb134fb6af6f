/* A wired remote control of the unit's current, for surveys and `setting` without anybody: written with the load open,
 * before each closing, which waits until it is on the wire; proved by the measured current; back to its safe value
 * whenever the load opens. */
#ifndef REMOTE_H
#define REMOTE_H

#include "engine_state.h"

/* At the begin of a run. */
void remote_prepare(struct engine *e, int ch);

/* The channel has one, and a request would use it. */
bool remote_serves(const struct engine *e, int ch, const struct run_request *rq);

/* Why it cannot be set to a current; NULL: it can. */
const char *remote_trouble(const struct engine *e, int ch, double current_a);

/* Not on the wire yet: sees to it, and says so. */
bool remote_hinders(struct engine *e, int ch, char *text, size_t cap);

/* The load opens, or the run ends. */
void remote_safe(struct engine *e, int ch);

void remote_ack(struct engine *e, const struct input_ack *ack);

/* In the state `setting`: is the current what it ought to be? Then on, as by the operator's "set". */
void remote_look(struct engine *e, int ch);

/* Open after `setting`: true when it is to be set anew. */
bool remote_again(struct engine *e, int ch);

/* Another current: what was learned at the one before does not count. */
void remote_forget(struct engine *e, int ch);

#endif
