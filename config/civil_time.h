/* Dates and moments of the Gregorian calendar in UTC, as ISO 8601 writes them. */
#ifndef CIVIL_TIME_H
#define CIVIL_TIME_H

#include <stddef.h>
#include <stdint.h>

/* "2027-05-31" to the seconds since 1970 of its midnight. Returns 0, or -1 when it is no date from 1970 to 2199. */
int civil_parse_date(const char *text, int64_t *utc_s);

/* "2026-01-05T06:00:00Z". Returns 0 or -1. */
int civil_parse_instant(const char *text, int64_t *utc_s);

void civil_print_date(int64_t utc_s, char *to, size_t cap);
void civil_print_instant(int64_t utc_s, char *to, size_t cap);

#endif
