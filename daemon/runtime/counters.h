/* Everything that can be lost, refused or retried in the daemon, in one list. */
#ifndef COUNTERS_H
#define COUNTERS_H

struct runtime;

/* Text of one JSON object, malloc'd and the caller's; NULL when memory is short. Any thread. */
char *counters_print(struct runtime *rt);

#endif
