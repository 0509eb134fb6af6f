#include <check.h>
#include <math.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "journal_fixture.h"
#include "reading_block.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

enum { BATCHES = 120, PER_BATCH = 100 };
static const struct journal_upkeep all_old = {.seal_before_utc_us = INT64_C(4000000000000000)};

static uint64_t next_random(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return *state;
}

/* Values of every kind that meters give: steps, factors that no power of ten fits, single precision, noise, extremes.
 */
static double value_of(int kind, uint64_t u)
{
    static const double extremes[] = {0.0, 5e-324, -1.7976931348623157e308, 1e-9, 4503599627370497.0, -0.0};
    double whole = (double)(int64_t)(u % 4001) - 2000.0;
    switch (kind % 6) {
    case 0:
        return whole / 10.0;
    case 1:
        return whole * 0.1;
    case 2:
        return (whole * 0.025) * 1.00137 - 0.0123;
    case 3:
        return (double)(float)((double)u * 1e-17);
    case 4:
        return 160.0 + (double)u / 1.8446744073709552e19;
    default:
        return extremes[u % 6];
    }
}

START_TEST(test_pack_gives_back_every_bit)
{
    static struct block_row rows[READING_BLOCK_ROWS], back[READING_BLOCK_ROWS];
    static const int counts[] = {1, 2, 7, 64, 1000, READING_BLOCK_ROWS};
    struct reading_packer *p = reading_packer_new();
    ck_assert_ptr_nonnull(p);
    uint64_t state = 88172645463325252u + (uint64_t)_i;
    for (size_t c = 0; c < sizeof counts / sizeof counts[0]; c++) {
        for (int i = 0; i < counts[c]; i++) {
            uint64_t u = next_random(&state);
            struct journal_reading *m = &rows[i].m;
            rows[i] = (struct block_row){.channel_id = 1 + (int64_t)(u % 3)};
            *m = (struct journal_reading){.row = 500 + i,
                                          .epoch = 3,
                                          .channel = (int32_t)(u % 3) - 1,
                                          .run_no = (int64_t)(u % 5),
                                          .seq = (uint64_t)i * 3,
                                          .utc_us = _i == 7 ? (int64_t)u : INT64_C(1767323045000000) + i * 500000,
                                          .half_width_us = 1501,
                                          .lost = (uint32_t)(u >> 60),
                                          .back = _i == 7 ? (uint32_t)u : 0};
            m->store_ms = _i == 7 ? (int64_t)(u * 31) : m->utc_us / 1000 + (i % 50 == 0);
            for (int k = 0; k < SIG_OTHER; k++) {
                uint64_t v = next_random(&state);
                m->values[k] = (v >> 32) % 4 < (unsigned)(k % 5) ? value_of(k + _i, v) : (double)NAN;
            }
        }
        const uint8_t *bytes;
        size_t size;
        ck_assert_int_eq(reading_block_pack(p, rows, counts[c], &bytes, &size), 0);
        uint8_t *kept = malloc(size);
        ck_assert_ptr_nonnull(kept);
        memcpy(kept, bytes, size);
        ck_assert_int_eq(reading_block_unpack(p, kept, size, back), counts[c]);
        for (int i = 0; i < counts[c]; i++)
            ck_assert_msg(block_row_same(&rows[i], &back[i]), "row %d of %d", i, counts[c]);
        /* Any bytes at all are safe to unpack: refused, or a number of rows. */
        for (int i = 0; i < 200; i++) {
            uint64_t u = next_random(&state);
            kept[u % size] ^= (uint8_t)(1u << (u >> 61));
            (void)reading_block_unpack(p, kept, i % 3 == 0 ? u % size : size, back);
        }
        free(kept);
    }
    rows[1].m.row = 7;
    const uint8_t *bytes;
    size_t size;
    ck_assert_int_eq(reading_block_pack(p, rows, 3, &bytes, &size), -1);
    ck_assert_int_eq(reading_block_pack(p, rows, 0, &bytes, &size), -1);
    reading_packer_free(p);
}
END_TEST

/* ---- a journal with sealed rows ---- */

