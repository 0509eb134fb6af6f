/* A run journaled under another version, replayed: the same judgement and said so, or another one, with every figure,
 * event and field of the verdict that differs side by side. The stored version is altered here; other rules are played
 * by other limits in the stored bench, so that what is judged has really been judged otherwise. */
#define _GNU_SOURCE /* mkdtemp */
#include <check.h>
#include <jansson.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "digest.h"
#include "engine.h"
#include "harness.h"
#include "journal_read.h"
#include "kept_run.h"
#include "suite_run.h"

static char out[262144];

static int replay(const struct kept *k, const char *words)
{
    char command[512];
    (void)text_format(command, sizeof command, "SOAKBENCH_SOCKET=none '%s' replay 1 --journal %s %s 2>&1",
                      SOAKBENCH_BINARY, k->path, words);
    FILE *p = popen(command, "r");
    ck_assert_ptr_nonnull(p);
    out[fread(out, 1, sizeof out - 1, p)] = '\0';
    return WEXITSTATUS(pclose(p));
}

static void said(const char *words)
{
    ck_assert_msg(strstr(out, words) != NULL, "\"%s\" is not in\n%.3000s", words, out);
}

static sqlite3 *open_journal(const struct kept *k)
{
    sqlite3 *db = NULL;
    ck_assert_int_eq(sqlite3_open(k->path, &db), SQLITE_OK);
    return db;
}

static void do_sql(sqlite3 *db, const char *sql, const void *digest, const void *bytes, int size)
{
    sqlite3_stmt *st = NULL;
    ck_assert_int_eq(sqlite3_prepare_v2(db, sql, -1, &st, NULL), SQLITE_OK);
    if (digest)
        ck_assert_int_eq(sqlite3_bind_blob(st, 1, digest, DIGEST_SIZE, SQLITE_STATIC), SQLITE_OK);
    if (bytes) {
        ck_assert_int_eq(sqlite3_bind_int(st, 2, size), SQLITE_OK);
        ck_assert_int_eq(sqlite3_bind_blob(st, 3, bytes, size, SQLITE_STATIC), SQLITE_OK);
    }
    ck_assert_int_eq(sqlite3_step(st), SQLITE_DONE);
    ck_assert_int_eq(sqlite3_finalize(st), SQLITE_OK);
}

/* The stored version becomes one that never was. */
static void put_version(const struct kept *k)
{
    sqlite3 *db = open_journal(k);
    do_sql(db, "UPDATE sessions SET engine_version = 'soakbench-engine 0'", NULL, NULL, 0);
    ck_assert_int_eq(sqlite3_close(db), SQLITE_OK);
}

/* Start transients of ten seconds, and a place above 1000 m, which is harsh: figures differ, the run goes as it went.
 */
static void judge_otherwise(struct bench_limits *l)
{
    l->settle_ns[PROCESS_TIG] = 10 * H_SECOND;
    l->altitude_m = 1500;
}

/* Thirty seconds beyond the rated time, for which this run did not stay on-load: it comes out otherwise. */
static void want_more(struct bench_limits *l)
{
    l->guard_on_load_ns = 30 * H_SECOND;
}

static void put_other_rules(const struct kept *k, void (*edit)(struct bench_limits *l))
{
    struct error err = {""};
    struct bench *bench = calloc(1, sizeof *bench);
    struct digest digest;
    struct journal_reader *r = journal_reader_open(k->path, &err);
    ck_assert(bench != NULL && r != NULL && journal_reader_bench(r, 1, bench, &err) == 1);
    journal_reader_close(r);
    edit(&bench->limits);
    size_t size = bench_encode(bench, NULL, 0);
    uint8_t *bytes = malloc(size);
    ck_assert(bytes != NULL && bench_encode(bench, bytes, size) == size && digest_of(bytes, size, &digest) == 0);
    sqlite3 *db = open_journal(k);
    do_sql(db, "INSERT INTO blobs(digest, size, codec, bytes) VALUES(?1, ?2, 0, ?3)", digest.bytes, bytes, (int)size);
    do_sql(db, "UPDATE sessions SET bench = ?1", digest.bytes, NULL, 0);
    ck_assert_int_eq(sqlite3_close(db), SQLITE_OK);
    free(bytes);
    free(bench);
}

