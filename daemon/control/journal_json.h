/* What the journal holds, as JSON: for the control socket, the client's work on a journal file, and the web API. Lists
 * come in pages, oldest or newest first as said, never more than JOURNAL_PAGE_MAX rows at once. */
#ifndef JOURNAL_JSON_H
#define JOURNAL_JSON_H

#include <jansson.h>

#include "bench.h"
#include "error.h"
#include "journal_read.h"

enum { JOURNAL_PAGE_MAX = 1000 };

json_t *run_to_json(const struct journal_run *run);
json_t *unit_to_json(const struct journal_unit *unit);
json_t *inspection_to_json(const struct journal_inspection *t);

/* bench of the event's session, or NULL. */
json_t *journal_event_to_json(const struct journal_event *e, const struct bench *bench);
json_t *journal_verdict_to_json(const struct journal_verdict *v);

/* {"runs":[...]}; filter's limit is brought below JOURNAL_PAGE_MAX. NULL with err. */
json_t *runs_to_json(struct journal_reader *r, const struct run_filter *filter, struct error *err);

/* {"run":{...},"verdicts":[all revisions],"digest":"...","addenda":[...],"use":{...}}. NULL with err; *found is false
 * when there is no such run. */
json_t *run_detail_to_json(struct journal_reader *r, int64_t run_no, bool *found, struct error *err);

/* {"events":[...],"last_row":n,"more":true}: events of a run (0: all) behind row `after`, at most limit. NULL with err.
 */
json_t *events_to_json(struct journal_reader *r, int64_t run_no, int64_t after, int64_t limit, struct error *err);

/* {"units":[...],"more":true}: latest plates by the units' names, those behind `after` (NULL: from the first), at most
 * limit. NULL with err. */
json_t *units_to_json(struct journal_reader *r, const char *after, int64_t limit, struct error *err);

/* {"unit":{plate, version},"inspections":[...],"dispositions":[...],"baseline_run":n,"runs":[newest first]}. NULL with
 * err; *found as above. */
json_t *unit_detail_to_json(struct journal_reader *r, const char *serial, bool *found, struct error *err);

/* The latest safety inspection of a unit; zeros (done_utc_s 0) when there is none. Returns 0 or -1. */
int last_inspection(struct journal_reader *r, const char *serial, struct journal_inspection *last, struct error *err);

#endif
