/* What becomes of a run when it is over: a photo, a remark, the correction of a meter that was wrong; sealing. A run of
 * the real daemon on the virtual clock; what is on record is asked of the real client. */
#define _GNU_SOURCE /* mkdtemp */
#include <check.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "harness.h"
#include "journal.h"
#include "journal_read.h"
#include "kept_run.h"
#include "replay.h"
#include "suite_run.h"

static void client(const struct kept *k, const char *words, int status, const char *expected)
{
    static char command[1024], out[65536];
    (void)text_format(command, sizeof command, "cd %s && SOAKBENCH_SOCKET=none '%s' %s --journal %s 2>&1", k->folder,
                      SOAKBENCH_BINARY, words, k->path);
    FILE *p = popen(command, "r");
    ck_assert_ptr_nonnull(p);
    size_t n = fread(out, 1, sizeof out - 1, p);
    out[n] = '\0';
    int ended = pclose(p);
    ck_assert_msg(WEXITSTATUS(ended) == status && strstr(out, expected) != NULL, "%s: status %d, \"%s\" in\n%s", words,
                  WEXITSTATUS(ended), expected, out);
}

/* The daemon's next session, as far as the journal is concerned. */
static struct journal *next_session(const struct kept *k)
{
    struct error err = {""};
    struct bench *bench = calloc(1, sizeof *bench);
    struct journal_reader *r = journal_reader_open(k->path, &err);
    ck_assert(bench != NULL && r != NULL && journal_reader_bench(r, 1, bench, &err) == 1);
    journal_reader_close(r);
    struct journal *j = journal_open(k->path, 0, &err);
    ck_assert_msg(j != NULL, "%s", err.text);
    struct journal_session s = {
        .epoch = journal_next_epoch(j), .anchor_utc_ns = INT64_C(1780000000) * 1000000000, .rate = 1};
    ck_assert_int_eq(journal_begin(j, &err), 0);
    ck_assert_msg(journal_put_session(j, &s, bench, &err) == 0, "%s", err.text);
    ck_assert_int_eq(journal_commit(j, &err), 0);
    free(bench);
    return j;
}

static int revise(struct journal *j, int64_t run_no, const struct verdict *v, const char *words, struct error *err)
{
    struct journal_addendum a = {.run_no = run_no, .utc_s = 1780000060, .who = "R. Field"};
    (void)text_copy(a.name, sizeof a.name, words);
    (void)text_copy(a.note, sizeof a.note, "HQ-C-118 read high by 8 %");
    int rc = journal_begin(j, err);
    if (rc == 0)
        rc = journal_put_correction(j, &a, v, 60 * H_SECOND, err);
    if (rc == 0)
        rc = journal_commit(j, err);
    if (rc != 0)
        journal_rollback(j);
    return rc;
}

