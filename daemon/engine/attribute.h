/* Shutoffs: found, located, explained, and explained again when later evidence comes. */
#ifndef ATTRIBUTE_H
#define ATTRIBUTE_H

#include "engine_state.h"

/* Watches an on-load part; true when the current has gone and has to be confirmed (course CONFIRM). */
bool shutoff_watch(struct engine *e, int ch);

/* After the time of confirmation. */
enum confirmed { CONFIRMED_SHUTOFF, CONFIRMED_RECOVERED, CONFIRMED_METER_DOUBT };
enum confirmed shutoff_confirm(struct engine *e, int ch);

/* A voltage reading that is gone while the current flows on: a sense wire, not a shutoff. Says so once and returns
 * true. */
bool voltage_doubted(struct engine *e, int ch);

/* Explains the shutoff from what is known now, and tells it. */
void shutoff_explain(struct engine *e, int ch);

/* The fast capture has come: where that settles more, the shutoff is explained again. */
void shutoff_capture(struct engine *e, int ch);

/* Nothing more is awaited that could change what ends the run. True when the run was finished. */
bool shutoff_settled(struct engine *e, int ch);

/* Is the unit's output there again? Tells EVENT_RESET_SEEN, revises the cause where that settles it. */
bool shutoff_reset_seen(struct engine *e, int ch);

/* The wait is over and the unit has not come back. */
void shutoff_never_reset(struct engine *e, int ch);

/* TIMER_PROBE is due: torch switch held for a moment with the load open. */
void shutoff_probe(struct engine *e, int ch);

/* Time after the suspicion at which it is confirmed. */
int64_t shutoff_confirm_ns(const struct engine *e, int ch);

/* Time from the confirmation until the slowest signal that tells of the cause has had its say. */
int64_t shutoff_evidence_ns(const struct engine *e, int ch);

/* Evidence that an operator typed in. */
void shutoff_operator_note(struct engine *e, int ch, const char *text);

#endif
