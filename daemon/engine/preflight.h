/* What is looked at before a run begins; each line passes, warns or refuses, with a reason. A warning stands in the way
 * until it is accepted by its name. */
#ifndef PREFLIGHT_H
#define PREFLIGHT_H

#include "engine_state.h"

enum preflight_result { PREFLIGHT_PASS, PREFLIGHT_WARN, PREFLIGHT_REFUSE, PREFLIGHT_NOT_ASKED };

/* Tells every line as an event (text "name: reason") and returns whether the run may begin; if not, why names the first
 * line that stands in the way. */
bool preflight_run(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap);

#endif
