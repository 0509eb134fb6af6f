/* A journal in a directory of its own, with an invented bench of two channels, for the tests of journal and uplink. */
#ifndef JOURNAL_FIXTURE_H
#define JOURNAL_FIXTURE_H

#include "journal.h"
#include "journal_read.h"

/* 2026-01-02 03:04:05 UTC, of the sessions that the fixture begins. */
#define FIXTURE_UTC_NS (INT64_C(1767323045) * 1000000000)

struct fixture {
    char dir[64];
    char path[96];
};

void fixture_make(struct fixture *f);
/* Removes the directory and what is in it. */
void fixture_remove(const struct fixture *f);

/* A bench named "north-bay" with channels A and B; the caller frees it. */
struct bench *fixture_bench(void);

/* Opens (creating) and begins a session whose bench clock starts at zero at utc_ns. Ends the test on failure. */
struct journal *fixture_open(const struct fixture *f, int64_t utc_ns);

/* Rows whose values follow from n alone. */
struct event fixture_event(uint64_t n, int32_t channel, int64_t run_no);
struct journal_reading fixture_reading(uint64_t n, int32_t channel, int64_t run_no);
struct verdict fixture_verdict(int64_t run_no, int32_t revision);
struct input fixture_start(uint64_t seq, int64_t run_no, int32_t channel);

/* One batch: input seq n, one reading each of channels A and B at n * 100 ms, and every tenth time an event of run 1.
 * Returns 0 or -1 and leaves the batch rolled back. */
int fixture_batch(struct journal *j, uint64_t n, struct error *err);

/* Past the library, as any SQLite program would: one number that a query gives; a change. */
int64_t fixture_ask(const char *path, const char *text);
void fixture_change(const char *path, const char *text);

void fixture_copy_file(const char *from, const char *to);

/* A run_row_fn: the last row into the struct journal_run that ctx is. */
int fixture_keep_run(void *ctx, const struct journal_run *run);

#endif
