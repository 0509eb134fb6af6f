/* The input log at rest: sealed, it gives back every bit in the same order and under the same digests; what retention
 * may take of it, and what then says so. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "input_block.h"
#include "journal_fixture.h"
#include "suite_run.h"

#define OK(call) ck_assert_msg((call) == 0, "%s", err.text)

static const int64_t all_us = INT64_C(4000000000000000);

static uint64_t next_random(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return *state;
}

/* Inputs as a bench makes them: readings of four devices with now and then a bad one, and in between the others. */
static struct input input_of(uint64_t seq, uint64_t u)
{
    struct input in = {.seq = seq, .seen_ns = (int64_t)seq * 25000000 + (int64_t)(u % 400000)};
    if (seq % 50 == 7) {
        in = fixture_start(seq, (int64_t)seq, 0);
    } else if (seq % 11 == 3) {
        in.kind = INPUT_SYNCED;
        in.u.synced.event_id = seq / 2;
    } else if (seq % 97 == 5) {
        in.kind = INPUT_LINK;
        in.u.link.device = (int32_t)(u % 4);
        in.u.link.power_up_value = (double)NAN;
        (void)text_format(in.u.link.text, TEXT_CAP, "no answer for %u ms", (unsigned)(u % 900));
    } else if (seq % 13 == 4) {
        in.kind = INPUT_TIME;
    } else {
        struct input_readings *m = &in.u.readings;
        in.kind = INPUT_READINGS;
        m->device = (int32_t)(seq % 4);
        m->stamp_ns = in.seen_ns - 1500000 - (int64_t)(u >> 40) % 90000;
        m->half_width_ns = 900000 + (int64_t)(u >> 20) % 4000;
        m->count = 1 + m->device * 3;
        for (int i = 0; i < m->count; i++) {
            m->items[i].signal = m->device * 12 + i;
            m->items[i].quality = (u >> i) % 61 == 0 ? QUALITY_STALE : QUALITY_GOOD;
            m->items[i].value = m->items[i].quality != QUALITY_GOOD ? (double)NAN
                                : i % 3 == 0                        ? 160.0 + (double)u / 1.8446744073709552e19
                                                                    : floor((double)(u % 4000)) / 10.0;
        }
    }
    return in;
}

static size_t encode(const struct input *in, uint8_t *bytes, size_t cap)
{
    struct writer w = writer_over(bytes, cap);
    put_input(&w, in);
    ck_assert(!w.bad);
    return w.used;
}

static void list_put(struct input_list *list, const uint8_t *bytes, size_t size, int64_t batch)
{
    struct writer w = writer_over(list->bytes + list->size, sizeof list->bytes - list->size);
    put_u32(&w, (uint32_t)size);
    put_bytes(&w, bytes, size);
    ck_assert(!w.bad);
    list->size += w.used;
    list->count++;
    if (list->batch_count == 0 || list->batches[list->batch_count - 1].batch != batch)
        list->batches[list->batch_count++] = (struct input_batch){batch, 0};
    list->batches[list->batch_count - 1].count++;
}

static void fill(struct input_list *list, int count, bool any_bytes, uint64_t *state)
{
    uint8_t bytes[4096];
    list->count = list->batch_count = 0;
    list->size = 0;
    for (int i = 0; i < count; i++) {
        uint64_t u = next_random(state);
        struct input in = input_of((uint64_t)i + 1000, u);
        size_t size = encode(&in, bytes, sizeof bytes);
        /* What no version of the program has encoded: cut short, longer, or of a kind that it does not know. */
        if (any_bytes && u % 3 == 0)
            size = 17 + (size_t)(u >> 20) % (size - 16);
        if (any_bytes && u % 5 == 0)
            bytes[16 + (u >> 30) % (size - 16)] ^= (uint8_t)(u >> 50);
        list_put(list, bytes, size, 50 + i / 40 * 3);
    }
}

