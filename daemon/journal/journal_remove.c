#include <stdlib.h>

#include "input_walk.h"
#include "journal_private.h"
#include "removed.h"
#include "sql.h"

/* First batch whose readings reach up to row or beyond: batches hold rising rows. */
static int batch_of_row(struct journal *j, int64_t row, int64_t *batch, struct error *err)
{
    int64_t low = 1, high = j->saved.batch;
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT last_reading FROM batches WHERE batch = ?1", err);
    int rc = st == NULL ? -1 : 0;
    while (rc >= 0 && low < high) {
        int64_t middle = low + (high - low) / 2;
        sql_bind_int(st, 1, middle);
        rc = sql_next(st, "journal: batches", err);
        if (rc != 1) {
            rc = rc < 0 ? -1 : error_set(err, "journal: batch %lld is missing", (long long)middle);
            break;
        }
        if (sql_int(st, 0) >= row)
            high = middle;
        else
            low = middle + 1;
        sql_done(st);
    }
    sqlite3_finalize(st);
    *batch = low;
    return rc < 0 ? -1 : 0;
}

struct retaining {
    struct journal *j;
    struct journal_reader reader; /* over the writer's own connection */
    struct chain *chain;
    struct input_walk *walk; /* of inputs: else NULL */
    struct journal_removal removal;
    int64_t count; /* batches that are touched */
    struct chain_gone *gone;
};

static int add_reading(void *ctx, const struct journal_reading *m)
{
    return chain_add_reading(ctx, m);
}

/* Count and digest of the readings outside of any run that a batch has now. */
static int readings_now(struct retaining *t, int64_t batch, int64_t *count, struct digest *digest, struct error *err)
{
    struct row_filter f = row_filter_any();
    sqlite3_stmt *st = sql_prepare(t->j->db, "SELECT first_reading, last_reading FROM batches WHERE batch = ?1", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, batch);
    int rc = sql_next(st, "journal: batches", err);
    if (rc == 1) {
        f.after_row = sql_int(st, 0) - 1;
        f.until_row = sql_int(st, 1);
    }
    sqlite3_finalize(st);
    if (rc != 1)
        return rc < 0 ? -1 : error_set(err, "journal: batch %lld is missing", (long long)batch);
    chain_begin(t->chain);
    if (f.until_row > f.after_row && journal_reader_readings(&t->reader, &f, add_reading, t->chain, err) != 0)
        return -1;
    if (chain_close(t->chain) != 0)
        return error_set(err, "journal: the digest library failed");
    chain_part(t->chain, 0, CHAIN_READINGS, count, digest);
    return 0;
}

static int add_input(void *ctx, const uint8_t *bytes, size_t size)
{
    return chain_add_input(ctx, 0, bytes, size);
}

/* Count and digest of the inputs that a batch has now; the walk stands at them or before. */
static int inputs_now(struct retaining *t, int64_t batch, int64_t *count, struct digest *digest, struct error *err)
{
    struct input_part part;
    int rc;
    chain_begin(t->chain);
    while ((rc = input_walk_next(t->walk, &part, err)) == 1) {
        if (part.bytes == NULL)
            return -1;
        if (part.batch > batch) {
            input_walk_back(t->walk);
            break;
        }
        if (part.batch == batch && reader_each_input(&part, add_input, t->chain) != 0)
            return error_set(err, "journal: the digest library failed");
    }
    if (rc < 0 || chain_close(t->chain) != 0)
        return rc < 0 ? -1 : error_set(err, "journal: the digest library failed");
    chain_part(t->chain, 0, CHAIN_PART_COUNT_, count, digest);
    return 0;
}

static int part_now(struct retaining *t, int64_t batch, int64_t *count, struct digest *digest, struct error *err)
{
    return t->removal.what == REMOVAL_READINGS ? readings_now(t, batch, count, digest, err)
                                               : inputs_now(t, batch, count, digest, err);
}

/* The walk goes to where the first batch of the block may begin, which can be in the block before. */
static int walk_to_first(struct retaining *t, struct error *err)
{
    char text[320];
    int64_t before = 0;
    if (t->walk == NULL)
        return 0;
    (void)text_format(text, sizeof text,
                      "SELECT max(ifnull((SELECT max(last_seq) FROM sealed_inputs WHERE epoch = %lld AND last_batch <"
                      " %lld), 0), ifnull((SELECT max(last_seq) FROM input_blocks WHERE epoch = %lld AND batch < %lld"
                      " AND first_seq < %lld), 0))",
                      (long long)t->removal.epoch, (long long)t->removal.first_batch, (long long)t->removal.epoch,
                      (long long)t->removal.first_batch, (long long)t->removal.first);
    if (sql_get_int(t->j->db, text, &before, err) != 0)
        return -1;
    input_walk_from(t->walk, t->removal.epoch, (uint64_t)before);
    return 0;
}

/* Before the block goes: what each of its batches was sealed with, from an earlier tombstone or from its rows. */
static int take_whole(struct retaining *t, struct error *err)
{
    if (walk_to_first(t, err) != 0)
        return -1;
    for (int64_t i = 0; i < t->count; i++) {
        int64_t batch = t->removal.first_batch + i;
        int rc = removed_part(&t->reader, batch, t->removal.what, &t->gone[i], err);
        if (rc == 0)
            rc = part_now(t, batch, &t->gone[i].count, &t->gone[i].digest, err);
        if (rc < 0)
            return -1;
    }
    return 0;
}

