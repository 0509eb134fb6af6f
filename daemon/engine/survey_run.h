/* A survey: percent-on over current. At each current the unit is run to its cut-out and timed to its reset until that
 * has settled, or held to the cap. Between two currents it comes back to the start of the first one, or the map would
 * show the order and not the current. A person turns the unit, in the state `setting`, unless the channel can. */
#ifndef SURVEY_RUN_H
#define SURVEY_RUN_H

#include "engine_state.h"

/* Cut-outs at each current when the request does not say: the first never counts, two have to agree. */
enum { SURVEY_REPEATS = 4, SURVEY_REPEATS_LEAST = 3 };

/* Why a survey cannot be run as it is asked for; NULL: it can. */
const char *survey_trouble(const struct run_request *rq, const struct rating_point *plate);

/* The run is beyond its rating by what it is for: no part of it may tell against the unit. */
bool run_is_past_rating(const struct run *r);

/* How many cut-outs the request may provoke in all. */
int survey_cutouts(const struct run_request *rq);

/* Called once when the run begins, before anything else is worked out from its rating point. */
void survey_prepare(struct run *r);

/* The unit was set (or needs no setting): rest before the on-load part. */
void survey_rest(struct engine *e, int ch);

/* TIMER_PHASE in COURSE_BACK: true when the unit is back at its start and the on-load part may begin. */
bool survey_is_back(struct engine *e, int ch);

/* TIMER_PHASE in COURSE_AWAIT: true when setting may begin. */
bool survey_may_set(struct engine *e, int ch);

/* The operator's "set" in COURSE_AWAIT: somebody stands at the bench. */
bool survey_at_bench(struct engine *e, int ch);

/* While an on-load part runs. */
void survey_look(struct engine *e, int ch);

/* The on-load part ended by the cap; its books are closed. */
void survey_part_held(struct engine *e, int ch, const struct cycle_result *r);

/* A cut-out and its reset are over. True: another part at this current begins. */
bool survey_part_over(struct engine *e, int ch, bool reset_seen);

/* Sentence of the verdict. */
void survey_say(const struct run *r, const char *air, char *text, size_t cap);

#endif
