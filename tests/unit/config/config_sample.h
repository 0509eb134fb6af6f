/* A small good bench and its maps in memory, and cases made by replacing a piece of it. */
#ifndef CONFIG_SAMPLE_H
#define CONFIG_SAMPLE_H

#include "config.h"

/* Short, for tables. */
#define E PROBLEM_ERROR
#define W PROBLEM_WARNING
#define H PROBLEM_HINT

extern const char sample_bench[], sample_bank_map[], sample_meter_map[], sample_text_map[], sample_unit[];

/* Serves maps/bank.yaml, maps/meter.yaml and maps/words.yaml from memory. */
extern const struct file_reader sample_files;

/* A mistake: `find` of the sample is replaced by `replace`, in which '@' marks the place that the message must name
 * (find "" appends at the end). */
struct mistake {
    const char *find;
    const char *replace;
    enum problem_level level;
    const char *words;  /* must be in the message */
    const char *remedy; /* must be in the remedy */
};

/* Makes the text of a case; the caller frees it. line and column are where '@' stood. */
char *mistake_text(const char *sample, const struct mistake *m, int *line, int *column);

/* The problem of this level at this place, NULL when there is none. */
const struct problem *problem_at(const struct problems *list, enum problem_level level, int line, int column);

/* Prints the list, for a test that fails. */
void problems_show(const struct problems *list);

/* Fails the test unless the mistake is reported at its place, in its words. load reads the text and gives its result.
 */
void mistake_check(const char *sample, const struct mistake *m, int (*load)(const char *text, struct problems *list));

#endif
