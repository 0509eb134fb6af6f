/* Runs a suite of Check cases and turns the outcome into an exit status; CK_VERBOSITY says how much is told. */
#ifndef SUITE_RUN_H
#define SUITE_RUN_H

#include <check.h>
#include <stdlib.h>

static inline int suite_run(Suite *suite)
{
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}

#endif
