/* Runs one suite of tests and turns the outcome into an exit status. */
#ifndef SUITE_H
#define SUITE_H

#include <check.h>
#include <stdlib.h>

static inline int suite_main(TCase *cases)
{
    Suite *suite = suite_create("compute");
    tcase_set_timeout(cases, 300);
    suite_add_tcase(suite, cases);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
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
