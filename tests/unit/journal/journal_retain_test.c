/* Retention: what no run and no store needs goes, the chain still verifies, and nothing else can go unseen. Sealing and
 * retention cut off by a loss of power at any write leave the record whole. */
#include <check.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "power_cut.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

enum { BATCHES = 220, PER_BATCH = 100, RUN_FROM = 90, RUN_TO = 110 };

static const int64_t all_us = INT64_C(4000000000000000);
static const char *const stores[] = {"shop", "yard"};

/* A reading every 100 ms, as the fixture stamps them. */
static int64_t began_ns(int batch)
{
    return (int64_t)batch * PER_BATCH * 100000000;
}

/* A bench that is free for most of the time: one run in the middle, and an event now and then. */
static void put_batches(struct journal *j, int from, int to)
{
    struct error err = {""};
    struct input start = fixture_start(1, 1, 0);
    for (int b = from; b < to; b++) {
        OK(journal_begin(j, &err));
        if (b == RUN_FROM)
            OK(journal_put_run(j, &start, began_ns(b), &err));
        if (b == RUN_TO)
            OK(journal_end_run(j, 1, (uint64_t)(b * PER_BATCH), began_ns(b), &err));
        bool runs = b >= RUN_FROM && b < RUN_TO;
        for (int i = 0; i < PER_BATCH; i++) {
            uint64_t n = (uint64_t)(b * PER_BATCH + i + 1);
            struct journal_reading m = fixture_reading(n, (int)(n % 2), runs && n % 2 == 0 ? 1 : 0);
            OK(journal_put_reading(j, &m, &err));
        }
        struct event e = fixture_event((uint64_t)b + 1, 0, runs ? 1 : 0);
        if (b % 5 == 0)
            OK(journal_put_event(j, &e, &err));
        OK(journal_commit(j, &err));
    }
}

static void first_words(void *ctx, const char *sentence)
{
    char *words = ctx;
    if (words[0] == '\0')
        (void)text_copy(words, 200, sentence);
}

static void verify(const char *path, const struct digest *head, struct journal_check_result *res, char words[200])
{
    struct error err = {""};
    words[0] = '\0';
    struct journal_reader *r = journal_reader_open(path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    OK(journal_verify(r, head, first_words, words, res, &err));
    journal_reader_close(r);
}

static void maintain_all(struct journal *j, const struct journal_upkeep *u)
{
    struct error err = {""};
    int rc;
    while ((rc = journal_maintain(j, u, &err)) == 1)
        ;
    ck_assert_msg(rc == 0, "%s", err.text);
}

static void settle(struct journal *j, const char *store, int64_t row)
{
    struct error err = {""};
    struct journal_cursor c = {.sent = {row, 0, 0}, .settled = {row, 0, 0}};
    (void)text_copy(c.store, sizeof c.store, store);
    OK(journal_begin(j, &err));
    OK(journal_put_cursor(j, &c, &err));
    OK(journal_commit(j, &err));
}

static const char run_rows[] = "SELECT sum(count) FROM block_parts WHERE run_no = 1";

/* Nothing goes that is young, of a run, or not settled in every store; what goes leaves the chain as it was. */
START_TEST(test_age_and_stores)
{
    struct fixture f;
    struct error err = {""};
    struct digest early, head;
    struct journal_check_result res;
    char words[200];
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 0, 40);
    journal_get_head(j, &early);
    put_batches(j, 40, BATCHES);
    journal_get_head(j, &head);
    struct journal_upkeep u = {.seal_before_utc_us = all_us, .utc_s = 1767400000};
    maintain_all(j, &u);
    int64_t blocks = fixture_ask(f.path, "SELECT count(*) FROM reading_blocks");
    int64_t of_run = fixture_ask(f.path, run_rows),
            first_rows = fixture_ask(f.path, "SELECT min(last_row) FROM reading_blocks");
    ck_assert_int_ge(blocks, 4);
    ck_assert_int_eq(of_run, (RUN_TO - RUN_FROM) * PER_BATCH / 2);

    /* Two stores, one of which has settled nothing yet, then the first block only. */
    u.remove_before_utc_us = all_us;
    u.stores = stores;
    u.store_count = 2;
    settle(j, "shop", 1000000);
    maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals"), 0);
    settle(j, "yard", first_rows);
    maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals"), 1);
    verify(f.path, &early, &res, words);
    ck_assert_msg(res.problems == 0, "%s", words);
    ck_assert(res.head_seen);
    ck_assert_int_eq(res.removed_readings, first_rows);

    /* The young stay. */
    settle(j, "yard", 1000000);
    u.remove_before_utc_us = FIXTURE_UTC_NS / 1000 + 100 * INT64_C(1000000);
    maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals"), 1);

    u.remove_before_utc_us = all_us;
    maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, run_rows), of_run);
    ck_assert_int_eq(fixture_ask(f.path,
                                 "SELECT count(*) FROM reading_blocks b WHERE NOT EXISTS (SELECT 1 FROM block_parts p"
                                 " WHERE p.last_row = b.last_row AND p.run_no = 1)"),
                     0);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM removals"), 2);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals WHERE cause <> 1 OR utc_s <> 1767400000"), 0);
    verify(f.path, &head, &res, words);
    ck_assert_msg(res.problems == 0, "%s", words);
    ck_assert(res.head_seen);
    ck_assert_int_eq(res.removed_last_s, 1767400000);
    journal_close(j);

    /* Numbers go on where they were. */
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(86400000000000));
    maintain_all(j, &u);
    OK(fixture_batch(j, 1, &err));
    ck_assert_int_eq(fixture_ask(f.path, "SELECT min(row) FROM reading_rows"), BATCHES * PER_BATCH + 1);
    journal_close(j);
    verify(f.path, &head, &res, words);
    ck_assert_msg(res.problems == 0, "%s", words);
    fixture_remove(&f);
}
END_TEST

