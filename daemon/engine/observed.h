/* A load that somebody else switches, as in a record made elsewhere: on-load parts and pauses are found from the
 * current itself, no command is given, no interlock acts, and nothing is taken for known that the record does not show
 * or somebody states. Figures, attribution and verdict are those of every other run. */
#ifndef OBSERVED_H
#define OBSERVED_H

#include "evidence.h"

/* Does somebody else switch the channel's load? */
bool load_is_observed(const struct engine *e, int ch);

/* Is it known when the load was commanded on and off? */
bool load_knows_command(const struct engine *e, int ch);

/* The run has begun: wait for current. */
void observed_begin(struct engine *e, int ch);

/* After every input. */
void observed_poll(struct engine *e, int ch);

/* The current has gone for sure. Was it the on-load part's own end, its time being over? Then its books are closed and
 * the run goes on or ends; false: it is a shutoff to be explained. */
bool observed_plain_end(struct engine *e, int ch);

/* What the weighed cause is worth where nobody says that the load stayed on until the current went. */
void observed_weigh(struct engine *e, int ch, struct shutoff *s);

/* A shutoff is told and the run goes on: look for the current again. */
void observed_after_shutoff(struct engine *e, int ch);

/* May a return of the output count as the unit's own reset? */
bool observed_reset_tells(const struct engine *e, int ch);

/* The record ends. */
void observed_end(struct engine *e, int ch, const char *text);

#endif
