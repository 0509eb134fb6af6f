/* What a run will meet on the bench: the runs under way, those that wait for their turn, and how its cycles would lie
 * among theirs. By the daemon's live view; without a daemon nothing is known of it. */
#ifndef PLAN_BESIDE_H
#define PLAN_BESIDE_H

#include "client.h"
#include "plan.h"
#include "stagger_job.h"

struct plan_beside {
    bool known;    /* a daemon answered */
    int under_way; /* runs that share nothing with this one included */
    int waiting;   /* in the queue */
    bool shares;   /* bank or circuit, where these have a limit, with another run */
    int own;       /* index in job */
    struct stagger_job job;
    struct stagger_plan plan; /* of those under way, of those that wait to begin beside others, and of this run */
    double turn_s;            /* in turn: after what waits and what runs on its channel, from now on; NAN: not known */
    bool at_least;            /* not before that */
};

/* Never fails: known says whether there is anything. */
void plan_beside(struct client *c, const struct bench *bench, int channel, const struct run_request *run,
                 const struct run_plan *plan, struct plan_beside *beside);

void print_beside(const struct screen *s, const struct bench *bench, int channel, const struct run_request *run,
                  const struct plan_beside *beside);

/* An object, or null without a daemon. */
json_t *beside_json(const struct bench *bench, int channel, const struct plan_beside *beside);

#endif