static void put_batches(struct journal *j, int batches)
{
    struct error err = {""};
    struct input start = fixture_start(1, 1, 0);
    for (int b = 0; b < batches; b++) {
        OK(journal_begin(j, &err));
        if (b == 0)
            OK(journal_put_run(j, &start, start.seen_ns, &err));
        for (int i = 0; i < PER_BATCH; i++) {
            uint64_t n = (uint64_t)(b * PER_BATCH + i + 1);
            struct journal_reading m = fixture_reading(n, (int)(n % 2), n % 2 == 0 && b < 80 ? 1 : 0);
            OK(journal_put_reading(j, &m, &err));
        }
        OK(journal_commit(j, &err));
    }
}

struct sum {
    struct digest_stream *stream;
    int64_t count, last;
    struct journal *sealing; /* seal a block at every so many rows */
};

static int add_row(void *ctx, const struct journal_reading *m)
{
    struct sum *s = ctx;
    struct journal_reading clean;
    memset(&clean, 0, sizeof clean);
    clean.channel = m->channel;
    clean.run_no = m->run_no;
    clean.seq = m->seq;
    clean.stamp_ns = m->stamp_ns;
    clean.half_width_ns = m->half_width_ns;
    clean.lost = m->lost;
    clean.row = m->row;
    clean.epoch = m->epoch;
    clean.utc_us = m->utc_us;
    clean.store_ms = m->store_ms;
    clean.half_width_us = m->half_width_us;
    clean.back = m->back;
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        clean.values[k] = isnan(m->values[k]) ? -1e300 : m->values[k];
    ck_assert_int_eq(digest_stream_add(s->stream, &clean, sizeof clean), 0);
    ck_assert_int_gt(m->row, s->last);
    s->last = m->row;
    if (s->sealing != NULL && s->count % 700 == 0)
        ck_assert_int_ge(journal_maintain(s->sealing, &all_old, NULL), 0);
    s->count++;
    return 0;
}

enum { WAYS = 7 };

static void sum_rows(struct journal_reader *r, int way, struct journal *sealing, struct digest *d)
{
    struct error err = {""};
    struct row_filter f = row_filter_any();
    if (way == 1)
        f.run_no = 1;
    if (way == 2)
        f = (struct row_filter){.channel = 1, .after_row = 4000, .until_row = 9001};
    if (way == 3)
        f.limit = 5001;
    if (way == 4)
        f.from_utc_us = FIXTURE_UTC_NS / 1000 + 200000000, f.to_utc_us = FIXTURE_UTC_NS / 1000 + 900000001;
    if (way == 5)
        f = (struct row_filter){.channel = CHANNEL_ANY, .run_no = 1, .after_row = 4095, .limit = 3};
    if (way == 6)
        f.epoch = 2;
    struct sum s = {.stream = digest_stream_new(), .sealing = sealing};
    ck_assert_ptr_nonnull(s.stream);
    ck_assert_int_eq(digest_stream_begin(s.stream), 0);
    OK(journal_reader_readings(r, &f, add_row, &s, &err));
    ck_assert_int_gt(way == 6 || s.count > 0, 0);
    ck_assert_int_eq(digest_stream_end(s.stream, d), 0);
    digest_stream_free(s.stream);
}

static int64_t problems_of(const char *path, const struct digest *head)
{
    struct error err = {""};
    struct journal_check_result res = {0};
    struct journal_reader *r = journal_reader_open(path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    int rc = journal_verify(r, head, NULL, NULL, &res, &err);
    journal_reader_close(r);
    return rc != 0 ? 1000 : res.problems;
}

static struct journal_reader *reader_of(const struct fixture *f)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(f->path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    return r;
}

static const char seconds_text[] =
    "SELECT sum(rows) * 1000003 + count(*) * 101 + CAST(sum(i2_min + i2_mean + 3 * i2_max) * 1e6 + sum(second) +"
    " sum(length(channel)) + sum(u2_mean * run_no) * 1e6 AS INTEGER) FROM readings_1s";

/* Sealed or not, a reader gets the same rows to the bit, by every filter, also while they are being sealed; the digests
 * stay, and the seconds. */
START_TEST(test_same_rows)
{
    struct fixture f;
    struct error err = {""};
    struct digest before[WAYS], now, head;
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, BATCHES);
    journal_get_head(j, &head);
    struct journal_reader *r = reader_of(&f);
    for (int i = 0; i < WAYS; i++)
        sum_rows(r, i, NULL, &before[i]);
    int64_t seconds = fixture_ask(f.path, seconds_text);
    sum_rows(r, 0, j, &now); /* sealed in the middle of the reading */
    ck_assert_mem_eq(&now, &before[0], sizeof now);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM reading_blocks"), 2);
    ck_assert_int_gt(fixture_ask(f.path, "SELECT count(*) FROM reading_rows"), 0); /* a whole block is waited for */
    for (int i = 0; i < WAYS; i++) {
        sum_rows(r, i, NULL, &now);
        ck_assert_msg(memcmp(&now, &before[i], sizeof now) == 0, "filter %d", i);
    }
    ck_assert_int_le(llabs(fixture_ask(f.path, seconds_text) - seconds), 10); /* sums in another order */
    int64_t rows[FEED_COUNT_];
    OK(journal_reader_last_rows(r, rows, &err));
    ck_assert_int_eq(rows[FEED_READINGS], BATCHES * PER_BATCH);
    ck_assert_int_eq(problems_of(f.path, &head), 0);
    journal_reader_close(r);
    journal_close(j);

    /* The session has ended: its last rows are sealed as well, and numbers and the run's end go on from there. */
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(3600000000000));
    int rc, steps = 0;
    while ((rc = journal_maintain(j, &all_old, &err)) == 1)
        steps++;
    ck_assert_msg(rc == 0 && steps > 0, "%s", err.text);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM reading_rows"), 0);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT end_utc_us - start_utc_us FROM run_rows"),
                     (80 * PER_BATCH - 1) * INT64_C(100000) + 123);
    OK(fixture_batch(j, 1, &err));
    journal_get_head(j, &head);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT min(row) FROM reading_rows"), BATCHES * PER_BATCH + 1);
    ck_assert_int_eq(problems_of(f.path, &head), 0);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

