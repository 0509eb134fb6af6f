/* The figures of a judged run for people, from its JSON: the same for a run on record and for a record from elsewhere.
 */
#ifndef RUN_FIGURES_H
#define RUN_FIGURES_H

#include <jansson.h>

#include "screen.h"

/* Figures of a judgement (verdict_to_json). */
void print_judgement_figures(const struct screen *s, const json_t *judgement);

/* The table of cycles out of a list of events. */
void print_cycles(const struct screen *s, const json_t *events);

/* What the heating foretells, by its last word among the events. */
void print_estimate(const struct screen *s, const json_t *events);

#endif
