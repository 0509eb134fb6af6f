/* Figures of a bus and of each device on it: plain copies, taken under a lock by bus_stats(). */
#ifndef BUS_STATS_H
#define BUS_STATS_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"

enum bus_error {
    BUS_OK,
    BUS_TIMEOUT,      /* no whole answer within the time */
    BUS_BAD_CHECKSUM, /* CRC of a frame */
    BUS_BAD_ANSWER,   /* malformed, or not an answer to the question (a late one, noise) */
    BUS_WRONG_SERVER, /* answer from another server address */
    BUS_EXCEPTION,    /* the device refused */
    BUS_LINK_LOST,    /* connection or port gone */
    BUS_NOT_SENT,     /* could not be asked: value does not fit, nothing to write to */
    BUS_ERROR_COUNT_
};

const char *bus_error_name(enum bus_error error);

/* Histogram of times with eight buckets an octave from 1 us to about 68 s; the last takes all that is longer. */
enum { TIME_BUCKETS = 26 * 8 + 1 };

struct time_histogram {
    uint64_t count;
    int64_t longest_ns;
    uint32_t buckets[TIME_BUCKETS];
};

void time_histogram_add(struct time_histogram *h, int64_t ns);

/* Upper edge of the bucket that holds the given share (0 to 1) of all times; 0 when empty. At most 12.5 % too high. */
int64_t time_histogram_quantile(const struct time_histogram *h, double share);

struct device_stats {
    int device;
    bool up;
    uint64_t transactions;
    uint64_t errors[BUS_ERROR_COUNT_];
    uint32_t exceptions[16]; /* by Modbus exception code, 0 and 15: others */
    uint64_t losses;         /* how often the device was declared lost */
    uint64_t polls_missed;   /* times in the timetable that went by without a request */
    uint64_t beats;
    int block_limit;                /* registers a request as learnt; 0: as the map says */
    int64_t cycle_ns;               /* last achieved interval between two polls of the same block */
    struct time_histogram latency;  /* of answered transactions, real time */
    struct time_histogram lateness; /* start of a poll behind its time in the timetable, bench time */
};

struct bus_stats {
    int bus;
    bool connected;
    uint64_t connects, connect_failures;
    uint64_t transactions;
    uint64_t errors[BUS_ERROR_COUNT_];
    uint64_t bytes_flushed;    /* arrived when nobody had asked */
    uint64_t commands_refused; /* queue full */
    uint64_t inputs_refused;   /* the sink did not take an input */
    int64_t elapsed_ns;        /* real, since the bus first ran */
    int64_t busy_ns;           /* real, inside transactions */
    int64_t line_ns;           /* theoretical time of all frames and gaps on a serial line; 0 elsewhere */
    struct time_histogram latency;
    struct time_histogram lateness;
    int device_count;
    struct device_stats devices[DEVICES_MAX];
};

#endif
