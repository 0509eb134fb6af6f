/* What the bench looks like right now, for status, client and page: a plain copy that the engine thread publishes
 * after its steps. It is live, not yet durable; whoever needs what is on record reads the journal. */
#ifndef VIEW_H
#define VIEW_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"
#include "rating.h"
#include "signals.h"
#include "verdict.h"
#include "worker_job.h"

struct channel_view {
    enum channel_state state;
    bool switching; /* a contactor is on its way */
    enum interlock latched;
    int64_t run_no; /* 0: none */
    char serial[NAME_CAP];
    enum procedure procedure;
    struct rating_point point;
    int32_t cycle;          /* number of the running cycle, from 1 */
    double cycle_elapsed_s; /* since it began */
    double on_load_s;       /* conducting so far in this cycle */
    double on_load_goal_s;  /* this cycle's on-load part */
    double run_elapsed_s;
    double run_expected_s; /* whole run as planned; NAN: open end */
    double supply_v;       /* in the rating point's volts: mean of the phases, NAN when one is not seen */
    double supply_worst_v; /* ... and the one farthest off the rating */
    uint32_t mask_commanded, mask_closed;
    double values[SIG_KIND_COUNT_]; /* latest good; NAN */
    enum quality qualities[SIG_KIND_COUNT_];
    enum verdict_kind verdict;
    enum shutoff_cause cause;
    struct heat_estimate estimate; /* of the run shown */
    char doing[TEXT_CAP];          /* a sentence: what goes on, what the operator should do */
};

struct device_view {
    bool up;
    bool watchdog_proved;
    bool beat_stopped;
    int64_t lease_until_ns;
};

/* A run that waits for its turn. */
struct queue_view {
    int64_t run_no;
    int32_t channel;
    char serial[NAME_CAP];
    enum procedure procedure;
    struct rating_point point;
    bool together;
    char waiting[TEXT_CAP]; /* for what */
    double begin_s, end_s;  /* expected, from now on; NAN: nobody can say */
    bool at_least;          /* not before that: a run without a stated end is in between */
};

struct bench_view {
    uint64_t sequence; /* counts up with each publication */
    int64_t now_ns;
    int64_t utc_ns;
    int32_t channel_count, device_count, circuit_count;
    struct channel_view channels[CHANNELS_MAX];
    struct device_view devices[DEVICES_MAX];
    double circuit_heat[CIRCUITS_MAX]; /* of its breaker, as a share of the steady heat at rated current */
    int32_t queue_count;
    struct queue_view queue[QUEUE_MAX]; /* in order of turn */
    bool journal_healthy;
    bool live; /* any channel with closed steps or output present */
};

#endif
