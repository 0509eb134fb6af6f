/* A screen of a unit that holds, by the harness, and the journal of it in a folder that the caller removes. */
#ifndef KEPT_RUN_H
#define KEPT_RUN_H

#include "harness.h"

struct kept {
    char folder[64], path[128];
    int64_t run_no;
    struct verdict verdict;
};

/* Fails the test when the run does not hold. */
void kept_run(struct kept *k);
void kept_remove(const struct kept *k);

#endif