static int no_twice(void *ctx, const struct journal_reading *m)
{
    char *seen = ctx;
    int64_t at = (m->store_ms - FIXTURE_UTC_NS / 1000000) * 2 + m->channel;
    ck_assert_int_lt(at, 600000);
    ck_assert_msg(!seen[at], "stamp %lld is given twice", (long long)m->store_ms);
    seen[at] = 1;
    return 0;
}

/* The clock was set back over rows that are sealed by now: no store's stamp comes twice. */
START_TEST(test_clock_set_back)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 20);
    journal_close(j);
    j = fixture_open(&f, FIXTURE_UTC_NS);
    while (journal_maintain(j, &all_old, &err) == 1)
        ;
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM reading_rows"), 0);
    for (uint64_t n = 1; n <= 100; n++)
        OK(fixture_batch(j, n, &err));
    struct journal_reader *r = reader_of(&f);
    char *seen = calloc(1, 600000);
    ck_assert_ptr_nonnull(seen);
    OK(journal_reader_readings(r, NULL, no_twice, seen, &err));
    free(seen);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

static const char *const damages[] = {
    ("UPDATE reading_blocks SET bytes = substr(bytes, 1, 2000) || x'55' || substr(bytes, 2002) WHERE last_row ="
     " (SELECT min(last_row) FROM reading_blocks)"),
    "DELETE FROM reading_blocks WHERE last_row = (SELECT min(last_row) FROM reading_blocks)",
    "UPDATE reading_blocks SET min_utc_us = min_utc_us + 1",
    "UPDATE reading_blocks SET last_row = last_row + 1 WHERE last_row = (SELECT max(last_row) FROM reading_blocks)",
    "DELETE FROM block_parts WHERE run_no = 1",
    "UPDATE block_parts SET max_ms = max_ms - 1",
    "INSERT INTO block_parts VALUES(7, 1, 5, 1, 1, 1, 1)",
    "INSERT INTO reading_rows(row, epoch, channel, idx, run_no) VALUES(50, 1, 1, 0, 1)",
    "UPDATE reading_blocks SET codec = 9",
};

START_TEST(test_damage)
{
    struct fixture f;
    struct error err = {""};
    struct digest head;
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 90);
    journal_get_head(j, &head);
    while (journal_maintain(j, &all_old, &err) == 1)
        ;
    journal_close(j);
    ck_assert_int_eq(problems_of(f.path, &head), 0);
    fixture_change(f.path, damages[_i]);
    ck_assert_int_gt(problems_of(f.path, &head), 0);
    fixture_remove(&f);
}
END_TEST

