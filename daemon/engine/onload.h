/* What is watched while current flows, besides interlocks and shutoffs. */
#ifndef ONLOAD_H
#define ONLOAD_H

#include "engine_state.h"

/* Rated current never reached (ends the run), output reduced, judgement signals lost. f: the figures as of now. */
void onload_look(struct engine *e, int ch, const struct cycle_figures *f);

/* The current may be gone: asks for fast samples and waits for the confirmation; or a meter is in doubt, which ends the
 * run. True when either is so, and nothing else is to be looked at. */
bool onload_stopped(struct engine *e, int ch);

/* Ends the run as `never-reached`: so many A were all that came. */
void onload_never_reached(struct engine *e, int ch, double reached_a);

#endif
