#include <stdlib.h>
#include <string.h>

#include "journal_private.h"
#include "removed.h"
#include "sql.h"

/* Free pages are given back in steps of this many, and only when they are this part of the file: a bench that records
 * will need some of them again. */
enum { SHRINK_PAGES = 256, SHRINK_FLOOR_PAGES = 256, SHRINK_PART = 8 };

static int pages_of(struct journal *j, int64_t *pages, int64_t *free_pages, int64_t *page_bytes, struct error *err)
{
    return sql_get_int(j->db, "PRAGMA page_count", pages, err) != 0 ||
                   sql_get_int(j->db, "PRAGMA freelist_count", free_pages, err) != 0 ||
                   sql_get_int(j->db, "PRAGMA page_size", page_bytes, err) != 0
               ? -1
               : 0;
}

int journal_used_bytes(struct journal *j, int64_t *bytes, struct error *err)
{
    int64_t pages = 0, free_pages = 0, page_bytes = 0;
    if (pages_of(j, &pages, &free_pages, &page_bytes, err) != 0)
        return -1;
    *bytes = (pages - free_pages) * page_bytes;
    return 0;
}

int journal_shrink(struct journal *j, struct error *err)
{
    int64_t pages = 0, free_pages = 0, page_bytes = 0, mode = 0;
    if (pages_of(j, &pages, &free_pages, &page_bytes, err) != 0 ||
        sql_get_int(j->db, "PRAGMA auto_vacuum", &mode, err) != 0)
        return -1;
    if (mode != 2 || free_pages < SHRINK_FLOOR_PAGES || free_pages < pages / SHRINK_PART)
        return 0;
    char text[64];
    (void)text_format(text, sizeof text, "PRAGMA incremental_vacuum(%d)", SHRINK_PAGES);
    return sql_exec(j->db, text, err) != 0 ? -1 : 1;
}

/* Highest reading that every store has settled. */
static int settled_row(struct journal *j, const struct journal_upkeep *u, int64_t *row, struct error *err)
{
    *row = INT64_MAX;
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT settled FROM cursors WHERE store = ?1 AND feed = ?2", err);
    int rc = st == NULL ? -1 : 0;
    for (int i = 0; rc >= 0 && i < u->store_count; i++) {
        sql_bind_text(st, 1, u->stores[i]);
        sql_bind_int(st, 2, FEED_READINGS);
        rc = sql_next(st, "journal: cursor", err);
        int64_t settled = rc == 1 ? sql_int(st, 0) : 0;
        *row = settled < *row ? settled : *row;
        sql_done(st);
    }
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

/* The oldest sealed block that may go, into g. Returns 1 found, 0 none, -1. */
static int find_block(struct journal *j, int64_t before_utc_us, int64_t settled, struct journal_removal *g,
                      struct error *err)
{
    sqlite3_stmt *st = sql_prepare(
        j->db,
        "SELECT last_row, first_row, count, epoch, min_utc_us, max_utc_us, EXISTS (SELECT 1 FROM"
        " block_parts p WHERE p.last_row = b.last_row AND p.run_no <> 0) OR EXISTS (SELECT 1 FROM run_rows r"
        " WHERE r.epoch = b.epoch AND r.start_utc_us <= b.max_utc_us AND (r.end_utc_us = 0 OR"
        " r.end_utc_us >= b.min_utc_us)) FROM reading_blocks b WHERE"
        " last_row > ?1 ORDER BY last_row LIMIT 1",
        err);
    if (st == NULL)
        return -1;
    int rc;
    do {
        sql_bind_int(st, 1, j->kept_to);
        rc = sql_next(st, "journal: blocks", err);
        if (rc != 1)
            break;
        g->last = sql_int(st, 0);
        g->first = sql_int(st, 1);
        g->count = sql_int(st, 2);
        g->epoch = (uint64_t)sql_int(st, 3);
        g->min_utc_us = sql_int(st, 4);
        g->max_utc_us = sql_int(st, 5);
        bool of_run = sql_int(st, 6) != 0; /* or beside one: what the bench itself measured then */
        sql_done(st);
        if (g->last > settled || g->max_utc_us >= before_utc_us)
            rc = 0;
        else if (of_run)
            j->kept_to = g->last, rc = 2;
    } while (rc == 2);
    sqlite3_finalize(st);
    return rc;
}

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

/* Before the block goes: what each of its batches was sealed with, from an earlier tombstone or from its rows. */
static int take_whole(struct retaining *t, struct error *err)
{
    for (int64_t i = 0; i < t->count; i++) {
        int64_t batch = t->removal.first_batch + i;
        int rc = removed_part(&t->reader, batch, REMOVAL_READINGS, &t->gone[i], err);
        if (rc == 0)
            rc = readings_now(t, batch, &t->gone[i].count, &t->gone[i].digest, err);
        if (rc < 0)
            return -1;
    }
    return 0;
}

static int take_out(struct retaining *t, struct error *err)
{
    char text[192];
    long long last = t->removal.last;
    (void)text_format(text, sizeof text,
                      "DELETE FROM reading_blocks WHERE last_row = %lld; DELETE FROM block_parts WHERE last_row = %lld",
                      last, last);
    if (sql_exec(t->j->db, text, err) != 0)
        return -1;
    block_cache_free(t->reader.blocks);
    t->reader.blocks = NULL;
    return 0;
}

static int put_parts(struct retaining *t, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(t->j->db, "INSERT INTO removed_parts VALUES(?,?,?,?,?,?,?)", err);
    int rc = st == NULL ? -1 : 0;
    for (int64_t i = 0; rc == 0 && i < t->count; i++) {
        struct chain_gone *gone = &t->gone[i];
        int64_t batch = t->removal.first_batch + i;
        if (gone->count == 0)
            continue; /* a batch without readings between two others */
        rc = readings_now(t, batch, &gone->rest_count, &gone->rest_digest, err);
        if (rc != 0)
            break;
        const int64_t front[] = {batch, REMOVAL_READINGS, t->removal.id, gone->count};
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
        removed_seconds_digest(&t->reader, &t->removal, &t->removal.seconds, err) != 0)
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
    if (batch_of_row(j, g->first, &g->first_batch, err) != 0 || batch_of_row(j, g->last, &g->last_batch, err) != 0 ||
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

static int retain_block(struct journal *j, const struct journal_removal *g, struct error *err)
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
    int rc = t->chain == NULL ? error_set(err, "journal: out of memory") : journal_begin(j, err);
    if (rc == 0)
        rc = remove_block(t, err);
    if (rc != 0)
        journal_rollback(j);
    block_cache_free(t->reader.blocks);
    chain_free(t->chain);
    free(t->gone);
    free(t);
    return rc;
}

int journal_retain(struct journal *j, const struct journal_upkeep *u, struct error *err)
{
    int64_t settled = 0, used = 0;
    struct journal_removal g = {.utc_s = u->utc_s, .cause = REMOVAL_AGE, .what = REMOVAL_READINGS};
    if (u->remove_before_utc_us == 0 && u->max_bytes == 0)
        return 0;
    if (settled_row(j, u, &settled, err) != 0)
        return -1;
    int found = u->remove_before_utc_us == 0 ? 0 : find_block(j, u->remove_before_utc_us, settled, &g, err);
    if (found == 0 && u->max_bytes > 0) {
        if (journal_used_bytes(j, &used, err) != 0)
            return -1;
        g.cause = REMOVAL_SIZE;
        found = used > u->max_bytes ? find_block(j, INT64_MAX, settled, &g, err) : 0;
    }
    if (found != 1)
        return found;
    return retain_block(j, &g, err) != 0 ? -1 : 1;
}
