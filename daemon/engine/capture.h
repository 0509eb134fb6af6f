/* A channel's buffer of fast samples, where a meter has one: armed before each on-load part, asked for when the current
 * goes, looked at when it comes. */
#ifndef CAPTURE_H
#define CAPTURE_H

#include "engine_state.h"

/* Before an on-load part. */
void capture_arm(struct engine *e, int ch);

/* The current is seen to be gone. */
void capture_ask(struct engine *e, int ch);

/* What the bus has to say. */
void capture_take(struct engine *e, const struct input_capture *in);

/* Asked for, and neither here nor given up. */
bool capture_is_awaited(const struct engine *e, int ch);

/* What it shows, for the evidence; "" when it shows nothing that tells. */
void capture_words(const struct capture_look *look, char *text, size_t cap);

#endif
