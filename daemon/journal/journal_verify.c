#include <stdlib.h>
#include <string.h>

#include "chain_rows.h"
#include "removed.h"
#include "sql.h"
#include "verify_private.h"

void verify_problem(struct check *c, const char *format, ...)
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
        verify_problem(c, "batch %lld: input %llu of session %llu follows input %llu", (long long)c->batch,
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
        verify_problem(c, "inputs of session %llu from %llu on belong to no batch", (unsigned long long)c->walk_epoch,
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
            verify_problem(c, "batch %lld: the inputs from %llu of session %llu on cannot be read: %s",
                           (long long)part.batch, (unsigned long long)part.first_seq, (unsigned long long)c->epoch,
                           words.text);
        else if (part.batch < c->batch)
            verify_problem(c, "batch %lld: inputs of session %llu that belong to it stand behind those of a later one",
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
            verify_problem(c, "batch %lld: its %s rows begin at %lld, but the batch before ended at %lld",
                           (long long)c->batch, names[i], (long long)first, (long long)c->last[i]);
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
            verify_problem(c, "batch %lld, run %lld: %lld %s were sealed, %lld are there", (long long)c->batch,
                           (long long)chain_run_no(c->chain, i), (long long)counts[p], names[p], (long long)found);
            return;
        }
    }
    verify_problem(
        c, "batch %lld, run %lld: rows were changed or reordered (events up to row %lld, readings up to row %lld)",
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
            verify_problem(c, "batch %lld: rows of run %lld were put in without a seal", (long long)c->batch,
                           (long long)chain_run_no(c->chain, i));
        if (i >= chain_runs(c->chain) || chain_run_no(c->chain, i) != run_no) {
            verify_problem(c, "batch %lld: all rows of run %lld are missing", (long long)c->batch, (long long)run_no);
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
        bool same = sql_digest(st, 5, &kept) == 0 && memcmp(&kept, &now, sizeof now) == 0;
        for (int p = 0; same && p < CHAIN_PART_COUNT_; p++)
            same = counts[p] == chain_count(c->chain, i, (enum chain_part)p);
        if (!same)
            tell_seal(c, i, counts);
        i++;
    }
    sqlite3_finalize(st);
    for (; rc == 0 && i < chain_runs(c->chain); i++)
        verify_problem(c, "batch %lld: rows of run %lld were put in without a seal", (long long)c->batch,
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
            verify_problem(c, "batch %lld: what retention left of its %s was changed", (long long)c->batch,
                           i == 0 ? "readings" : "inputs");
    }
    return 0;
}

static int check_batch(struct check *c, sqlite3_stmt *batch)
{
    int64_t number = sql_int(batch, 0);
    if (number != c->batch + 1)
        verify_problem(c, "batch %lld is followed by batch %lld: the ones between are missing", (long long)c->batch,
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
        verify_problem(c, "batch %lld: its rows cannot be put together", (long long)number);
        return 0;
    }
    if (check_seals(c) != 0)
        return -1;
    struct digest kept, now;
    int rc = chain_head(c->chain, number, c->epoch, &c->result->head, &now);
    bool same = sql_digest(batch, 8, &kept) == 0 && memcmp(&kept, &now, sizeof now) == 0;
    if (rc == 0 && !same && c->result->problems == before)
        verify_problem(c, "batch %lld: its inputs or the order of its parts were changed", (long long)number);
    /* Go on from the head as it is kept, so that one change is told once and not for every batch behind it. */
    c->result->head = kept;
    c->result->batches++;
    if (c->expected != NULL && memcmp(&now, c->expected, sizeof now) == 0)
        c->result->head_seen = true;
    return rc;
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
    if (rc == 0)
        rc = verify_beside(&c);
    if (rc == 0 && expected != NULL && !result->head_seen)
        verify_problem(&c, "the head that was given does not occur in the record: it was cut off or replaced");
    if (sqlite3_get_autocommit(r->db) == 0)
        (void)sql_exec(r->db, "ROLLBACK", NULL);
    input_walk_free(c.walk);
    chain_free(c.chain);
    return rc;
}
