/* The heartbeat of each load device as a lease: renewed at the end of a step, and only while everything holds. */
#ifndef RENEWAL_H
#define RENEWAL_H

#include "engine_state.h"

/* Renews what may be renewed, at the step's time. */
void renewal_run(struct engine *e);

/* When the next renewal is wanted; NEVER_NS: none. */
int64_t renewal_next_ns(const struct engine *e);

/* A drop was confirmed, or the bus found a lease run out. */
void renewal_ack(struct engine *e, const struct input_ack *ack);

/* Age of the oldest input that is not on disk, at the step's time, real time. */
int64_t journal_age_ns(const struct engine *e);

/* The record is healthy enough to keep loads on (limit journal_open_ns) or to begin something (journal_refuse_ns). */
bool journal_holds(const struct engine *e);
bool journal_lets_begin(const struct engine *e);

#endif