START_TEST(a_wrong_meter_gives_a_new_revision)
{
    struct kept k = {0};
    struct error err = {""};
    struct corrections c;
    kept_run(&k);
    ck_assert_int_eq(k.verdict.kind, VERDICT_HELD);
    ck_assert_int_eq(k.verdict.revision, 1);
    client(&k, "run list --instrument HQ-C-118 --since 2020-01-01", 0, "HQ-0147");
    client(&k, "run list --instrument HQ-C-118 --since 2100-01-01", 0, "No runs");
    client(&k, "run list --instrument HQ-C-999 --since 2020-01-01", 0, "No runs");
    /* The meter read 8 % high: the unit was never loaded with its rated current. */
    ck_assert_int_eq(corrections_parse("i2 -8 %", &c, &err), 0);
    struct rejudged *now = calloc(1, sizeof *now);
    struct journal_reader *r = journal_reader_open(k.path, &err);
    ck_assert_msg(replay_corrected(r, k.run_no, &c, now, &err) == 0, "%s", err.text);
    ck_assert_int_eq(now->before.kind, VERDICT_HELD);
    ck_assert_int_ne(now->now.kind, VERDICT_HELD);
    ck_assert_int_eq(now->now.revision, 2);
    /* A mean over the conducting part, whose ends lie a reading apart when the current is lower. */
    ck_assert_double_eq_tol(now->now.current_a, k.verdict.current_a * 0.92, 1e-3 * k.verdict.current_a);
    client(&k, "run rejudge 1 --correct 'i2 -8 %' --try", 0, "Nothing was recorded");
    client(&k, "run rejudge 1 --correct 'i9 -8 %' --try", 2, "i9");
    client(&k, "run rejudge 1 --correct 'i2 8 %' --try", 2, "a sign");
    client(&k, "run rejudge 1 --correct 'i2 -8 V' --try", 2, "V");
    client(&k, "run rejudge 77 --correct 'i2 -8 %' --try", 1, "no run 77");

    struct journal *j = next_session(&k);
    struct verdict skips = now->now;
    skips.revision = 3;
    ck_assert_int_eq(revise(j, k.run_no, &skips, "i2 -8 %", &err), -1);
    ck_assert_msg(revise(j, k.run_no, &now->now, "i2 -8 %", &err) == 0, "%s", err.text);
    ck_assert_int_eq(revise(j, k.run_no, &now->now, "i2 -8 %", &err), -1); /* never overwrites */
    ck_assert_int_eq(journal_end_session(j, 0, NULL), -1);
    journal_close(j);
    client(&k, "run show 1", 0, "Revision 2. Verdict: ");
    client(&k, "run show 1", 0, "revision 2: i2 -8 %");
    client(&k, "run show 1 --json", 0, "\"revision\": 1");
    client(&k, "replay 1", 0, "So is the revision that was made by a meter's correction.");
    client(&k, "record 1 --pdf record.pdf", 0, "Written");
    client(&k, "journal check", 0, "sound");
    client(&k, "export 1 --to out", 0, "out");
    char command[192];
    (void)text_format(
        command, sizeof command,
        "cd %s && pdftotext record.pdf - | tr '\\n' ' ' | grep -q 'Revision 2. It supersedes and replaces' &&"
        " grep -q '\"correction\": \"i2 -8 %%\"' out/datapackage.json",
        k.folder);
    ck_assert_int_eq(system(command), 0);

    /* A revision that the correction does not give is told. */
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(k.path, &db), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db, "UPDATE addenda SET name = 'i2 -7 %'", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    client(&k, "replay 1", 1, "by the correction");
    client(&k, "journal check", 1, "run 1");
    journal_reader_close(r);
    free(now);
    kept_remove(&k);
}
END_TEST

static int attach(struct journal *j, const char *name, const char *bytes, const char *note, int64_t run_no)
{
    struct error err = {""};
    struct journal_addendum a = {
        .run_no = run_no, .utc_s = 1780000000, .kind = bytes ? ADDENDUM_FILE : ADDENDUM_REMARK, .who = "R. Field"};
    (void)text_copy(a.name, sizeof a.name, name);
    (void)text_copy(a.note, sizeof a.note, note);
    int rc = journal_begin(j, &err);
    if (rc == 0)
        rc = journal_put_addendum(j, &a, bytes, bytes ? strlen(bytes) : 0, &err);
    if (rc == 0)
        rc = journal_commit(j, &err);
    if (rc != 0)
        journal_rollback(j);
    return rc;
}

static const char *const damages[][2] = {
    {"UPDATE blobs SET bytes = 'another photo' WHERE digest = (SELECT digest FROM addenda WHERE id = 1)",
     "\"plate.jpg\", attached to run 1, was changed"},
    {"PRAGMA foreign_keys = OFF; DELETE FROM blobs WHERE digest = (SELECT digest FROM addenda WHERE id = 1)",
     "\"plate.jpg\", attached to run 1, is missing"},
    {"DELETE FROM addenda WHERE id = 2", "run 1"},
    {"UPDATE addenda SET note = 'nothing was seen' WHERE id = 2", "run 1"},
};

START_TEST(photos_and_remarks_stand_under_the_digest)
{
    struct kept k = {0};
    char command[256];
    kept_run(&k);
    struct journal *j = next_session(&k);
    ck_assert_int_eq(attach(j, "plate.jpg", "a photo", "rating plate", k.run_no), 0);
    ck_assert_int_eq(attach(j, "", NULL, "fan louder than usual", k.run_no), 0);
    ck_assert_int_eq(attach(j, "plate.jpg", "another", "", k.run_no), -1); /* the name is taken */
    ck_assert_int_eq(attach(j, "x.jpg", "another", "", 77), -1);
    journal_close(j);
    client(&k, "run show 1", 0, "fan louder than usual");
    client(&k, "journal check", 0, "sound");
    client(&k, "record 1 --pdf record.pdf", 0, "Written");
    client(&k, "export 1 --to out", 0, "out");
    (void)text_format(
        command, sizeof command,
        "cd %s && test \"$(cat out/attachment-1-plate.jpg)\" = 'a photo' && pdftotext record.pdf - | tr '\\n'"
        " ' ' | grep -q 'Added when the run was over.*plate.jpg.*fan louder than usual'",
        k.folder);
    ck_assert_int_eq(system(command), 0);
    client(&k, "replay 1", 0, "the same to the bit");
    for (size_t i = 0; i < sizeof damages / sizeof damages[0]; i++) {
        struct kept copy = k;
        (void)text_format(copy.path, sizeof copy.path, "%s/copy-%zu.db", k.folder, i);
        struct error err = {""};
        struct journal_reader *r = journal_reader_open(k.path, &err);
        ck_assert_msg(journal_backup(r, copy.path, &err) == 0, "%s", err.text);
        journal_reader_close(r);
        sqlite3 *db;
        ck_assert_int_eq(sqlite3_open(copy.path, &db), SQLITE_OK);
        ck_assert_int_eq(sqlite3_exec(db, damages[i][0], NULL, NULL, NULL), SQLITE_OK);
        sqlite3_close(db);
        client(&copy, "journal check", 1, damages[i][1]);
    }
    kept_remove(&k);
}
END_TEST

