/* The figures of the on-load part under way, from the series of I2 and U2 by stamp; see compute's cycle.h. */
#ifndef FIGURES_H
#define FIGURES_H

#include "engine_state.h"
#include "step_choice.h"

/* Begins a cycle's figures at begin_ns; carries the last readings over when the one before is still being fed. Returns
 * false when the rating point and the limits make no sense together (told by a note). */
bool figures_begin(struct engine *e, int ch, int64_t begin_ns);

/* Output was commanded on or off at at_ns. */
void figures_commanded(struct engine *e, int ch, int64_t at_ns, bool on);

/* Takes one reading, of whatever quality, for each channel that it concerns. */
void figures_take(struct engine *e, const struct input_readings *m, const struct reading *r);

/* Figures up to the present watermark: the stamp up to which both signals are known. */
void figures_now(struct engine *e, int ch, struct cycle_figures *f);

/* When current began to flow in this cycle: in a continuous one, which takes it over, the cycle's begin. NEVER_NS: it
 * has not. */
int64_t figures_since_ns(const struct engine *e, int ch, const struct cycle_figures *f);

/* Brings the means of slow signals up to the watermark; call before the result is taken. */
void figures_slow(struct engine *e, int ch);

/* Result of the cycle that ends at end_ns, as known now. */
void figures_close(struct engine *e, int ch, int64_t end_ns, struct cycle_result *r);

/* The cycle will not count, and why. The first reason stays. */
void figures_void(struct engine *e, int ch, const char *why);

/* Expanded uncertainty of the time of an on-load part, s. */
double figures_time_uncertainty_s(const struct cycle_figures *f);

/* Resistance of the leads as part of the load: 0 when U2 is sensed at the bank. ohm */
double channel_lead_ohm(const struct engine *e, int ch);

/* Resistance of the elements over that at 20 degC as last measured; 1 when nothing is known. */
double channel_ohm_factor(const struct engine *e, int ch);

#endif
