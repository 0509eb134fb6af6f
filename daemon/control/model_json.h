/* JSON forms of the model's types, one for all who speak it: control socket, client's --json, web API. Keys carry
 * units. A figure that was not seen (NAN) is null. Functions that make an object return NULL when memory is short; the
 * caller owns what they return. Text that is not UTF-8 is written with '?' in place of the bad bytes. */
#ifndef MODEL_JSON_H
#define MODEL_JSON_H

#include <jansson.h>

#include "bench.h"
#include "event.h"
#include "input.h"
#include "probe_item.h"
#include "protocol.h"
#include "rating.h"
#include "verdict.h"
#include "view.h"

json_t *json_figure(double value); /* number, or null for NAN and infinity */
json_t *json_text(const char *text);
json_t *json_utc(int64_t utc_ns); /* "2026-03-01T22:15:04.250Z" */

json_t *rating_point_to_json(const struct rating_point *p);
json_t *plate_to_json(const struct unit_plate *plate);

/* Reads what plate_to_json makes; figures may also be strings with units. Returns 0 or -1 with err. */
int plate_from_json(const json_t *object, struct unit_plate *plate, struct protocol_error *err);

/* bench may be NULL: names of channels, devices and signals are then left out. */
json_t *event_to_json(const struct event *e, const struct bench *bench);
json_t *verdict_to_json(const struct verdict *v);
json_t *view_to_json(const struct bench_view *view, const struct bench *bench);

/* A list of objects with point, raw, value, unit, quality and note. */
json_t *probe_items_to_json(const struct probe_item *items, int count);

/* The bench as people see it, and its canonical bytes in base64 under "encoded". */
json_t *bench_to_json(const struct bench *bench);

/* The bench out of the object that bench_to_json makes. Returns 0 or -1 with err. */
int bench_from_json(const json_t *object, struct bench *bench, struct error *err);

#endif
