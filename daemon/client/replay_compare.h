/* What differs between the record and its replay, side by side: every field of every event and verdict. */
#ifndef REPLAY_COMPARE_H
#define REPLAY_COMPARE_H

#include <stdbool.h>
#include <stdint.h>

#include "event.h"
#include "verdict.h"

enum { DIFFERENCES_MAX = 5000, DIFFERENCE_CELL = 192, LEFT_MAX = 512 };

struct replay_difference {
    char where[96];                 /* "event 41 cycle", "verdict, revision 1" */
    char field[40];                 /* as in JSON: "values[2] (at_rated_s)", "reason" */
    char recorded[DIFFERENCE_CELL]; /* "-": not on record */
    char replayed[DIFFERENCE_CELL]; /* "-": not replayed */
};

struct replay_differences {
    int64_t count; /* all; the first DIFFERENCES_MAX are kept */
    int kept, cap;
    struct replay_difference *list;
    int left_count[2];
    struct event *left[2]; /* events that only one side had at their input: on record, replayed */
    bool shifted;          /* an event more or less: numbers of the later ones differ for that alone */
};

void differences_free(struct replay_differences *d);

/* One difference in words. where and field as above. */
void differences_add(struct replay_differences *d, const char *where, const char *field, const char *recorded,
                     const char *replayed);

/* The events that one input brought about, on record and replayed. One that only one side has does not put the others
 * out of step; it is kept, to be held against one of its kind that came with another input. */
void compare_events(struct replay_differences *d, const struct event *was, int was_count, const struct event *is,
                    int is_count);

/* All events are compared: those that were left on one side are paired by kind and channel in their order, and what has
 * no partner is told as such. */
void compare_left(struct replay_differences *d);

/* A verdict field by field, but for the version of the rules, which is told beside. */
void compare_verdicts(struct replay_differences *d, const char *where, const struct verdict *was,
                      const struct verdict *is);

/* Bit for bit the same, but for the version of the rules? */
bool same_verdict(const struct verdict *a, const struct verdict *b);

#endif
