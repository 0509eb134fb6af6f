/* What is wrong with a file, all of it at once: each problem with its place, and what to do about it. */
#ifndef PROBLEMS_H
#define PROBLEMS_H

#include <stdbool.h>
#include <stddef.h>

#include "capacity.h"

enum problem_level {
    PROBLEM_ERROR,   /* the file is refused */
    PROBLEM_WARNING, /* the file is taken, but something is likely to go wrong */
    PROBLEM_HINT     /* worth knowing */
};

struct problem {
    enum problem_level level;
    char file[PATH_CAP];
    int line, column;    /* from 1, in characters; 0: the file as a whole */
    char path[PATH_CAP]; /* where in the structure: channels[A].load.steps[2].power; list items by name or from 1 */
    char text[TEXT_CAP];
    char remedy[TEXT_CAP]; /* what to do; may be empty */
};

enum { PROBLEMS_MAX = 256 };

/* A list that the caller begins with {0} and ends with problems_free. Beyond PROBLEMS_MAX only the counts grow. */
struct problems {
    struct problem *items;
    int count, cap;
    int errors, warnings, hints;
    bool out_of_memory;
};

/* Adds a copy. Out of memory: counted as an error all the same, so nothing is taken for good by mistake. */
void problems_add(struct problems *list, const struct problem *problem);

/* Sorts by file, line and column; files keep the order in which they first appear. */
void problems_sort(struct problems *list);

/* "error", "warning" or "hint". */
const char *problem_level_name(enum problem_level level);

/* One problem as text for people, over two lines when it has a remedy: "file:line:column: error: path: text". Cut to
 * cap bytes. */
void problem_print(char *to, size_t cap, const struct problem *problem);

void problems_free(struct problems *list);

#endif