static bool same_list(const struct input_list *a, const struct input_list *b)
{
    return a->count == b->count && a->size == b->size && memcmp(a->bytes, b->bytes, a->size) == 0 &&
           a->batch_count == b->batch_count &&
           memcmp(a->batches, b->batches, (size_t)a->batch_count * sizeof a->batches[0]) == 0;
}

START_TEST(test_pack_gives_back_every_bit)
{
    static struct input_list list, back;
    static const int counts[] = {1, 2, 39, 1000, 4200};
    struct input_packer *p = input_packer_new();
    ck_assert_ptr_nonnull(p);
    uint64_t state = 88172645463325252u + (uint64_t)_i;
    for (size_t c = 0; c < sizeof counts / sizeof counts[0]; c++) {
        const uint8_t *bytes;
        size_t size;
        fill(&list, counts[c], _i == 1, &state);
        ck_assert_int_eq(input_block_pack(p, &list, &bytes, &size), 0);
        ck_assert_uint_lt(size, list.size + 4000);
        uint8_t *kept = malloc(size);
        ck_assert_ptr_nonnull(kept);
        memcpy(kept, bytes, size);
        ck_assert_int_eq(input_block_unpack(p, kept, size, &back), 0);
        ck_assert_msg(same_list(&list, &back), "%d inputs", counts[c]);
        /* Any bytes at all are safe to unpack: refused, or some list. */
        for (int i = 0; i < 150; i++) {
            uint64_t u = next_random(&state);
            size_t at = i % 2 == 0 ? u % size : u % (size < 400 ? size : 400);
            kept[at] ^= (uint8_t)(1u << (u >> 61));
            (void)input_block_unpack(p, kept, i % 3 == 0 ? u % size : size, &back);
            if (i % 4 == 0)
                kept[at] ^= (uint8_t)(1u << (u >> 61));
        }
        free(kept);
    }
    const uint8_t *bytes;
    size_t size;
    list.count++;
    ck_assert_int_eq(input_block_pack(p, &list, &bytes, &size), -1);
    list.count = list.batch_count = 0;
    list.size = 0;
    ck_assert_int_eq(input_block_pack(p, &list, &bytes, &size), -1);
    input_packer_free(p);
}
END_TEST

/* ---- a journal with a sealed input log ---- */

enum { BATCHES = 260, PER_BATCH = 40 };

/* A session's input log with an event now and then; run_no 0: no run. A run ends with the batch run_to, or not at all.
 */
static void put_session(struct journal *j, int batches, int64_t run_no, int run_to)
{
    struct error err = {""};
    uint8_t bytes[4096];
    uint64_t state = 4711;
    for (int b = 0; b < batches; b++) {
        OK(journal_begin(j, &err));
        for (int i = 0; i < PER_BATCH; i++) {
            uint64_t seq = (uint64_t)(b * PER_BATCH + i + 1);
            struct input in = input_of(seq, next_random(&state));
            OK(journal_put_input(j, seq, bytes, encode(&in, bytes, sizeof bytes), &err));
            if (b == 1 && i == 0 && run_no != 0) {
                struct input start = fixture_start(seq, run_no, 0);
                OK(journal_put_run(j, &start, start.seen_ns, &err));
            }
        }
        struct journal_reading m = fixture_reading((uint64_t)b + 1, 0, b < run_to ? run_no : 0);
        OK(journal_put_reading(j, &m, &err));
        if (b == run_to && run_no != 0)
            OK(journal_end_run(j, run_no, (uint64_t)(b * PER_BATCH), (int64_t)b * PER_BATCH * 25000000, &err));
        OK(journal_commit(j, &err));
    }
}

struct sum {
    struct digest_stream *stream;
    uint64_t last;
    struct journal *sealing;
};

static int add_input(void *ctx, const struct input *in)
{
    struct sum *s = ctx;
    uint8_t bytes[4096];
    ck_assert_int_eq(digest_stream_add(s->stream, bytes, encode(in, bytes, sizeof bytes)), 0);
    ck_assert_uint_eq(in->seq, s->last + 1);
    s->last = in->seq;
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    if (s->sealing != NULL && in->seq % 700 == 0)
        ck_assert_int_ge(journal_maintain(s->sealing, &u, NULL), 0);
    return 0;
}

