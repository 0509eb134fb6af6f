/* Dates and times as text: RFC 3339, always UTC. */
#ifndef UTC_H
#define UTC_H

#include <stddef.h>
#include <stdint.h>

enum { UTC_CAP = 32 };

/* "2026-03-01T22:15:04.250Z". cap of UTC_CAP is enough. */
void utc_print(char *to, size_t cap, int64_t utc_ns);

/* "2026-03-01". */
void utc_print_date(char *to, size_t cap, int64_t utc_s);

/* Reads a date ("2026-03-01", its first second) or a date and time ("2026-03-01T22:15:04Z", "2026-03-01 22:15").
 * Years 1970 to 2261. Returns 0 or -1. */
int utc_parse(const char *text, int64_t *utc_s);

#endif
