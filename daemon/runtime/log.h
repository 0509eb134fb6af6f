/* Diagnostics of the daemon: lines for the person who looks after it. No thread but the log's own touches the
 * descriptor: lines go through a bounded ring (full: the line is dropped and counted, and the count is printed).
 * The same line again within ten seconds of real time is held back and counted. Measurements and judgements do not
 * belong here; they go to the journal. Any thread may write. */
#ifndef LOG_H
#define LOG_H

#include <stdint.h>

#include "bench_clock.h"

enum log_level { LOG_LEVEL_ERROR, LOG_LEVEL_WARN, LOG_LEVEL_NOTICE, LOG_LEVEL_INFO, LOG_LEVEL_DEBUG };

struct log;

/* A log that writes lines up to `level` to descriptor fd (which stays the caller's). prefix_levels puts the syslog
 * level in front of each line, as a service manager that reads the standard error likes it. NULL when memory is out. */
struct log *log_new(const struct bench_clock *clock, int fd, enum log_level level, int prefix_levels);

/* Start the thread that writes. Without it the owner calls log_drain. 0 or -1. */
int log_start(struct log *log);

/* Write what is in the ring now. */
void log_drain(struct log *log);

/* Stops the thread, writes the rest, frees. */
void log_free(struct log *log);

/* One line, without its newline. log may be NULL: nothing happens. */
void log_write(struct log *log, enum log_level level, const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
