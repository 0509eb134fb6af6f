/* The live state as OpenMetrics text for a monitoring system. */
#ifndef WEB_METRICS_H
#define WEB_METRICS_H

#include <jansson.h>

/* Text of a snapshot (web_snapshot_get), malloc'd; ends in "# EOF". NULL when memory is short. */
char *web_metrics_print(const json_t *snapshot);

#endif
