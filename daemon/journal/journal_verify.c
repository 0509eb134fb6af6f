#include <stdlib.h>
#include <string.h>

#include "chain.h"
#include "chain_rows.h"
#include "input_walk.h"
#include "reader_private.h"
#include "removed.h"
#include "sql.h"

struct check {
    struct journal_reader *r;
    struct chain *chain;
    problem_fn fn;
    void *ctx;
    struct journal_check_result *result;
    const struct digest *expected;
    struct error *err;
    bool removals; /* retention took something out of this record */
    int64_t batch;
    uint64_t epoch;
    int64_t last[3]; /* last row of events, readings, verdicts by the batches so far */
    uint64_t last_seq;
    uint64_t seq_epoch;
    struct input_walk *walk;
    uint64_t walk_epoch;
    int add; /* result of the last chain_add of a row callback */
};

static void problem(struct check *c, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void problem(struct check *c, const char *format, ...)
{
    char text[512];
    va_list args;
    va_start(args, format);
    (void)sqlite3_vsnprintf(sizeof text, text, format, args);
    va_end(args);
    c->result->problems++;
    if (c->fn != NULL)
        c->fn(c->ctx, text);
}

static int add_event(void *ctx, const struct journal_event *e)
{
    struct check *c = ctx;
    c->add = chain_add_event(c->chain, e);
    return c->add;
}

static int add_reading(void *ctx, const struct journal_reading *m)
{
    struct check *c = ctx;
    c->add = chain_add_reading(c->chain, m);
    return c->add;
}

static int add_verdict(void *ctx, const struct journal_verdict *v)
{
    struct check *c = ctx;
    c->add = chain_add_verdict(c->chain, v);
    return c->add;
}

/* Did retention take out all inputs between the one before and this one? */
static bool was_removed(struct check *c, uint64_t seq)
{
    sqlite3_stmt *st = !c->removals
                           ? NULL
                           : sql_prepare(c->r->db,
                                         "SELECT ifnull(sum(last - first + 1), 0) FROM removals WHERE what = ?1"
                                         " AND epoch = ?2 AND first > ?3 AND last < ?4",
                                         NULL);
    if (st == NULL)
        return false;
    sql_bind_int(st, 1, REMOVAL_INPUTS);
    sql_bind_int(st, 2, (int64_t)c->epoch);
    sql_bind_int(st, 3, (int64_t)c->last_seq);
    sql_bind_int(st, 4, (int64_t)seq);
    bool all = sql_next(st, "journal: removals", NULL) == 1 && (uint64_t)sql_int(st, 0) == seq - c->last_seq - 1;
    sqlite3_finalize(st);
    return all;
}

static int add_input(void *ctx, const uint8_t *bytes, size_t size)
{
    struct check *c = ctx;
    struct reader r = reader_over(bytes, size);
    uint64_t seq = get_u64(&r);
    if (c->seq_epoch != c->epoch) {
        c->seq_epoch = c->epoch;
        c->last_seq = seq - 1;
    }
    if (seq != c->last_seq + 1 && !was_removed(c, seq))
        problem(c, "batch %lld: input %llu of session %llu follows input %llu", (long long)c->batch,
                (unsigned long long)seq, (unsigned long long)c->epoch, (unsigned long long)c->last_seq);
    c->last_seq = seq;
    c->add = chain_add_input(c->chain, c->epoch, bytes, size);
    return c->add;
}

/* No batch of the session asked for what the walk still holds. */
static int look_for_more(struct check *c)
{
    struct input_part part;
    int rc = c->walk_epoch == 0 ? 0 : input_walk_next(c->walk, &part, c->err);
    if (rc == 1)
        problem(c, "inputs of session %llu from %llu on belong to no batch", (unsigned long long)c->walk_epoch,
                (unsigned long long)part.first_seq);
    return rc < 0 ? -1 : 0;
}

/* The inputs that the walk holds for this batch. */
static int feed_inputs(struct check *c)
{
    struct input_part part;
    struct error words = {""};
    int rc;
    if (c->walk_epoch != c->epoch) {
        if (look_for_more(c) != 0)
            return -1;
        c->walk_epoch = c->epoch;
        input_walk_from(c->walk, c->epoch, 0);
    }
    while ((rc = input_walk_next(c->walk, &part, &words)) == 1) {
        if (part.bytes != NULL && part.batch > c->batch) {
            input_walk_back(c->walk);
            return 0;
        }
        if (part.bytes == NULL)
            problem(c, "batch %lld: the inputs from %llu of session %llu on cannot be read: %s", (long long)part.batch,
                    (unsigned long long)part.first_seq, (unsigned long long)c->epoch, words.text);
        else if (part.batch < c->batch)
            problem(c, "batch %lld: inputs of session %llu that belong to it stand behind those of a later one",
                    (long long)part.batch, (unsigned long long)c->epoch);
        else
            (void)reader_each_input(&part, add_input, c);
    }
    return rc < 0 ? error_set(c->err, "%s", words.text) : 0;
}

/* The rows of a batch by number: they must follow those of the batch before without a gap. */
static int feed_rows(struct check *c, sqlite3_stmt *batch)
{
    static const char *const names[] = {"event", "reading", "verdict"};
    for (int i = 0; i < 3; i++) {
        int64_t first = sql_int(batch, 2 + 2 * i), last = sql_int(batch, 3 + 2 * i);
        if (first != c->last[i] + 1 || last < first - 1)
            problem(c, "batch %lld: its %s rows begin at %lld, but the batch before ended at %lld", (long long)c->batch,
                    names[i], (long long)first, (long long)c->last[i]);
        c->last[i] = last;
        if (last < first)
            continue;
        struct row_filter f = row_filter_any();
        f.after_row = first - 1;
        f.until_row = last;
        int rc = i == 0   ? journal_reader_events(c->r, &f, add_event, c, c->err)
                 : i == 1 ? journal_reader_readings(c->r, &f, add_reading, c, c->err)
                          : journal_reader_verdicts(c->r, &f, add_verdict, c, c->err);
        if (rc != 0)
            return -1;
    }
    return 0;
}

static int seal_before(struct check *c, int64_t run_no, struct digest *d)
{
    memset(d, 0, sizeof *d);
    sqlite3_stmt *st = sql_prepare(
        c->r->db, "SELECT digest FROM seals WHERE run_no = ?1 AND batch < ?2 ORDER BY batch DESC LIMIT 1", c->err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, run_no);
    sql_bind_int(st, 2, c->batch);
    int rc = sql_next(st, "journal: seals", c->err);
    if (rc == 1)
        (void)sql_digest(st, 0, d);
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

/* Which part of a run's seal differs, told by its counts. */
static void tell_seal(struct check *c, int i, const int64_t counts[CHAIN_PART_COUNT_])
{
    static const char *const names[] = {"events", "readings", "verdicts", "other rows"};
    for (int p = 0; p < CHAIN_PART_COUNT_; p++) {
        int64_t found = chain_count(c->chain, i, (enum chain_part)p);
        if (found != counts[p]) {
            problem(c, "batch %lld, run %lld: %lld %s were sealed, %lld are there", (long long)c->batch,
                    (long long)chain_run_no(c->chain, i), (long long)counts[p], names[p], (long long)found);
            return;
        }
    }
    problem(c, "batch %lld, run %lld: rows were changed or reordered (events up to row %lld, readings up to row %lld)",
            (long long)c->batch, (long long)chain_run_no(c->chain, i), (long long)c->last[0], (long long)c->last[1]);
}

static int check_seals(struct check *c)
{
    sqlite3_stmt *st = sql_prepare(
        c->r->db,
        "SELECT run_no, events, readings, verdicts, others, digest FROM seals WHERE batch = ?1 ORDER BY run_no",
        c->err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, c->batch);
    int rc, i = 0;
    while ((rc = sql_next(st, "journal: seals", c->err)) == 1) {
        int64_t run_no = sql_int(st, 0);
        for (; i < chain_runs(c->chain) && chain_run_no(c->chain, i) < run_no; i++)
            problem(c, "batch %lld: rows of run %lld were put in without a seal", (long long)c->batch,
                    (long long)chain_run_no(c->chain, i));
        if (i >= chain_runs(c->chain) || chain_run_no(c->chain, i) != run_no) {
            problem(c, "batch %lld: all rows of run %lld are missing", (long long)c->batch, (long long)run_no);
            continue;
        }
        struct digest before, kept, now;
        int64_t counts[CHAIN_PART_COUNT_];
        for (int p = 0; p < CHAIN_PART_COUNT_; p++)
            counts[p] = sql_int(st, 1 + p);
        if (seal_before(c, run_no, &before) != 0 || chain_seal(c->chain, i, c->batch, &before, &now) != 0) {
            rc = -1;
            break;
        }
        if (sql_digest(st, 5, &kept) != 0 || memcmp(&kept, &now, sizeof now) != 0)
            tell_seal(c, i, counts);
        i++;
    }
    sqlite3_finalize(st);
    for (; rc == 0 && i < chain_runs(c->chain); i++)
        problem(c, "batch %lld: rows of run %lld were put in without a seal", (long long)c->batch,
                (long long)chain_run_no(c->chain, i));
    return rc;
}

/* Where retention took rows out, the digests that it kept take their place; what is left must be what was left then. */
static int stand_in(struct check *c)
{
    static const enum removal_what whats[] = {REMOVAL_READINGS, REMOVAL_INPUTS};
    static const enum chain_part parts[] = {CHAIN_READINGS, CHAIN_PART_COUNT_};
    for (int i = 0; c->removals && i < 2; i++) {
        struct chain_gone gone;
        int rc = removed_part(c->r, c->batch, whats[i], &gone, c->err);
        if (rc == 1)
            rc = chain_stand_in(c->chain, 0, parts[i], &gone);
        if (rc < 0)
            return -1;
        if (rc == 1)
            problem(c, "batch %lld: what retention left of its %s was changed", (long long)c->batch,
                    i == 0 ? "readings" : "inputs");
    }
    return 0;
}

static int check_batch(struct check *c, sqlite3_stmt *batch)
{
    int64_t number = sql_int(batch, 0);
    if (number != c->batch + 1)
        problem(c, "batch %lld is followed by batch %lld: the ones between are missing", (long long)c->batch,
                (long long)number);
    /* A damaged index can hand out the same rows again and again. */
    if (number <= c->batch)
        return error_set(c->err, "journal: the list of batches is damaged");
    c->batch = number;
    c->epoch = (uint64_t)sql_int(batch, 1);
    c->add = 0;
    chain_begin(c->chain);
    int64_t before = c->result->problems;
    if (feed_inputs(c) != 0 || feed_rows(c, batch) != 0 ||
        chain_feed_others(c->r->db, c->r->schema, number, c->chain, c->err) != 0 || stand_in(c) != 0)
        return -1;
    if (c->add != 0 || chain_close(c->chain) != 0) {
        problem(c, "batch %lld: its rows cannot be put together", (long long)number);
        return 0;
    }
    if (check_seals(c) != 0)
        return -1;
    struct digest kept, now;
    int rc = chain_head(c->chain, number, c->epoch, &c->result->head, &now);
    bool same = sql_digest(batch, 8, &kept) == 0 && memcmp(&kept, &now, sizeof now) == 0;
    if (rc == 0 && !same && c->result->problems == before)
        problem(c, "batch %lld: its inputs or the order of its parts were changed", (long long)number);
    /* Go on from the head as it is kept, so that one change is told once and not for every batch behind it. */
    c->result->head = kept;
    c->result->batches++;
    if (c->expected != NULL && memcmp(&now, c->expected, sizeof now) == 0)
        c->result->head_seen = true;
    return rc;
}

static void check_left_over(struct check *c)
{
    static const char *const texts[] = {"SELECT count(*) FROM event_rows WHERE row > ",
                                        "SELECT count(*) FROM reading_rows WHERE row > ",
                                        "SELECT count(*) FROM verdict_rows WHERE row > "};
    static const char *const names[] = {"event", "reading", "verdict"};
    for (int i = 0; i < 3; i++) {
        char text[128];
        int64_t n = 0;
        (void)text_format(text, sizeof text, "%s%lld", texts[i], (long long)c->last[i]);
        if (sql_get_int(c->r->db, text, &n, NULL) == 0 && n > 0)
            problem(c, "%lld %s rows behind row %lld belong to no batch", (long long)n, names[i],
                    (long long)c->last[i]);
        (void)text_format(text, sizeof text, "%s-9223372036854775807 AND row < 1", texts[i]);
        if (sql_get_int(c->r->db, text, &n, NULL) == 0 && n > 0)
            problem(c, "%lld %s rows stand before the first", (long long)n, names[i]);
    }
    int64_t n = 0;
    if (c->r->schema >= 2 &&
        sql_get_int(c->r->db,
                    "SELECT count(*) FROM reading_rows WHERE row <= (SELECT max(last_row) FROM reading_blocks)", &n,
                    NULL) == 0 &&
        n > 0)
        problem(c, "%lld plain readings stand among the sealed ones", (long long)n);
    if (sql_get_int(c->r->db, "SELECT count(*) FROM input_blocks WHERE batch NOT IN (SELECT batch FROM batches)", &n,
                    NULL) == 0 &&
        n > 0)
        problem(c, "%lld blocks of inputs belong to no batch", (long long)n);
    if (c->r->schema >= 4 &&
        sql_get_int(c->r->db,
                    "SELECT count(*) FROM input_blocks p WHERE EXISTS (SELECT 1 FROM sealed_inputs s WHERE s.epoch ="
                    " p.epoch AND s.last_seq >= p.first_seq AND s.first_seq <= p.last_seq)",
                    &n, NULL) == 0 &&
        n > 0)
        problem(c, "%lld blocks of inputs stand among the sealed ones", (long long)n);
    if (c->r->schema >= 4 &&
        sql_get_int(
            c->r->db,
            "SELECT count(*) FROM sealed_inputs WHERE last_batch NOT IN (SELECT batch FROM batches) OR first_batch"
            " NOT IN (SELECT batch FROM batches) OR epoch NOT IN (SELECT epoch FROM sessions)",
            &n, NULL) == 0 &&
        n > 0)
        problem(c, "%lld sealed blocks of inputs belong to no batch", (long long)n);
}

/* Files that were added to runs and are gone or changed, by name. */
static int check_attachments(struct check *c)
{
    if (c->r->schema < 3)
        return 0;
    sqlite3_stmt *st = sql_prepare(c->r->db,
                                   "SELECT a.run_no, a.name, a.digest, b.bytes FROM addenda a LEFT JOIN blobs b ON"
                                   " b.digest = a.digest WHERE a.digest IS NOT NULL ORDER BY a.id",
                                   c->err);
    if (st == NULL)
        return -1;
    int rc;
    while ((rc = sql_next(st, "journal: attachments", c->err)) == 1) {
        struct digest kept, now;
        char name[ATTACHMENT_NAME_CAP];
        sql_text(st, 1, name, sizeof name);
        bool there = sqlite3_column_type(st, 3) != SQLITE_NULL;
        if (there && sql_digest(st, 2, &kept) == 0 &&
            digest_of(sqlite3_column_blob(st, 3), (size_t)sqlite3_column_bytes(st, 3), &now) == 0 &&
            memcmp(&kept, &now, sizeof now) == 0)
            continue;
        problem(c, "the file \"%s\", attached to run %lld, %s", name, (long long)sql_int(st, 0),
                there ? "was changed" : "is missing");
    }
    sqlite3_finalize(st);
    return rc;
}

static int check_blobs(struct check *c)
{
    sqlite3_stmt *st = sql_prepare(c->r->db, "SELECT digest, bytes FROM blobs", c->err);
    if (st == NULL)
        return -1;
    int rc;
    while ((rc = sql_next(st, "journal: blobs", c->err)) == 1) {
        struct digest kept, now;
        if (sql_digest(st, 0, &kept) != 0 ||
            digest_of(sqlite3_column_blob(st, 1), (size_t)sqlite3_column_bytes(st, 1), &now) != 0 ||
            memcmp(&kept, &now, sizeof now) != 0)
            problem(c, "a kept file (bench, configuration, map or attachment) does not fit its digest");
    }
    sqlite3_finalize(st);
    return rc;
}

static void block_misfits(void *ctx, int64_t first, int64_t last, int64_t second)
{
    if (second == 0)
        problem(ctx, "the block of readings %lld to %lld does not fit the list of its parts", (long long)first,
                (long long)last);
    else
        problem(ctx, "the summary of second %lld (UTC) does not fit the readings %lld to %lld", (long long)second,
                (long long)first, (long long)last);
}

static int check_blocks(struct check *c)
{
    int64_t stray = 0;
    if (c->r->schema < 2)
        return 0;
    if (sql_get_int(c->r->db,
                    "SELECT count(*) FROM block_parts WHERE last_row NOT IN (SELECT last_row FROM reading_blocks)",
                    &stray, c->err) != 0)
        return -1;
    if (stray > 0)
        problem(c, "%lld parts belong to no block of readings", (long long)stray);
    return reader_check_blocks(c->r, block_misfits, c, c->err);
}

/* Each sealed reading is counted in one second, also those that are gone. */
static int check_seconds(struct check *c)
{
    int64_t summed = 0, sealed = 0;
    if (c->r->schema < 2)
        return 0;
    if (sql_get_int(c->r->db, "SELECT ifnull(sum(rows), 0) FROM second_rows", &summed, c->err) != 0 ||
        sql_get_int(c->r->db, "SELECT ifnull(sum(count), 0) FROM reading_blocks", &sealed, c->err) != 0)
        return -1;
    sealed += c->result->removed_readings;
    if (summed != sealed)
        problem(c, "the summaries of seconds count %lld readings, %lld were sealed", (long long)summed,
                (long long)sealed);
    return 0;
}

static int check_removal(struct check *c, const struct journal_removal *g)
{
    struct digest parts, seconds = {{0}};
    int64_t count;
    if (removed_parts_digest(c->r, g, &parts, &count, c->err) != 0 ||
        (g->what == REMOVAL_READINGS && removed_seconds_digest(c->r, g, &seconds, c->err) != 0))
        return -1;
    if (memcmp(&parts, &g->parts, sizeof parts) != 0)
        problem(c, "removal %lld (batches %lld to %lld): the digests that stand for what was removed were changed",
                (long long)g->id, (long long)g->first_batch, (long long)g->last_batch);
    if (memcmp(&seconds, &g->seconds, sizeof seconds) != 0)
        problem(c,
                "removal %lld: the summaries of seconds %lld to %lld (UTC), which stay when readings go, were changed",
                (long long)g->id, (long long)(g->min_utc_us / 1000000), (long long)(g->max_utc_us / 1000000));
    struct journal_check_result *res = c->result;
    res->removals++;
    res->removed_parts += count;
    if (g->what == REMOVAL_READINGS)
        res->removed_readings += g->count;
    else
        res->removed_inputs += g->count;
    if (res->removed_from_us == 0 || g->min_utc_us < res->removed_from_us)
        res->removed_from_us = g->min_utc_us;
    if (g->max_utc_us > res->removed_to_us)
        res->removed_to_us = g->max_utc_us;
    if (g->utc_s > res->removed_last_s)
        res->removed_last_s = g->utc_s;
    return 0;
}

static int check_removals(struct check *c)
{
    if (c->r->schema < 3)
        return 0;
    int64_t parts = 0;
    sqlite3_stmt *st = sql_prepare(c->r->db, "SELECT * FROM removals ORDER BY id", c->err);
    int rc = st == NULL ? -1 : 0;
    while (rc >= 0 && (rc = sql_next(st, "journal: removals", c->err)) == 1) {
        struct journal_removal g;
        removal_row(st, &g);
        if (check_removal(c, &g) != 0)
            rc = -1;
    }
    sqlite3_finalize(st);
    if (rc < 0 || sql_get_int(c->r->db, "SELECT count(*) FROM removed_parts", &parts, c->err) != 0)
        return -1;
    if (parts != c->result->removed_parts)
        problem(c, "%lld digests of removed rows belong to no removal", (long long)(parts - c->result->removed_parts));
    return 0;
}

static int check_batches(struct check *c)
{
    sqlite3_stmt *st = sql_prepare(c->r->db,
                                   "SELECT batch, epoch, first_event, last_event, first_reading, last_reading,"
                                   " first_verdict, last_verdict, head FROM batches WHERE batch > ?1 ORDER BY batch"
                                   " LIMIT 1",
                                   c->err);
    if (st == NULL)
        return -1;
    int rc = 1;
    while (rc == 1) {
        sql_bind_int(st, 1, c->batch);
        rc = sql_next(st, "journal: batches", c->err);
        if (rc == 1 && check_batch(c, st) != 0)
            rc = -1;
        sql_done(st);
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_verify(struct journal_reader *r, const struct digest *expected, problem_fn fn, void *ctx,
                   struct journal_check_result *result, struct error *err)
{
    *result = (struct journal_check_result){0};
    struct check c = {.r = r, .fn = fn, .ctx = ctx, .result = result, .expected = expected, .err = err};
    c.chain = chain_new();
    if (c.chain == NULL)
        return error_set(err, "journal: out of memory");
    c.walk = input_walk_new(r, err);
    if (c.walk == NULL) {
        chain_free(c.chain);
        return -1;
    }
    int64_t removals = 0;
    /* One moment of the file, whatever the daemon commits, seals or removes meanwhile. */
    int rc = sql_exec(r->db, "BEGIN", err);
    if (rc == 0 && r->schema >= 3)
        rc = sql_get_int(r->db, "SELECT count(*) FROM removed_parts", &removals, err);
    c.removals = removals > 0;
    if (rc == 0)
        rc = check_batches(&c) != 0 || look_for_more(&c) != 0 ? -1 : 0;
    if (rc == 0) {
        check_left_over(&c);
        rc = check_attachments(&c) != 0 || check_blobs(&c) != 0 || check_removals(&c) != 0 || check_blocks(&c) != 0 ||
                     check_seconds(&c) != 0
                 ? -1
                 : 0;
    }
    if (rc == 0 && expected != NULL && !result->head_seen)
        problem(&c, "the head that was given does not occur in the record: it was cut off or replaced");
    if (sqlite3_get_autocommit(r->db) == 0)
        (void)sql_exec(r->db, "ROLLBACK", NULL);
    input_walk_free(c.walk);
    chain_free(c.chain);
    return rc;
}
