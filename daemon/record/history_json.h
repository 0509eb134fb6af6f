/* A unit's history as JSON, for all who tell it. */
#ifndef HISTORY_JSON_H
#define HISTORY_JSON_H

#include <jansson.h>

#include "unit_history.h"

/* What a run measured and what changed; without the run's own fields but its number. NULL when memory is short. */
json_t *history_row_to_json(const struct history_row *row);

/* The head of the whole: baseline_run, repeatability_pct, heat_repeatability_pct, check_runs, heat_check_runs. */
json_t *history_head_to_json(const struct unit_history *h);

#endif
