#define _GNU_SOURCE /* mkdtemp */
#include "kept_run.h"

#include <check.h>
#include <stdlib.h>

#include "journal_read.h"

void kept_run(struct kept *k)
{
    struct error err = {""};
    struct harness_setup setup = {.bench = "config/examples/two-units", .real_share = 60};
    struct harness *h = harness_proved(&setup);
    harness_rig(h, "A");
    struct input_operator order =
        harness_start_order(h, "A", "config/examples/units/hq-0147.yaml", 0, PROCEDURE_SCREEN);
    k->run_no = harness_start(h, &order);
    harness_run_until_done(h, "A", H_HOUR);
    harness_finish(h);
    ck_assert(harness_verdict(h, k->run_no, &k->verdict));
    ck_assert_int_eq(k->verdict.kind, VERDICT_HELD);
    (void)text_copy(k->folder, sizeof k->folder, "/tmp/soakbench-test-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(k->folder));
    (void)text_format(k->path, sizeof k->path, "%s/journal.db", k->folder);
    struct journal_reader *r = journal_reader_open(h->journal_path, &err);
    ck_assert_msg(r != NULL && journal_backup(r, k->path, &err) == 0, "%s", err.text);
    journal_reader_close(r);
    harness_free(h);
}

void kept_remove(const struct kept *k)
{
    char command[128];
    (void)text_format(command, sizeof command, "rm -r %s", k->folder);
    ck_assert_int_eq(system(command), 0);
}