static uint64_t sum_inputs(const char *path, uint64_t epoch, uint64_t until, struct journal *sealing, struct digest *d)
{
    struct error err = {""};
    struct journal_reader *r = journal_reader_open(path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    struct sum s = {.stream = digest_stream_new(), .sealing = sealing};
    ck_assert(s.stream != NULL && digest_stream_begin(s.stream) == 0);
    OK(journal_reader_inputs(r, epoch, until, add_input, &s, &err));
    ck_assert_int_eq(digest_stream_end(s.stream, d), 0);
    digest_stream_free(s.stream);
    journal_reader_close(r);
    return s.last;
}

static void first_words(void *ctx, const char *sentence)
{
    char *words = ctx;
    if (words[0] == '\0')
        (void)text_copy(words, 300, sentence);
}

static int64_t problems_of(const char *path, const struct digest *head, struct journal_check_result *res,
                           char words[300])
{
    struct error err = {""};
    words[0] = '\0';
    struct journal_reader *r = journal_reader_open(path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    int rc = journal_verify(r, head, first_words, words, res, &err);
    journal_reader_close(r);
    if (rc != 0)
        (void)text_copy(words, 300, err.text);
    return rc != 0 ? 1000 : res->problems;
}

static int maintain_all(struct journal *j, const struct journal_upkeep *u)
{
    struct error err = {""};
    int rc, steps = 0;
    for (; (rc = journal_maintain(j, u, &err)) == 1; steps++)
        ;
    ck_assert_msg(rc == 0, "%s", err.text);
    return steps;
}

START_TEST(test_same_inputs)
{
    struct fixture f;
    struct digest whole, part, now, head;
    struct journal_check_result res;
    char words[300];
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_session(j, BATCHES, 1, BATCHES + 1); /* cut off */
    journal_get_head(j, &head);
    int64_t blocks = fixture_ask(f.path, "SELECT count(*) FROM input_blocks");
    ck_assert_int_eq(blocks, BATCHES);
    ck_assert_uint_eq(sum_inputs(f.path, 1, 0, NULL, &whole), BATCHES * PER_BATCH);
    (void)sum_inputs(f.path, 1, 5000, NULL, &part);
    ck_assert_uint_eq(sum_inputs(f.path, 1, 0, j, &now), BATCHES * PER_BATCH); /* sealed in the middle of the reading */
    ck_assert_mem_eq(&now, &whole, sizeof now);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM sealed_inputs"), 2);
    /* The last ones wait for company, since the session goes on. */
    ck_assert_int_gt(fixture_ask(f.path, "SELECT count(*) FROM input_blocks"), 0);
    (void)sum_inputs(f.path, 1, 5000, NULL, &now);
    ck_assert_mem_eq(&now, &part, sizeof now);
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    ck_assert(res.head_seen);
    journal_close(j);

    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(3600000000000));
    ck_assert_int_ge(maintain_all(j, &u), 1);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM input_blocks"), 0);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT sum(count) FROM sealed_inputs"), BATCHES * PER_BATCH);
    (void)sum_inputs(f.path, 1, 0, NULL, &now);
    ck_assert_mem_eq(&now, &whole, sizeof now);
    put_session(j, 60, 2, 30);
    journal_get_head(j, &head);
    journal_close(j);
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(7200000000000));
    (void)maintain_all(j, &u);
    ck_assert_uint_eq(sum_inputs(f.path, 2, 0, NULL, &now), 60 * PER_BATCH);
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    ck_assert(res.head_seen);
    /* A cut-off run ends with the last input on record, sealed or not. */
    ck_assert_int_eq(fixture_ask(f.path, "SELECT end_seq FROM run_rows WHERE run_no = 1"), BATCHES * PER_BATCH);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* A run that is cut off is found to end with its last input when that is sealed already. */
