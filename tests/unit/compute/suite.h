/* Runs one suite of tests and turns the outcome into an exit status. */
#ifndef SUITE_H
#define SUITE_H

#include "suite_run.h"

static inline int suite_main(TCase *cases)
{
    Suite *suite = suite_create("compute");
    tcase_set_timeout(cases, 300);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}

/* Pseudo-random numbers in [0, 1): xorshift, so that a failing case can be repeated. */
static inline double random_share(unsigned long long *state)
{
    unsigned long long x = *state;
    x ^= x << 13;
    x ^= x >> 7;
    x ^= x << 17;
    *state = x;
    return (double)(x >> 11) / 9007199254740992.0;
}

#endif