static int64_t ask(const struct kept *k, const char *text)
{
    sqlite3 *db;
    sqlite3_stmt *st;
    char attach_text[512];
    (void)text_format(attach_text, sizeof attach_text, "ATTACH '%s/before.db' AS was; ATTACH '%s/after.db' AS is_now",
                      k->folder, k->folder);
    ck_assert_int_eq(sqlite3_open_v2(k->path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db, attach_text, NULL, NULL, NULL), SQLITE_OK);
    ck_assert_msg(sqlite3_prepare_v2(db, text, -1, &st, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    ck_assert_int_eq(sqlite3_step(st), SQLITE_ROW);
    int64_t n = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return n;
}

/* Sealed, the run is judged again to the same bit, and its plain rows come out as they went in. What is judged without
 * an input log is told to be impossible. */
START_TEST(a_sealed_run_is_the_same_run)
{
    struct kept k = {0};
    struct error err = {""};
    struct journal_upkeep u = {.seal_before_utc_us = INT64_C(4000000000000000)};
    kept_run(&k);
    client(&k, "journal unpack 1 --to before.db", 0, "its events, verdicts and inputs");
    struct journal *j = next_session(&k);
    int rc;
    while ((rc = journal_maintain(j, &u, &err)) == 1)
        ;
    ck_assert_msg(rc == 0, "%s", err.text);
    journal_close(j);
    client(&k, "journal unpack 1 --to after.db", 0, "its events, verdicts and inputs");
    ck_assert_int_eq(ask(&k, "SELECT (SELECT count(*) FROM input_blocks) + (SELECT count(*) FROM reading_rows)"), 0);
    ck_assert_int_gt(ask(&k, "SELECT count(*) FROM was.inputs WHERE kind = 'readings' AND length(bytes) > 40"), 1000);
    ck_assert_int_eq(ask(&k, "SELECT count(*) FROM was.inputs WHERE kind = 'operator'"), 1);
    ck_assert_int_eq(ask(&k, "SELECT count(*) FROM (SELECT * FROM was.inputs EXCEPT SELECT * FROM is_now.inputs)"), 0);
    ck_assert_int_eq(ask(&k, "SELECT count(*) FROM (SELECT * FROM is_now.inputs EXCEPT SELECT * FROM was.inputs)"), 0);
    ck_assert_int_eq(ask(&k, "SELECT count(*) FROM (SELECT * FROM was.readings EXCEPT SELECT * FROM is_now.readings)"),
                     0);
    client(&k, "replay 1", 0, "the same to the bit");
    client(&k, "run rejudge 1 --correct 'i2 -8 %' --try", 0, "Nothing was recorded");
    client(&k, "journal check", 0, "sound");
    client(&k, "verify", 0, "sound");
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(k.path, &db), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db,
                                  "DELETE FROM sealed_inputs; INSERT INTO removals(utc_s, cause, what, epoch, first,"
                                  " last) VALUES(1780000000, 1, 2, 1, 1, 5000)",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    sqlite3_close(db);
    client(&k, "replay 1", 1, "retention removed inputs 1 to 5000 on 2026-05-28");
    client(&k, "run rejudge 1 --correct 'i2 -8 %' --try", 1, "retention removed");
    kept_remove(&k);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("addenda");
    TCase *t = tcase_create("addenda");
    tcase_set_timeout(t, 180);
    tcase_add_test(t, a_wrong_meter_gives_a_new_revision);
    tcase_add_test(t, photos_and_remarks_stand_under_the_digest);
    tcase_add_test(t, a_sealed_run_is_the_same_run);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
