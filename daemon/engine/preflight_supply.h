/* The lines of preflight on the supply: what the circuit carries, and its volts against the rating point. */
#ifndef PREFLIGHT_SUPPLY_H
#define PREFLIGHT_SUPPLY_H

#include "preflight.h"

/* Each writes its reason to text (REASON_CAP). */
enum preflight_result preflight_circuit(struct engine *e, int ch, const struct run_request *rq,
                                        const struct load_point *point, char *text);
enum preflight_result preflight_supply(struct engine *e, int ch, const struct run_request *rq, char *text);

#endif
