/* Turns a "run-start" request into what the engine is told. */
#ifndef RUN_ORDER_H
#define RUN_ORDER_H

#include <jansson.h>

#include "input.h"
#include "protocol.h"
#include "rating.h"

/* Which rating point of the plate: a number from 1, or words like "tig 160 A", "mig 40 %", "tig 160 A 400 V" that fit
 * exactly one point. Returns its index; -1 with err, which lists the points. */
int rating_point_pick(const struct unit_plate *plate, const char *words, struct protocol_error *err);

/* Fills *run from the request's fields and the plate. run_no, plate_version and safety_test_utc_s are the caller's.
 * Every field is checked, unknown keys are named. Returns 0 or -1 with err. */
int run_order_from_json(const json_t *body, const struct unit_plate *plate, struct run_request *run,
                        struct protocol_error *err);

#endif
