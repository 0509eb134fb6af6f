/* What run watch shows on a terminal: the lines of the block that is redrawn in place. Pure text from the live view. */
#ifndef WATCH_VIEW_H
#define WATCH_VIEW_H

#include <jansson.h>

#include "bench.h"

enum { WATCH_LINES_MAX = 16, WATCH_LINE_CAP = 400 };

struct watch_lines {
    int count;
    char text[WATCH_LINES_MAX][WATCH_LINE_CAP];
};

/* Fills lines from a channel of the live view (its run's). limits gives the bands; NULL: those that hold unless
 * configured. */
void watch_view(const json_t *channel, const struct bench_limits *limits, struct watch_lines *lines);

/* The cycle as a strip of width characters: '#' on-load behind, '-' pause behind, '>' now, '=' on-load to come, '.'
 * pause to come. */
void watch_strip(char *to, size_t cap, int width, double elapsed_s, double on_load_goal_s, double cycle_s);

#endif
