/* What the pages show live, fetched from the daemon by one thread at a steady pace and handed to every request from
 * memory: a crowd at the page asks the daemon no more often than one viewer does. */
#ifndef WEB_SNAPSHOT_H
#define WEB_SNAPSHOT_H

#include <jansson.h>
#include <stdint.h>

#include "error.h"

struct web_snapshot;

/* Starts the thread. NULL with err. */
struct web_snapshot *web_snapshot_new(const char *socket_path, int period_ms, struct error *err);
/* Ends it, waiting for a question under way. */
void web_snapshot_free(struct web_snapshot *s);

/* A new object {"sequence":n,"age_ms":n,"reachable":bool,"trouble":"...","status":{...}|null,"counters":{...}|null}:
 * sequence counts every successful fetch, age is since the last one (-1: never). NULL when memory is short. */
json_t *web_snapshot_get(struct web_snapshot *s);

/* A new object: the bench as the daemon described it last, without its canonical bytes. NULL when it never did. */
json_t *web_snapshot_bench(struct web_snapshot *s);

#endif
