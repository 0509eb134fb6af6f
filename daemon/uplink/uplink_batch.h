/* The next rows for a store, rendered and checked. */
#ifndef UPLINK_BATCH_H
#define UPLINK_BATCH_H

#include "journal_read.h"
#include "line_protocol.h"

/* A line that our own checker refuses is never sent. */
struct refused_line {
    enum feed feed;
    int64_t row;
    char words[TEXT_CAP];
    char line[2048];
};

enum { REFUSED_MAX = 16 };

struct uplink_batch {
    struct line_text text;
    int lines;
    int64_t last[FEED_COUNT_]; /* last row looked at, sent or not */
    int feed_lines[FEED_COUNT_];
    int64_t first_ms[FEED_COUNT_], last_ms[FEED_COUNT_]; /* stamps of the lines */
    enum feed only_feed;                                 /* of the newest line: the poison, when it is the only one */
    int64_t only_row;
    int64_t only_ms;
    int refused_count;
    struct refused_line refused[REFUSED_MAX];
    /* names of the channels of the epoch of the row before */
    uint64_t name_epoch;
    bool known[CHANNELS_MAX];
    char names[CHANNELS_MAX][NAME_CAP];
};

struct batch_limits {
    int lines;
    size_t bytes;
    bool with_text;
    const char *bench;
};

/* Events first, then verdicts, then readings, each from the row behind `after` on. Returns 0 or -1. */
int uplink_batch_fill(struct uplink_batch *b, struct journal_reader *r, const int64_t after[FEED_COUNT_],
                      const struct batch_limits *limits, struct error *err);

#endif