static const char *const damages[] = {
    "DELETE FROM reading_blocks WHERE last_row = (SELECT max(last_row) FROM reading_blocks)",
    "DELETE FROM removals WHERE id = 1",
    "UPDATE removals SET utc_s = utc_s + 1 WHERE id = 1",
    "DELETE FROM removed_parts WHERE batch = (SELECT min(batch) FROM removed_parts)",
    "UPDATE removed_parts SET digest = zeroblob(32) WHERE batch = (SELECT min(batch) + 3 FROM removed_parts)",
    "UPDATE removed_parts SET count = count - 1 WHERE batch = (SELECT min(batch) + 3 FROM removed_parts)",
    "UPDATE removed_parts SET rest_count = 0 WHERE rest_count > 0",
    "INSERT INTO removed_parts SELECT batch, what, 77, count, digest, 0, NULL FROM removed_parts LIMIT 1",
    "UPDATE event_rows SET text = 'nothing was here' WHERE row = 2",
    "UPDATE second_rows SET i2_mean = i2_mean + 0.5 WHERE second = (SELECT min(second) FROM second_rows)",
    "UPDATE second_rows SET i2_max = i2_max + 0.5 WHERE run_no = 1",
    "UPDATE second_rows SET rows = rows + 1 WHERE run_no = 1",
    "DELETE FROM second_rows WHERE run_no = 1 AND second = (SELECT max(second) FROM second_rows WHERE run_no = 1)",
};

/* Whoever takes more out, or changes what stands for it or the summaries that stay, is found. */
START_TEST(test_damage)
{
    struct fixture f;
    struct journal_check_result res;
    struct error err = {""};
    char words[200], copy[128];
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 0, 130);
    struct journal_upkeep u = {.seal_before_utc_us = all_us, .remove_before_utc_us = all_us, .utc_s = 1767400000};
    maintain_all(j, &u);
    OK(journal_checkpoint(j, true, &err));
    journal_close(j);
    verify(f.path, NULL, &res, words);
    ck_assert_msg(res.problems == 0, "%s", words);
    ck_assert_int_ge(res.removals, 1);
    for (size_t i = 0; i < sizeof damages / sizeof damages[0]; i++) {
        (void)text_format(copy, sizeof copy, "%s/copy-%zu.db", f.dir, i);
        fixture_copy_file(f.path, copy);
        fixture_change(copy, damages[i]);
        struct journal_reader *r = journal_reader_open(copy, &err);
        int rc = journal_verify(r, NULL, NULL, NULL, &res, &err);
        journal_reader_close(r);
        ck_assert_msg(rc != 0 || res.problems > 0, "%s", damages[i]);
    }
    fixture_remove(&f);
}
END_TEST

