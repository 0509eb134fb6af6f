/* The resistance of leads and connectors while current flows, from volts at both their ends: a connector that begins to
 * burn shows here before it opens. */
#ifndef LEAD_WATCH_H
#define LEAD_WATCH_H

#include "engine_state.h"

/* Looks every ten seconds of an on-load part; needs u2 at the unit and u_bank. Tells a finding and an advice once a run
 * when the resistance has risen by more than half and the rise turns more than 20 W into heat (both: common practice,
 * no published source; copper alone gains a fifth from 20 to 70 degC), and ends the run from 100 W on. */
void lead_watch(struct engine *e, int ch);

#endif
