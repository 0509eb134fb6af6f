/* Closing and opening the load of a channel, by the way the unit's output is controlled.
 *
 * Torch switch held by the bench: steps close, then the trigger; the trigger opens, current stops, then the steps open,
 * so that contactors break no current. Always live: the contactors make and break the current. In an emergency
 * everything opens at once. An opening that is not confirmed in time goes up the ladder: drop, drop again, then the
 * heartbeat of the device stops, the unit's supply is tripped and somebody is called. */
#ifndef LOAD_H
#define LOAD_H

#include "engine_state.h"

/* Begins to close steps (mask not 0), or to set a settable load (mask 1) to so many ohm or A. The caller has made sure
 * that closing is allowed. */
void load_close(struct engine *e, int ch, uint32_t mask, double setting);

/* Closed and on: goes over to other steps or another setting without opening in between. released: the torch switch is
 * let go first, the current stops, and the torch switch is held again afterwards. A change that is not carried out in
 * time opens the load. */
void load_change(struct engine *e, int ch, uint32_t mask, double setting, bool released);

/* Begins to open. Harmless when open; an emergency always sends the opening command again. */
void load_open(struct engine *e, int ch, bool emergency);

/* Holds or releases the torch switch with the load open, to see whether the unit's output is there again. */
void load_probe(struct engine *e, int ch, bool on);

/* What became of a command. */
void load_ack(struct engine *e, const struct input_ack *ack);

/* Looks at feedback and current, after every input. */
void load_poll(struct engine *e, int ch);

/* TIMER_LOAD is due. */
void load_timer(struct engine *e, int ch);

/* A contactor or the torch switch is on its way. */
bool load_is_switching(const struct channel *c);

/* Output is commanded on and steps are confirmed closed. */
bool load_is_on(const struct channel *c);

/* Steps closed by the latest feedback that counts. Returns false when nothing is known that is newer than after_ns. */
bool load_feedback(struct engine *e, int ch, int64_t after_ns, uint32_t *mask);

/* Current above this flows; below it is a meter's zero. A. */
double flow_threshold(const struct engine *e, int ch);

/* Everything is open, and the current is off where it can be seen, newer than the last opening command. */
bool load_is_confirmed_open(struct engine *e, int ch);

/* Time within which a command to open has to be seen as done. */
int64_t load_open_limit_ns(const struct engine *e, int ch);

/* The load controller is back, with its load dropped: let go of the torch switch as well, whatever it was before. */
void load_link_up(struct engine *e, int ch);

/* After a person's reset: the ladder is climbed down again. */
void load_reset(struct engine *e, int ch);

/* Delay of computers and lines that a deadline has to allow for: real time, so it grows with the bench's rate. */
int64_t slack_ns(const struct engine *e);

#endif
