#include <string.h>

#include "chain_rows.h"
#include "removed.h"
#include "sql.h"
#include "verify_private.h"

/* Rows carry the place of their channel in the session, which is covered, and its number in the list of all channels,
 * by which it is named. */
static void check_channels(struct check *c)
{
    static const char *const tables[] = {"event_rows", "reading_rows", "verdict_rows", "run_rows"};
    for (int i = 0; i < 4; i++) {
        char text[256];
        int64_t n = 0;
        (void)text_format(text, sizeof text,
                          "SELECT count(*) FROM %s t WHERE t.channel IS NOT ifnull((SELECT id FROM session_channels s"
                          " WHERE s.epoch = t.epoch AND s.idx = t.idx), 0)",
                          tables[i]);
        if (sql_get_int(c->r->db, text, &n, NULL) == 0 && n > 0)
            verify_problem(c, "%lld of %s name another channel than that of their session", (long long)n, tables[i]);
    }
}

/* The end of a session is covered once it is recorded; before that there must be none. */
static void check_ends(struct check *c)
{
    int64_t n = 0;
    if (sql_get_int(c->r->db,
                    "SELECT count(*) FROM sessions WHERE end_batch = 0 AND (end_utc_us <> 0 OR ended_clean <> 0)", &n,
                    NULL) == 0 &&
        n > 0)
        verify_problem(c, "%lld sessions show an end that was never recorded", (long long)n);
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
            verify_problem(c, "%lld %s rows behind row %lld belong to no batch", (long long)n, names[i],
                           (long long)c->last[i]);
        (void)text_format(text, sizeof text, "%s-9223372036854775807 AND row < 1", texts[i]);
        if (sql_get_int(c->r->db, text, &n, NULL) == 0 && n > 0)
            verify_problem(c, "%lld %s rows stand before the first", (long long)n, names[i]);
    }
    int64_t n = 0;
    if (c->r->schema >= 2 &&
        sql_get_int(c->r->db,
                    "SELECT count(*) FROM reading_rows WHERE row <= (SELECT max(last_row) FROM reading_blocks)", &n,
                    NULL) == 0 &&
        n > 0)
        verify_problem(c, "%lld plain readings stand among the sealed ones", (long long)n);
    if (sql_get_int(c->r->db, "SELECT count(*) FROM input_blocks WHERE batch NOT IN (SELECT batch FROM batches)", &n,
                    NULL) == 0 &&
        n > 0)
        verify_problem(c, "%lld blocks of inputs belong to no batch", (long long)n);
    if (c->r->schema >= 4 &&
        sql_get_int(c->r->db,
                    "SELECT count(*) FROM input_blocks p WHERE EXISTS (SELECT 1 FROM sealed_inputs s WHERE s.epoch ="
                    " p.epoch AND s.last_seq >= p.first_seq AND s.first_seq <= p.last_seq)",
                    &n, NULL) == 0 &&
        n > 0)
        verify_problem(c, "%lld blocks of inputs stand among the sealed ones", (long long)n);
    if (c->r->schema >= 4 &&
        sql_get_int(
            c->r->db,
            "SELECT count(*) FROM sealed_inputs WHERE last_batch NOT IN (SELECT batch FROM batches) OR first_batch"
            " NOT IN (SELECT batch FROM batches) OR epoch NOT IN (SELECT epoch FROM sessions)",
            &n, NULL) == 0 &&
        n > 0)
        verify_problem(c, "%lld sealed blocks of inputs belong to no batch", (long long)n);
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
        verify_problem(c, "the file \"%s\", attached to run %lld, %s", name, (long long)sql_int(st, 0),
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
            verify_problem(c, "a kept file (bench, configuration, map or attachment) does not fit its digest");
    }
    sqlite3_finalize(st);
    return rc;
}

static void block_misfits(void *ctx, int64_t first, int64_t last, int64_t second)
{
    if (second == 0)
        verify_problem(ctx, "the block of readings %lld to %lld does not fit the list of its parts", (long long)first,
                       (long long)last);
    else
        verify_problem(ctx, "the summary of second %lld (UTC) does not fit the readings %lld to %lld",
                       (long long)second, (long long)first, (long long)last);
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
        verify_problem(c, "%lld parts belong to no block of readings", (long long)stray);
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
        verify_problem(c, "the summaries of seconds count %lld readings, %lld were sealed", (long long)summed,
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
        verify_problem(c,
                       "removal %lld (batches %lld to %lld): the digests that stand for what was removed were changed",
                       (long long)g->id, (long long)g->first_batch, (long long)g->last_batch);
    if (memcmp(&seconds, &g->seconds, sizeof seconds) != 0)
        verify_problem(
            c, "removal %lld: the summaries of seconds %lld to %lld (UTC), which stay when readings go, were changed",
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
        verify_problem(c, "%lld digests of removed rows belong to no removal",
                       (long long)(parts - c->result->removed_parts));
    return 0;
}

int verify_beside(struct check *c)
{
    check_left_over(c);
    check_channels(c);
    check_ends(c);
    return check_attachments(c) != 0 || check_blobs(c) != 0 || check_removals(c) != 0 || check_blocks(c) != 0 ||
                   check_seconds(c) != 0
               ? -1
               : 0;
}
