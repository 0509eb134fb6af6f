/* What is looked at before a run begins; each line passes, warns or refuses, with a reason. A warning stands in the way
 * until it is accepted by its name. */
#ifndef PREFLIGHT_H
#define PREFLIGHT_H

#include "engine_state.h"

enum preflight_result { PREFLIGHT_PASS, PREFLIGHT_WARN, PREFLIGHT_REFUSE, PREFLIGHT_NOT_ASKED };

struct preflight_change {
    int count;
    char text[REASON_CAP];
};

/* Tells every line as an event (text "name: reason") and returns whether the run may begin; if not, why names the first
 * line that stands in the way. */
bool preflight_run(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap);

/* The same of a run that waits, when its turn comes: what lines say otherwise than when it was put on the list goes
 * into `change`. A warning that came up meanwhile stands in the way, but for that of the stores: nobody is there to
 * accept it, what they do not take waits in the journal, and a night's run is worth more. */
bool preflight_again(struct engine *e, int ch, const struct run_request *rq, const struct preflight_seen *before,
                     struct preflight_change *change, char *why, size_t cap);

/* What the lines say, for later. */
bool preflight_first(struct engine *e, int ch, const struct run_request *rq, struct preflight_seen *seen, char *why,
                     size_t cap);

#endif
