/* A run's curves for a picture of given width: each signal in columns of equal time, each with its lowest and highest
 * value, so that no peak is lost however long the run was. One pass over the record, memory by the number of columns.
 */
#ifndef WEB_CURVES_H
#define WEB_CURVES_H

#include <jansson.h>

#include "journal_read.h"

enum { CURVE_COLUMNS_MAX = 4000 };

/* {"from_s":..,"to_s":..,"columns":n,"signals":{"i2":{"unit":"A","low":[..|null],"high":[..],"gaps":[columns]},...}}
 * for the stretch from_s..to_s of the run (seconds since its start; to_s <= from_s: to its end). A column with no good
 * value is null; it is a gap only where a value was due and did not come, else the signal is just read less often. NULL
 * with err; *found false when there is no such run. */
json_t *web_curves(struct journal_reader *r, int64_t run_no, double from_s, double to_s, int columns, bool *found,
                   struct error *err);

#endif