START_TEST(test_cut_off_after_sealing)
{
    struct fixture f;
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_session(j, 103, 1, 1000); /* 4,120 inputs: all of them make one block */
    (void)maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM input_blocks"), 0);
    journal_close(j);
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(3600000000000));
    ck_assert_int_eq(fixture_ask(f.path, "SELECT end_seq FROM run_rows WHERE run_no = 1"), 103 * PER_BATCH);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

static const char *const damages[] = {
    ("UPDATE sealed_inputs SET bytes = substr(bytes, 1, 2000) || x'55' || substr(bytes, 2002) WHERE last_seq ="
     " (SELECT min(last_seq) FROM sealed_inputs)"),
    "DELETE FROM sealed_inputs WHERE last_seq = (SELECT min(last_seq) FROM sealed_inputs)",
    "DELETE FROM sealed_inputs WHERE last_seq = (SELECT max(last_seq) FROM sealed_inputs)",
    "UPDATE sealed_inputs SET max_utc_us = max_utc_us + 1",
    "UPDATE sealed_inputs SET last_seq = last_seq + 1 WHERE last_seq = (SELECT max(last_seq) FROM sealed_inputs)",
    "UPDATE sealed_inputs SET first_batch = first_batch + 1",
    "UPDATE sealed_inputs SET codec = 9",
    "UPDATE sealed_inputs SET count = count - 1",
    ("INSERT INTO sealed_inputs SELECT epoch, last_seq + 100000, first_seq, count, first_batch, last_batch, min_utc_us,"
     " max_utc_us, codec, bytes FROM sealed_inputs LIMIT 1"),
    ("INSERT INTO sealed_inputs SELECT epoch + 1, last_seq, first_seq, count, first_batch, last_batch, min_utc_us,"
     " max_utc_us, codec, bytes FROM sealed_inputs LIMIT 1"),
    "INSERT INTO input_blocks SELECT 1, 50, 50, 1, 0, 29, zeroblob(29), 3 FROM sealed_inputs LIMIT 1",
};

/* Each of these changes, in a copy of its own, is found. */
static void find_damages(const struct fixture *f, const struct digest *head, const char *const *texts, size_t count)
{
    struct journal_check_result res;
    char words[300], copy[128];
    for (size_t i = 0; i < count; i++) {
        (void)text_format(copy, sizeof copy, "%s/copy-%zu.db", f->dir, i);
        fixture_copy_file(f->path, copy);
        fixture_change(copy, texts[i]);
        ck_assert_msg(problems_of(copy, head, &res, words) > 0, "%s", texts[i]);
    }
}

START_TEST(test_damage)
{
    struct error err = {""};
    struct fixture f;
    struct digest head;
    struct journal_check_result res;
    char words[300];
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_session(j, 206, 0, 0);
    journal_get_head(j, &head);
    journal_close(j);
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(3600000000000));
    (void)maintain_all(j, &u);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM sealed_inputs"), 2);
    OK(journal_checkpoint(j, true, &err));
    journal_close(j);
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    find_damages(&f, &head, damages, sizeof damages / sizeof damages[0]);
    fixture_remove(&f);
}
END_TEST

/* What cannot be sealed stays as it is, and holds up nothing that is behind it. */
START_TEST(test_damaged_block_stays)
{
    struct fixture f;
    struct error err = {""};
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_session(j, 210, 0, 0);
    journal_close(j);
    fixture_change(f.path, "UPDATE input_blocks SET bytes = zeroblob(30) WHERE first_seq = 121");
    j = fixture_open(&f, FIXTURE_UTC_NS + INT64_C(3600000000000));
    ck_assert_int_eq(journal_maintain(j, &u, &err), 1); /* the readings */
    ck_assert_int_eq(journal_maintain(j, &u, &err), -1);
    ck_assert_msg(strstr(err.text, "stay as they are") != NULL, "%s", err.text);
    ck_assert_int_ge(maintain_all(j, &u), 1);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM sealed_inputs"), 1);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM input_blocks WHERE first_seq = 121"), 1);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

