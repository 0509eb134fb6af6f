#include "replay_check.h"

#include <check.h>
#include <stdlib.h>

#include "error.h"
#include "journal_read.h"
#include "replay.h"

int replay_check(struct harness *h, int64_t run_no, int least_estimates)
{
    struct error err = {""};
    struct replay_result *result = calloc(1, sizeof *result);
    struct journal_reader *reader = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(reader && result && replay_run(reader, run_no, result, &err) == 0, "%s", err.text);
    const struct replay_difference *d = result->found.list;
    ck_assert_msg(result->found.count == 0, "%s, %s: on record %s, replayed %s", d->where, d->field, d->recorded,
                  d->replayed);
    ck_assert_int_gt(result->events, 10);
    ck_assert(result->has_verdict);
    ck_assert_int_ge(result->estimates, least_estimates);
    int plans = result->plans;
    journal_reader_close(reader);
    free(result);
    return plans;
}
