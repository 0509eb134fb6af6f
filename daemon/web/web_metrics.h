/* The live figures as metrics. */
#ifndef WEB_METRICS_H
#define WEB_METRICS_H

#include <jansson.h>
#include <stdbool.h>

/* Text of the snapshot that web_snapshot_get gives: OpenMetrics 1.0, or (open false) the text format 0.0.4 that came
 * before it; they differ in the names of counters' heads and in the end mark. malloc'd; NULL when memory is short. */
char *web_metrics_print(const json_t *snapshot, bool open);

#endif
