/* Once a minute of real time, what each bus and each device on it did in that minute goes to the journal: for whoever
 * asks afterwards when a line began to fail. Not part of the input log: nothing is judged by it. */
#ifndef LINE_FIGURES_H
#define LINE_FIGURES_H

#include "error.h"

struct runtime;
struct line_figures;

/* NULL with err when memory is short. */
struct line_figures *line_figures_new(const struct runtime *rt, struct error *err);
void line_figures_free(struct line_figures *figures);

/* Call it often; does something when a minute is over. A minute that the journal's queue has no room for goes into the
 * next one. */
void line_figures_take(struct runtime *rt);

#endif
