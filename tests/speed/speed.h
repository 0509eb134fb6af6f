/* For programs that print what something costs beside what the same work costs bare, in the same run. */
#ifndef SPEED_H
#define SPEED_H

#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static inline double speed_now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

/* Processor time of the calling thread: does not care who else wants the machine. */
static inline double speed_cpu_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

_Noreturn static inline void speed_fail(const char *what, const char *words)
{
    (void)fprintf(stderr, "%s: %s\n", what, words);
    exit(1);
}

static inline int speed_by_size(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* Sorts the figures. */
static inline double speed_median(double *figures, size_t count)
{
    qsort(figures, count, sizeof figures[0], speed_by_size);
    return figures[count / 2];
}

#endif