/* A file of version 3 is copied whole, gets the table, and gives the same inputs before and after. */
START_TEST(test_older_tables)
{
    struct fixture f;
    struct error err = {""};
    struct digest head, before, now;
    struct journal_check_result res;
    char words[300], copy[128];
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    fixture_make(&f);
    struct journal *j = fixture_open(&f, FIXTURE_UTC_NS);
    put_session(j, 120, 1, 50);
    journal_get_head(j, &head);
    journal_close(j);
    fixture_change(f.path, "DROP TABLE sealed_inputs; PRAGMA user_version = 3");
    (void)sum_inputs(f.path, 1, 0, NULL, &before);
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    j = journal_open(f.path, 0, &err);
    ck_assert_msg(j != NULL, "%s", err.text);
    (void)text_format(copy, sizeof copy, "%s.tables-3", f.path);
    ck_assert_int_eq(fixture_ask(copy, "SELECT user_version FROM pragma_user_version"), 3);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT user_version FROM pragma_user_version"), 4);
    (void)maintain_all(j, &u);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM sealed_inputs"), 1);
    journal_close(j);
    (void)sum_inputs(f.path, 1, 0, NULL, &now);
    ck_assert_mem_eq(&now, &before, sizeof now);
    (void)sum_inputs(copy, 1, 0, NULL, &now);
    ck_assert_mem_eq(&now, &before, sizeof now);
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    fixture_remove(&f);
}
END_TEST

/* ---- retention ---- */

static const char *const stores[] = {"shop"};
static const char *const gone_damages[] = {
    "DELETE FROM removals WHERE what = 2",
    "UPDATE removals SET last = last + 1 WHERE what = 2",
    "UPDATE removals SET utc_s = utc_s + 1 WHERE what = 2",
    "DELETE FROM removed_parts WHERE what = 2 AND batch = (SELECT min(batch) FROM removed_parts WHERE what = 2)",
    "UPDATE removed_parts SET digest = zeroblob(32) WHERE what = 2 AND batch % 5 = 0",
    "UPDATE removed_parts SET count = count - 1 WHERE what = 2 AND batch % 5 = 0",
    ("DELETE FROM sealed_inputs WHERE epoch = 1 AND last_seq = (SELECT max(last_seq) FROM sealed_inputs WHERE epoch = 1"
     ")"),
};

static void settle(struct journal *j, int64_t row)
{
    struct error err = {""};
    struct journal_cursor c = {.store = "shop", .sent = {row, 0, 0}, .settled = {row, 0, 0}};
    OK(journal_begin(j, &err));
    OK(journal_put_cursor(j, &c, &err));
    OK(journal_commit(j, &err));
}

static int64_t inputs_of(const struct fixture *f, const char *where)
{
    char text[160];
    (void)text_format(text, sizeof text, "SELECT ifnull(sum(count), 0) FROM sealed_inputs WHERE %s", where);
    return fixture_ask(f->path, text);
}

/* Session 1 has a run in its first third, session 2 none, session 3 is the one that runs. */
static struct journal *three_sessions(const struct fixture *f, struct digest *head)
{
    const struct journal_upkeep u = {.seal_before_utc_us = all_us};
    struct journal *j = NULL;
    for (int i = 0; i < 3; i++) {
        j = fixture_open(f, FIXTURE_UTC_NS + i * INT64_C(3600000000000));
        put_session(j, i == 0 ? 3 * 103 : 103, i == 0 ? 1 : 0, 90);
        if (i < 2)
            journal_close(j);
    }
    (void)maintain_all(j, &u);
    journal_get_head(j, head);
    return j;
}

