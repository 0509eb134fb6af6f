#include "journal_private.h"
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

/* What both kinds of blocks say of themselves, in the first six columns. */
static void take_block(sqlite3_stmt *st, struct journal_removal *g)
{
    g->last = sql_int(st, 0);
    g->first = sql_int(st, 1);
    g->count = sql_int(st, 2);
    g->epoch = (uint64_t)sql_int(st, 3);
    g->min_utc_us = sql_int(st, 4);
    g->max_utc_us = sql_int(st, 5);
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
        take_block(st, g);
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

/* The oldest sealed block of inputs that may go: of a session that has ended, behind the last run that began in it,
 * since a replay is fed from the session's first input on. Returns 1 found, 0 none, -1. */
static int find_inputs(struct journal *j, int64_t before_utc_us, int64_t settled, struct journal_removal *g,
                       struct error *err)
{
    sqlite3_stmt *st = sql_prepare(
        j->db,
        "SELECT last_seq, first_seq, count, epoch, min_utc_us, max_utc_us, first_batch, last_batch FROM sealed_inputs b"
        " WHERE epoch < ?1 AND max_utc_us < ?2 AND NOT EXISTS (SELECT 1 FROM run_rows r WHERE r.epoch = b.epoch AND"
        " (r.end_utc_us = 0 OR max(r.end_seq, r.start_seq) >= b.first_seq)) AND (SELECT last_reading FROM batches WHERE"
        " batch = b.last_batch) <= ?3 ORDER BY epoch, last_seq LIMIT 1",
        err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)j->state.session.epoch);
    sql_bind_int(st, 2, before_utc_us);
    sql_bind_int(st, 3, settled);
    int rc = sql_next(st, "journal: sealed inputs", err);
    if (rc == 1) {
        take_block(st, g);
        g->first_batch = sql_int(st, 6);
        g->last_batch = sql_int(st, 7);
    }
    sqlite3_finalize(st);
    return rc;
}

/* The older one of the two kinds of blocks. Returns 1 found, 0 none, -1. */
static int find_oldest(struct journal *j, int64_t before_utc_us, int64_t settled, struct journal_removal *g,
                       struct error *err)
{
    struct journal_removal readings = *g, inputs = *g;
    readings.what = REMOVAL_READINGS;
    inputs.what = REMOVAL_INPUTS;
    int a = find_block(j, before_utc_us, settled, &readings, err);
    int b = a < 0 ? -1 : find_inputs(j, before_utc_us, settled, &inputs, err);
    if (a < 0 || b < 0)
        return -1;
    if (a == 1 || b == 1)
        *g = b == 0 || (a == 1 && readings.max_utc_us <= inputs.max_utc_us) ? readings : inputs;
    return a == 1 || b == 1;
}

int journal_retain(struct journal *j, const struct journal_upkeep *u, struct error *err)
{
    int64_t settled = 0, used = 0;
    struct journal_removal g = {.utc_s = u->utc_s, .cause = REMOVAL_AGE};
    if (u->remove_before_utc_us == 0 && u->max_bytes == 0)
        return 0;
    if (settled_row(j, u, &settled, err) != 0)
        return -1;
    int found = u->remove_before_utc_us == 0 ? 0 : find_oldest(j, u->remove_before_utc_us, settled, &g, err);
    if (found == 0 && u->max_bytes > 0) {
        if (journal_used_bytes(j, &used, err) != 0)
            return -1;
        g.cause = REMOVAL_SIZE;
        found = used > u->max_bytes ? find_oldest(j, INT64_MAX, settled, &g, err) : 0;
    }
    if (found != 1)
        return found;
    return journal_remove(j, &g, err) != 0 ? -1 : 1;
}
