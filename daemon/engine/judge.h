/* The verdict of a run, by the rules in docs/judgement.md (RULES_VERSION). */
#ifndef JUDGE_H
#define JUDGE_H

#include "engine_state.h"

/* Fills the verdict from what the run showed and how it ended. */
void judge_run(struct engine *e, int ch, enum ending ending, struct verdict *v);

/* Shutoffs of the night that count for the unit of the request: its own, on whatever channel; all of the channel's
 * where it is not known whose they were. */
int judge_cutouts(const struct engine *e, int ch, const struct run_request *rq);

/* How the run begins, by the record and the temperatures; the request's word counts where they say nothing. */
enum start_condition judge_start(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap);

#endif
