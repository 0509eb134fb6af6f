/* Writing into the output of the step under way. All of these count when there is no room left: the output is then
 * marked as overflowed and the record goes to a scratch entry. */
#ifndef EMIT_H
#define EMIT_H

#include "engine_state.h"

/* A new event of a channel (-1: the bench) at the present time, for the caller to fill in. Never NULL. */
struct event *emit_event(struct engine *e, enum event_kind kind, int channel);

/* An event that is only a sentence. */
void emit_text(struct engine *e, enum event_kind kind, int channel, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* A new command, numbered. Never NULL. */
struct command *emit_command(struct engine *e, enum command_kind kind, int channel, int device);

/* Answer to an operator's request. code: 0 accepted, 1 refused, 2 done. */
void emit_answer(struct engine *e, uint64_t request, int code, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

void emit_notify(struct engine *e, int channel, enum notify_urgency urgency, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

struct verdict *emit_verdict(struct engine *e);

#endif
