/* One time-series store: the uplink's worker (daemon/uplink) with what the daemon gives it, and its latest figures
 * under a lock. A store's trouble disturbs no run. */
#ifndef STORE_STAGE_H
#define STORE_STAGE_H

#include <stdint.h>

#include "config.h"
#include "error.h"
#include "queue.h"
#include "uplink.h"

struct store_stage;

/* orders: the journal stage's queue of orders (ORDER_CURSOR, ORDER_SET_ASIDE); a full one is asked again later. */
struct store_stage *store_stage_new(const struct config *config, int store, struct queue *orders, struct error *err);
void store_stage_free(struct store_stage *stage);

/* At most one exchange with the store. Returns how long to sleep, in real ns; new rows may end the sleep early. One
 * thread. */
int64_t store_stage_run(struct store_stage *stage, int64_t real_ns);

/* Send again from these rows on (below zero: leave that feed). Any thread; taken up by the next store_stage_run. */
void store_stage_resend(struct store_stage *stage, const int64_t from_row[FEED_COUNT_]);

/* How a store stands by its figures: what preflight tells of it. */
enum store_stand store_stand_of(const struct uplink_status *status);

/* Any thread. */
void store_stage_status(struct store_stage *stage, struct uplink_status *status);

#endif