/* Young rows stay plain; nothing is done within a batch. */
START_TEST(test_age)
{
    struct fixture f;
    struct error err = {""};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 50);
    struct journal_upkeep u = {0};
    ck_assert_int_eq(journal_maintain(j, &u, &err), 0);
    u.seal_before_utc_us = FIXTURE_UTC_NS / 1000 + 100 * INT64_C(1000000);
    ck_assert_int_eq(journal_maintain(j, &u, &err), 0);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM reading_blocks"), 0);
    u.seal_before_utc_us += 320 * INT64_C(1000000);
    ck_assert_int_eq(journal_maintain(j, &u, &err), 1);
    ck_assert_int_eq(journal_maintain(j, &u, &err), 0);
    ck_assert_int_lt(fixture_ask(f.path, "SELECT max(max_utc_us) FROM reading_blocks"), u.seal_before_utc_us);
    OK(journal_begin(j, &err));
    ck_assert_int_eq(journal_maintain(j, &u, &err), -1);
    journal_rollback(j);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* A file of version 1 is copied whole before its tables change, and reads the same before and after. */
START_TEST(test_older_tables)
{
    struct fixture f;
    struct error err = {""};
    struct digest head, before, now;
    char copy[128];
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 50);
    journal_get_head(j, &head);
    journal_close(j);
    fixture_change(f.path,
                   "DROP VIEW readings_1s; DROP TABLE reading_blocks; DROP TABLE block_parts; DROP TABLE second_rows;"
                   "DROP TABLE removals; DROP TABLE removed_parts; DROP TABLE addenda; DROP TABLE sealed_inputs;"
                   "PRAGMA user_version = 1");
    struct journal_reader *r = reader_of(&f);
    ck_assert_int_eq(journal_reader_schema(r), 1);
    sum_rows(r, 0, NULL, &before);
    journal_reader_close(r);
    j = journal_open(f.path, 0, &err);
    ck_assert_msg(j != NULL, "%s", err.text);
    (void)text_format(copy, sizeof copy, "%s.tables-1", f.path);
    ck_assert_int_eq(access(copy, F_OK), 0);
    ck_assert_int_eq(fixture_ask(copy, "SELECT user_version FROM pragma_user_version"), 1);
    ck_assert_int_eq(journal_maintain(j, &all_old, &err), 1);
    r = reader_of(&f);
    sum_rows(r, 0, NULL, &now);
    ck_assert_mem_eq(&now, &before, sizeof now);
    journal_reader_close(r);
    journal_close(j);
    ck_assert_int_eq(problems_of(f.path, &head), 0);
    fixture_remove(&f);
}
END_TEST

/* Plain rows of a sealed run in a file of their own, which the program itself need not read: every bit of one sum. */
START_TEST(test_unpack)
{
    struct fixture f;
    struct error err = {""};
    char to[128];
    int64_t count = 0;
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_batches(j, 90);
    static const char text[] = "SELECT count(*) * 31 + sum(stamp_us % 100003) + CAST(total(i2 * row) * 1e3 AS INTEGER)"
                               " + sum(length(channel)) FROM readings WHERE run_no = 1";
    int64_t plain = fixture_ask(f.path, text);
    while (journal_maintain(j, &all_old, &err) == 1)
        ;
    ck_assert_int_ne(fixture_ask(f.path, text), plain);
    struct journal_reader *r = reader_of(&f);
    (void)text_format(to, sizeof to, "%s/run-1.db", f.dir);
    OK(journal_unpack(r, 1, to, &count, &err));
    ck_assert_int_eq(count, 80 * PER_BATCH / 2);
    ck_assert_int_eq(fixture_ask(to, text), plain);
    ck_assert_int_eq(fixture_ask(to, "SELECT count(*) FROM runs WHERE unit = 'HQ-0147'"), 1);
    ck_assert_int_eq(journal_unpack(r, 1, to, &count, &err), -1);
    ck_assert_ptr_nonnull(strstr(err.text, "not overwritten"));
    (void)text_format(to, sizeof to, "%s/run-2.db", f.dir);
    ck_assert_int_eq(journal_unpack(r, 2, to, &count, &err), -1);
    ck_assert_int_ne(access(to, F_OK), 0);
    journal_reader_close(r);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal seal");
    TCase *t = tcase_create("seal");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, test_pack_gives_back_every_bit, 0, 8);
    tcase_add_test(t, test_same_rows);
    tcase_add_test(t, test_clock_set_back);
    tcase_add_loop_test(t, test_damage, 0, (int)(sizeof damages / sizeof damages[0]));
    tcase_add_test(t, test_age);
    tcase_add_test(t, test_older_tables);
    tcase_add_test(t, test_unpack);
    suite_add_tcase(s, t);
    return suite_run(s);
}
