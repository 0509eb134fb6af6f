/* The morning sheet: what a night left behind, from the record alone. Held, shut off, no result; when, cause, reset,
 * and what to do first; which result is no good and why; what is still locked; the record's head. */
#ifndef MORNING_H
#define MORNING_H

#include <jansson.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "journal_read.h"

struct morning;

/* Reads runs that ended, or still run, since since_utc_s; 0: the sixteen hours before the latest that the record holds.
 * At most 200 runs, the latest. NULL with err. */
struct morning *morning_new(struct journal_reader *r, int64_t since_utc_s, struct error *err);
void morning_free(struct morning *m);

/* "2 held, 1 shut off, 1 without a result, 1 channel locked". */
void morning_line(const struct morning *m, char *to, size_t cap);

/* The sheet as plain text, lines of some 100 columns. */
void morning_print(const struct morning *m, FILE *to);

/* The same as an object, the caller's; NULL when memory is short. */
json_t *morning_to_json(const struct morning *m);

/* What somebody does first after a shutoff, or at a channel that an interlock holds. A sentence. */
const char *first_after_cause(enum shutoff_cause cause);
const char *first_after_interlock(enum interlock which);

#endif