/* Above the size that was set the oldest goes, whatever its age, and no more than that; the file gets smaller. */
START_TEST(test_size)
{
    struct fixture f;
    struct error err = {""};
    struct journal_stats stats;
    struct journal_check_result res;
    char words[200];
    struct stat before, after;
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 0, 400);
    OK(journal_checkpoint(j, false, &err));
    ck_assert_int_eq(stat(f.path, &before), 0);
    struct journal_upkeep u = {.seal_before_utc_us = all_us};
    maintain_all(j, &u);
    OK(journal_get_stats(j, &stats, &err));
    int64_t blocks = fixture_ask(f.path, "SELECT count(*) FROM reading_blocks");
    u.max_bytes = stats.used_bytes - 60000;
    maintain_all(j, &u);
    OK(journal_get_stats(j, &stats, &err));
    ck_assert_int_le(stats.used_bytes, u.max_bytes);
    int64_t left = fixture_ask(f.path, "SELECT count(*) FROM reading_blocks");
    ck_assert(left < blocks && left > blocks / 2);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals WHERE cause <> 2"), 0);
    OK(journal_checkpoint(j, true, &err));
    ck_assert_int_eq(stat(f.path, &after), 0);
    ck_assert_int_lt(after.st_size, before.st_size - 1024 * 1024);
    journal_close(j);
    verify(f.path, NULL, &res, words);
    ck_assert_msg(res.problems == 0, "%s", words);
    fixture_remove(&f);
}
END_TEST

/* The power goes at some write of sealing or retention: the record is as before the step or as after it. */
START_TEST(test_power_cut)
{
    int cuts = getenv("SOAKBENCH_LONG") != NULL ? 200 : 5;
    for (int i = 0; i < cuts; i++) {
        struct fixture f;
        struct error err = {""};
        struct digest head;
        struct journal_check_result res;
        char words[200], picture[128];
        fixture_make(&f);
        struct power_cut *p = power_cut_new((uint32_t)(7 + i));
        struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
        put_batches(j, 0, 86);
        OK(journal_checkpoint(j, true, &err));
        journal_get_head(j, &head);
        struct journal_upkeep u = {.seal_before_utc_us = all_us, .remove_before_utc_us = all_us, .utc_s = 1767400000};
        power_cut_at(p, (uint64_t)(1 + i * 37 % 400));
        maintain_all(j, &u);
        OK(journal_checkpoint(j, true, &err));
        bool cut = power_cut_happened(p);
        (void)text_format(picture, sizeof picture, "%s/picture.db", f.dir);
        if (cut)
            power_cut_restore(p, picture);
        journal_close(j);
        power_cut_free(p);
        if (cut) {
            verify(picture, &head, &res, words);
            ck_assert_msg(res.problems == 0 && res.head_seen, "cut %d: %s", i, words);
            /* and goes on from there */
            j = journal_open(picture, 0, &err);
            ck_assert_msg(j != NULL, "%s", err.text);
            maintain_all(j, &u);
            journal_close(j);
            verify(picture, &head, &res, words);
            ck_assert_msg(res.problems == 0 && res.head_seen, "cut %d, later: %s", i, words);
            ck_assert_int_ge(res.removals, 1);
        }
        fixture_remove(&f);
    }
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal retention");
    TCase *t = tcase_create("retention");
    tcase_set_timeout(t, 300);
    tcase_add_test(t, test_age_and_stores);
    tcase_add_test(t, test_damage);
    tcase_add_test(t, test_size);
    tcase_add_test(t, test_power_cut);
    suite_add_tcase(s, t);
    return suite_run(s);
}
