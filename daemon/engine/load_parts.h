/* What the files of the load share, for them only. */
#ifndef LOAD_PARTS_H
#define LOAD_PARTS_H

#include "load.h"

/* Does current flow, by a reading newer than after_ns? 1 yes, 0 no, -1 nobody knows. */
int load_current_flows(struct engine *e, int ch, int64_t after_ns);

/* TIMER_LOAD is due so long from now. */
void load_arm(struct engine *e, int ch, int64_t after_ns);

/* The first fault stays until the interlocks have taken it. */
void load_set_fault(struct channel *c, enum interlock which, const char *text);

/* Tells the steps to open, and sees to it that they do. */
void load_send_open(struct engine *e, int ch);

#endif