START_TEST(test_retention)
{
    struct fixture f;
    struct error err = {""};
    struct digest head, before, now;
    struct journal_check_result res;
    char words[300];
    fixture_make(&f);
    struct journal *j = three_sessions(&f, &head);
    (void)sum_inputs(f.path, 1, 90 * PER_BATCH, NULL, &before);
    struct journal_upkeep u = {.seal_before_utc_us = all_us,
                               .remove_before_utc_us = all_us,
                               .utc_s = 1767400000,
                               .stores = stores,
                               .store_count = 1};
    settle(j, 0);
    (void)maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals"), 0);
    settle(j, 1000000);
    u.remove_before_utc_us = FIXTURE_UTC_NS / 1000;
    (void)maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals"), 0);
    u.remove_before_utc_us = all_us;
    (void)maintain_all(j, &u);
    /* The run's inputs stay, and all that a replay is fed before them; so does all of the session that runs. */
    int64_t kept = inputs_of(&f, "epoch = 1");
    ck_assert_int_ge(kept, 90 * PER_BATCH);
    ck_assert_int_lt(kept, 2 * 103 * PER_BATCH);
    ck_assert_int_eq(inputs_of(&f, "epoch = 2"), 0);
    ck_assert_int_eq(inputs_of(&f, "epoch = 3"), 103 * PER_BATCH);
    (void)sum_inputs(f.path, 1, 90 * PER_BATCH, NULL, &now);
    ck_assert_mem_eq(&now, &before, sizeof now);
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    ck_assert(res.head_seen);
    ck_assert_int_eq(res.removed_inputs, 4 * 103 * PER_BATCH - kept);
    /* Whoever asks for what is gone hears why. */
    struct journal_reader *r = journal_reader_open(f.path, &err);
    ck_assert_msg(r != NULL, "%s", err.text);
    struct sum none = {.stream = digest_stream_new()};
    for (uint64_t epoch = 1; epoch <= 2; epoch++) {
        ck_assert_int_eq(journal_reader_inputs(r, epoch, 0, add_input, &none, &err), -1);
        ck_assert_msg(strstr(err.text, "retention removed") != NULL && strstr(err.text, "2026-01-03") != NULL, "%s",
                      err.text);
    }
    digest_stream_free(none.stream);
    journal_reader_close(r);
    OK(journal_checkpoint(j, true, &err));
    journal_close(j);
    find_damages(&f, &head, gone_damages, sizeof gone_damages / sizeof gone_damages[0]);
    fixture_remove(&f);
}
END_TEST

/* Above the size that was set the older block goes first, be it of inputs or of readings. */
START_TEST(test_size)
{
    struct fixture f;
    struct error err = {""};
    struct digest head;
    struct journal_stats stats;
    struct journal_check_result res;
    char words[300];
    fixture_make(&f);
    struct journal *j = three_sessions(&f, &head);
    OK(journal_get_stats(j, &stats, &err));
    struct journal_upkeep u = {.seal_before_utc_us = all_us, .max_bytes = stats.used_bytes - 1, .utc_s = 1767400000};
    (void)maintain_all(j, &u);
    ck_assert_int_eq(fixture_ask(f.path, "SELECT count(*) FROM removals WHERE cause <> 2"), 0);
    ck_assert_int_ge(fixture_ask(f.path, "SELECT count(*) FROM removals WHERE what = 2"), 1);
    ck_assert_int_gt(inputs_of(&f, "epoch = 2"), 0); /* one block was enough */
    ck_assert_msg(problems_of(f.path, &head, &res, words) == 0, "%s", words);
    journal_close(j);
    fixture_remove(&f);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("journal inputs");
    TCase *t = tcase_create("inputs");
    tcase_set_timeout(t, 120);
    tcase_add_loop_test(t, test_pack_gives_back_every_bit, 0, 2);
    tcase_add_test(t, test_same_inputs);
    tcase_add_test(t, test_cut_off_after_sealing);
    tcase_add_test(t, test_damage);
    tcase_add_test(t, test_damaged_block_stays);
    tcase_add_test(t, test_older_tables);
    tcase_add_test(t, test_retention);
    tcase_add_test(t, test_size);
    suite_add_tcase(s, t);
    return suite_run(s);
}