static int take_out(struct retaining *t, struct error *err)
{
    char text[192];
    long long last = t->removal.last;
    if (t->removal.what == REMOVAL_INPUTS)
        (void)text_format(text, sizeof text, "DELETE FROM sealed_inputs WHERE epoch = %lld AND last_seq = %lld",
                          (long long)t->removal.epoch, last);
    else
        (void)text_format(
            text, sizeof text,
            "DELETE FROM reading_blocks WHERE last_row = %lld; DELETE FROM block_parts WHERE last_row = %lld", last,
            last);
    if (sql_exec(t->j->db, text, err) != 0)
        return -1;
    block_cache_free(t->reader.blocks);
    t->reader.blocks = NULL;
    return 0;
}

static int put_parts(struct retaining *t, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(t->j->db, "INSERT INTO removed_parts VALUES(?,?,?,?,?,?,?)", err);
    int rc = st == NULL ? -1 : walk_to_first(t, err);
    for (int64_t i = 0; rc == 0 && i < t->count; i++) {
        struct chain_gone *gone = &t->gone[i];
        int64_t batch = t->removal.first_batch + i;
        if (gone->count == 0)
            continue; /* a batch without any of them between two others */
        rc = part_now(t, batch, &gone->rest_count, &gone->rest_digest, err);
        if (rc != 0)
            break;
        const int64_t front[] = {batch, (int64_t)t->removal.what, t->removal.id, gone->count};
        for (int k = 0; k < 4; k++)
            sql_bind_int(st, 1 + k, front[k]);
        sql_bind_digest(st, 5, &gone->digest);
        sql_bind_int(st, 6, gone->rest_count);
        if (gone->rest_count > 0)
            sql_bind_digest(st, 7, &gone->rest_digest);
        rc = sql_run(st, "journal: what is removed", err);
    }
    sqlite3_finalize(st);
    return rc;
}

static void bind_removal(sqlite3_stmt *st, const void *ctx)
{
    const struct retaining *t = ctx;
    const struct journal_removal *g = &t->removal;
    const int64_t values[] = {g->id,   g->utc_s, (int64_t)g->cause, (int64_t)g->what, (int64_t)g->epoch, g->first,
                              g->last, g->count, g->min_utc_us,     g->max_utc_us,    g->first_batch,    g->last_batch};
    for (int i = 0; i < 12; i++)
        sql_bind_int(st, 1 + i, values[i]);
    sql_bind_digest(st, 13, &g->parts);
    sql_bind_digest(st, 14, &g->seconds);
    sql_bind_int(st, 15, journal_batch_no(t->j));
}

static int put_removal(struct retaining *t, struct error *err)
{
    int64_t parts;
    if (removed_parts_digest(&t->reader, &t->removal, &t->removal.parts, &parts, err) != 0 ||
        (t->removal.what == REMOVAL_READINGS &&
         removed_seconds_digest(&t->reader, &t->removal, &t->removal.seconds, err) != 0))
        return -1;
    t->j->others = true;
    return journal_once(t->j, "INSERT INTO removals VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)", bind_removal, t,
                        "journal: removal", err);
}

/* All in one batch, so that block and tombstone change places at once and the tombstone is under the chain. */
static int remove_block(struct retaining *t, struct error *err)
{
    struct journal *j = t->j;
    struct journal_removal *g = &t->removal;
    if ((g->what == REMOVAL_READINGS && (batch_of_row(j, g->first, &g->first_batch, err) != 0 ||
                                         batch_of_row(j, g->last, &g->last_batch, err) != 0)) ||
        sql_get_int(j->db, "SELECT ifnull(max(id), 0) + 1 FROM removals", &g->id, err) != 0)
        return -1;
    t->count = g->last_batch - g->first_batch + 1;
    t->gone = t->count > 0 ? calloc((size_t)t->count, sizeof *t->gone) : NULL;
    if (t->gone == NULL)
        return error_set(err, "journal: out of memory");
    if (take_whole(t, err) != 0 || take_out(t, err) != 0 || put_parts(t, err) != 0 || put_removal(t, err) != 0)
        return -1;
    return journal_commit(j, err);
}

int journal_remove(struct journal *j, const struct journal_removal *g, struct error *err)
{
    struct retaining *t = calloc(1, sizeof *t);
    if (t == NULL)
        return error_set(err, "journal: out of memory");
    t->j = j;
    t->removal = *g;
    t->reader.db = j->db;
    t->reader.schema = JOURNAL_SCHEMA_VERSION;
    (void)text_copy(t->reader.path, sizeof t->reader.path, j->path);
    t->chain = chain_new();
    int rc = t->chain == NULL ? error_set(err, "journal: out of memory") : 0;
    if (rc == 0 && g->what == REMOVAL_INPUTS && (t->walk = input_walk_new(&t->reader, err)) == NULL)
        rc = -1;
    if (rc == 0)
        rc = journal_begin(j, err);
    if (rc == 0)
        rc = remove_block(t, err);
    if (rc != 0)
        journal_rollback(j);
    input_walk_free(t->walk);
    block_cache_free(t->reader.blocks);
    chain_free(t->chain);
    free(t->gone);
    free(t);
    return rc;
}
