/* A night's list: runs on channels that are rigged already, begun in turn without anybody. Each is looked at in full by
 * the preflight when it is put on the list and again when its turn comes, with what the daemon knows (stores, messages,
 * safety test) as it is then; what is refused then is skipped with the reason, and the night goes on. Nothing of it
 * outlives the session. */
#ifndef RUN_QUEUE_H
#define RUN_QUEUE_H

#include "engine_state.h"

/* VERB_QUEUE: puts a run on the list, or refuses. */
void queue_add(struct engine *e, int ch, const struct input_operator *op);

/* VERB_UNQUEUE: takes one run (run_no) or all of a channel (-1: of all) off the list. */
void queue_drop(struct engine *e, const struct input_operator *op);

/* VERB_FACTS: what stands behind a waiting run as it is now. */
void queue_facts(struct engine *e, const struct input_operator *op);

/* The channel's rigging changed, or a person ended what ran there: its entries no longer stand for what is on it. */
void queue_drop_channel(struct engine *e, int ch, const char *why);

/* Everything comes off the list. */
void queue_close(struct engine *e, const char *why);

/* After every input: begins the run whose turn it is. */
void queue_run(struct engine *e);

/* When the list has to be looked at next; NEVER_NS: not at all. */
int64_t queue_next_ns(const struct engine *e);

/* For the view. */
void queue_view(const struct engine *e, struct bench_view *view);

#endif
