/* What the two halves of the captures share: bus_capture.c (orders, times, telling) and bus_capture_read.c (what each
 * answer means). */
#ifndef CAPTURING_H
#define CAPTURING_H

#include "bus_internal.h"

enum { TRIES_MAX = 4, LEAST_SAMPLES = 8, ROW_CAP = CAPTURE_VALUES_MAX / CAPTURE_SIGNALS, ABOUT_MAX = 4 };

#define LOOK_EVERY_NS INT64_C(1000000000)    /* bench time, while it waits for the event */
#define AWAIT_EVERY_NS INT64_C(250000000)    /* ... while the engine waits for the buffer */
#define AWAIT_BEYOND_NS INT64_C(10000000000) /* after the time that the buffer needs to fill */
#define UNREAD_NS INT64_C(30000000000)       /* an event that nobody asked about: armed again */
#define WHOLE_NS INT64_C(180000000000)       /* the longest that reading may take */

enum step {
    STEP_REST,
    STEP_NUMBER, /* of the capture before, to be told from this one's */
    STEP_ARM,
    STEP_ARMED, /* does it wait? */
    STEP_WATCH,
    STEP_TRIGGER,
    STEP_AWAIT,
    STEP_ABOUT, /* age, interval, count, number */
    STEP_PIECE,
    STEP_LAST_STATE,
    STEP_LAST_NUMBER
};

struct capturing {
    int channel;
    struct device *dev;
    const struct map_capture *map;
    enum step step, running; /* the next transaction's; that of the one under way */
    uint64_t command;
    bool wanted; /* the engine asked for the buffer */
    int tries;
    int64_t again_ns;      /* bench time of the next transaction */
    int64_t since_real_ns; /* what is polite is counted from here */
    int64_t asked_ns, deadline_ns;
    int64_t armed_seen_ns; /* latest begin of a look that found it waiting */
    int64_t left_seen_ns;  /* end of the first that did not; 0: none */
    int64_t ready_seen_ns; /* end of the first that found it whole; 0: none */
    int64_t event_ns, event_half_ns;
    double number_before, number;
    int about;
    int signal, at, piece, got; /* of the pieces: which row, how far, how many at once, how many came */
    uint64_t digest;            /* of the samples of the capture before */
    struct input_capture told;
    double rows[CAPTURE_SIGNALS][ROW_CAP];
};

/* Goes on with a step after a pause. */
void capturing_go(struct bus *bus, struct capturing *k, enum step step, int64_t after_ns);

/* Tells the engine. value: what was read, NAN when that says nothing more. */
void capturing_tell(struct bus *bus, struct capturing *k, enum capture_status status, const char *why, double value);

/* It is over, and this is why; or the samples are whole. */
void capturing_give_up(struct bus *bus, struct capturing *k, enum capture_status status, const char *why, double value);
void capturing_deliver(struct bus *bus, struct capturing *k);

#endif