START_TEST(another_version_that_judges_the_same)
{
    struct kept k;
    kept_run(&k);
    put_version(&k);
    ck_assert_int_eq(replay(&k, ""), 0);
    said("Recorded by soakbench-engine 0 (rules");
    said("another version, the same judgement");
    ck_assert_int_eq(replay(&k, "--json"), 0);
    json_t *a = json_loads(out, 0, NULL);
    ck_assert_str_eq(json_string_value(json_object_get(a, "recorded_by")), "soakbench-engine 0");
    ck_assert_str_eq(json_string_value(json_object_get(a, "replayed_by")), engine_version());
    ck_assert_int_eq(json_integer_value(json_object_get(a, "replayed_rules")), RULES_VERSION);
    ck_assert(json_is_true(json_object_get(a, "same")));
    json_decref(a);
    kept_remove(&k);
}
END_TEST

/* The difference of this place and field; NULL: not told. */
static const json_t *difference(const json_t *answer, const char *where, const char *field)
{
    size_t i;
    json_t *one;
    json_array_foreach(json_object_get(answer, "differences"), i, one)
    {
        if (strstr(json_string_value(json_object_get(one, "where")), where) &&
            strcmp(json_string_value(json_object_get(one, "field")), field) == 0)
            return one;
    }
    return NULL;
}

static void differs(const json_t *answer, const char *where, const char *field, const char *was, const char *is)
{
    const json_t *d = difference(answer, where, field);
    ck_assert_msg(d != NULL, "%s: %s is not told in\n%.3000s", where, field, out);
    const char *recorded = json_string_value(json_object_get(d, "recorded"));
    const char *replayed = json_string_value(json_object_get(d, "replayed"));
    ck_assert_msg(strstr(recorded, was) && strstr(replayed, is), "%s, %s: \"%s\" and \"%s\"", where, field, recorded,
                  replayed);
}

/* Every key in which the two judgements of the answer differ is among the differences. */
static void names_every_field(const json_t *answer)
{
    const char *key;
    json_t *value;
    json_t *was = json_object_get(answer, "recorded"), *is = json_object_get(answer, "judgement");
    int differing = 0;
    json_object_foreach(was, key, value)
    {
        if (json_equal(value, json_object_get(is, key)))
            continue;
        differing++;
        ck_assert_msg(difference(answer, "verdict, revision 1", key) != NULL, "%s is not told", key);
    }
    ck_assert_int_ge(differing, 2);
    ck_assert_int_eq(json_integer_value(json_object_get(answer, "difference_count")),
                     (json_int_t)json_array_size(json_object_get(answer, "differences")));
}

static json_t *replayed_by_other_rules(struct kept *k, void (*edit)(struct bench_limits *l))
{
    kept_run(k);
    put_version(k);
    put_other_rules(k, edit);
    ck_assert_int_eq(replay(k, "--json"), 1);
    json_t *a = json_loads(out, 0, NULL);
    ck_assert_ptr_nonnull(a);
    ck_assert(json_is_false(json_object_get(a, "same")));
    names_every_field(a);
    return a;
}

START_TEST(other_rules_and_other_figures)
{
    struct kept k;
    json_t *a = replayed_by_other_rules(&k, judge_otherwise);
    differs(a, "verdict, revision 1", "deviations", "cold-start", "altitude");
    differs(a, "verdict, revision 1", "in_band_s", "24", "23");
    differs(a, " cycle", "values[3] (in_band_s)", "24", "23");
    ck_assert(difference(a, "verdict, revision 1", "verdict") == NULL && difference(a, "", "event") == NULL);
    json_decref(a);
    kept_remove(&k);
}
END_TEST

START_TEST(other_rules_and_another_verdict)
{
    struct kept k;
    json_t *a = replayed_by_other_rules(&k, want_more);
    differs(a, "verdict, revision 1", "verdict", "held", "undecided");
    differs(a, "verdict, revision 1", "reason", "held 1 cycle from cold", "undecided: cut short");
    differs(a, "verdict, revision 1", "cycles_void", "0", "1");
    differs(a, " cycle", "code2", "1", "0");
    differs(a, " run-end", "verdict", "held", "undecided");
    json_decref(a);
    ck_assert_int_eq(replay(&k, ""), 1);
    said("another version may judge otherwise");
    said("here is how");
    said("on record");
    said("cycles_void");
    said("Verdict on record: held");
    said("Verdict replayed:  undecided");
    kept_remove(&k);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("replay of another version");
    TCase *c = tcase_create("version");
    tcase_set_timeout(c, 120);
    tcase_add_test(c, another_version_that_judges_the_same);
    tcase_add_test(c, other_rules_and_other_figures);
    tcase_add_test(c, other_rules_and_another_verdict);
    suite_add_tcase(suite, c);
    return suite_run(suite);
}
