#include <stdlib.h>
#include <string.h>

#include "journal_private.h"
#include "journal_schema.h"
#include "reader_private.h"
#include "sql.h"

/* Room to seal a block, and the block that was asked for stamps last. */
struct sealer {
    struct reading_packer *packer;
    struct block_row rows[READING_BLOCK_ROWS], back[READING_BLOCK_ROWS];
    int64_t asked_last; /* last row of the block that lies in back; 0: none */
    int asked_count;
};

static struct sealer *sealer_of(struct journal *j, struct error *err)
{
    if (j->sealer != NULL)
        return j->sealer;
    struct sealer *s = calloc(1, sizeof *s);
    if (s != NULL)
        s->packer = reading_packer_new();
    if (s == NULL || s->packer == NULL) {
        free(s);
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    j->sealer = s;
    return j->sealer;
}

void sealer_free(struct sealer *s)
{
    if (s == NULL)
        return;
    reading_packer_free(s->packer);
    free(s);
}

/* ---- stamps of sealed rows ---- */

static int holds_stamp(const struct sealer *s, int64_t channel_id, int64_t ms)
{
    for (int i = 0; i < s->asked_count; i++)
        if (s->back[i].channel_id == channel_id && s->back[i].m.store_ms == ms)
            return 1;
    return 0;
}

int journal_sealed_stamp(struct journal *j, int64_t channel_id, int64_t ms, struct error *err)
{
    struct sealer *s = sealer_of(j, err);
    sqlite3_stmt *st = s == NULL ? NULL
                                 : sql_prepare(j->db,
                                               "SELECT DISTINCT b.last_row, b.codec, b.bytes FROM block_parts p JOIN"
                                               " reading_blocks b ON b.last_row = p.last_row WHERE p.channel = ?1 AND"
                                               " p.max_ms >= ?2 AND p.min_ms <= ?2",
                                               err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, channel_id);
    sql_bind_int(st, 2, ms);
    int rc, found = 0;
    while (found == 0 && (rc = sql_next(st, "journal: sealed stamps", err)) != 0) {
        if (rc < 0) {
            found = -1;
            break;
        }
        if (s->asked_last != sql_int(st, 0)) {
            s->asked_last = 0;
            s->asked_count = reader_decode_block(s->packer, st, 1, s->back, err);
            if (s->asked_count < 0) {
                found = -1;
                break;
            }
            s->asked_last = sql_int(st, 0);
        }
        found = holds_stamp(s, channel_id, ms);
    }
    sqlite3_finalize(st);
    return found;
}

/* ---- sealing ---- */

/* Epoch and time of the plain row with this number, or the first one behind it. Returns 1, 0 none, -1. */
static int look_at(struct journal *j, int64_t row, int64_t *found, int64_t *epoch, int64_t *utc_us, struct error *err)
{
    sqlite3_stmt *st =
        sql_prepare(j->db, "SELECT row, epoch, utc_us FROM reading_rows WHERE row >= ? ORDER BY row LIMIT 1", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, row);
    int rc = sql_next(st, "journal: rows to seal", err);
    if (rc == 1) {
        *found = sql_int(st, 0);
        *epoch = sql_int(st, 1);
        *utc_us = sql_int(st, 2);
    }
    sqlite3_finalize(st);
    return rc;
}

/* Is there a block's worth of rows that are old enough, or fewer to which none can be added? */
static int worth_sealing(struct journal *j, int64_t limit_us, int64_t *first, struct error *err)
{
    int64_t epoch = 0, utc_us = 0, end = 0, end_epoch = 0, end_us = 0;
    int rc = look_at(j, INT64_MIN, first, &epoch, &utc_us, err);
    if (rc != 1 || utc_us >= limit_us)
        return rc < 0 ? -1 : 0;
    if ((uint64_t)epoch != j->state.session.epoch)
        return 1;
    rc = look_at(j, *first + READING_BLOCK_ROWS - 1, &end, &end_epoch, &end_us, err);
    return rc == 1 ? end_us < limit_us : rc;
}

/* Takes rows from first on that are of one session and old enough. Returns the count or -1. */
static int take_rows(struct journal *j, struct sealer *s, int64_t first, int64_t limit_us, struct error *err)
{
    char columns[1500], text[2048];
    reader_reading_columns(columns, sizeof columns);
    (void)text_format(text, sizeof text,
                      "SELECT %s, m.channel FROM reading_rows m WHERE m.row >= ?1 ORDER BY m.row"
                      " LIMIT %d",
                      columns, READING_BLOCK_ROWS);
    sqlite3_stmt *st = sql_prepare(j->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, first);
    int rc, n = 0;
    while ((rc = sql_next(st, "journal: rows to seal", err)) == 1) {
        struct block_row *row = &s->rows[n];
        reader_reading_plain(st, &row->m);
        row->channel_id = sql_int(st, 10 + SIG_OTHER);
        if (n > 0 && (row->m.epoch != s->rows[0].m.epoch || row->m.row != s->rows[0].m.row + n))
            break;
        if (row->m.utc_us >= limit_us)
            break;
        n++;
    }
    sqlite3_finalize(st);
    if (rc < 0)
        return -1;
    /* Whole seconds, so that one second lies in one block. */
    int whole = n;
    if (n == READING_BLOCK_ROWS)
        while (whole > 0 && s->rows[whole - 1].m.utc_us / 1000000 >= s->rows[n - 1].m.utc_us / 1000000)
            whole--;
    return whole > n / 2 ? whole : n;
}

static int put_part(sqlite3_stmt *st, const struct sealer *s, int i, int n, struct error *err)
{
    const struct block_row *a = &s->rows[i];
    int64_t count = 0, max_us = INT64_MIN, min_ms = INT64_MAX, max_ms = INT64_MIN;
    for (int k = i; k < n; k++) {
        const struct block_row *b = &s->rows[k];
        if (b->channel_id != a->channel_id || b->m.run_no != a->m.run_no)
            continue;
        count++;
        max_us = b->m.utc_us > max_us ? b->m.utc_us : max_us;
        min_ms = b->m.store_ms < min_ms ? b->m.store_ms : min_ms;
        max_ms = b->m.store_ms > max_ms ? b->m.store_ms : max_ms;
    }
    const int64_t values[] = {a->m.run_no, a->channel_id, s->rows[n - 1].m.row, count, max_us, min_ms, max_ms};
    for (int k = 0; k < 7; k++)
        sql_bind_int(st, 1 + k, values[k]);
    return sql_run(st, "journal: parts of a block", err);
}

static int put_parts(struct journal *j, const struct sealer *s, int n, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "INSERT INTO block_parts VALUES(?,?,?,?,?,?,?)", err);
    if (st == NULL)
        return -1;
    int rc = 0;
    for (int i = 0; rc == 0 && i < n; i++) {
        bool seen = false;
        for (int k = i - 1; !seen && k >= 0; k--)
            seen = s->rows[k].channel_id == s->rows[i].channel_id && s->rows[k].m.run_no == s->rows[i].m.run_no;
        if (!seen)
            rc = put_part(st, s, i, n, err);
    }
    sqlite3_finalize(st);
    return rc;
}

static int put_block(struct journal *j, const struct sealer *s, int n, const uint8_t *bytes, size_t size,
                     struct error *err)
{
    int64_t min_us = s->rows[0].m.utc_us, max_us = min_us;
    for (int i = 1; i < n; i++) {
        min_us = s->rows[i].m.utc_us < min_us ? s->rows[i].m.utc_us : min_us;
        max_us = s->rows[i].m.utc_us > max_us ? s->rows[i].m.utc_us : max_us;
    }
    sqlite3_stmt *st = sql_prepare(j->db, "INSERT INTO reading_blocks VALUES(?,?,?,?,?,?,?,?)", err);
    if (st == NULL)
        return -1;
    const int64_t front[] = {s->rows[n - 1].m.row, s->rows[0].m.row, n, (int64_t)s->rows[0].m.epoch, min_us, max_us,
                             READING_CODEC_PLANES};
    for (int i = 0; i < 7; i++)
        sql_bind_int(st, 1 + i, front[i]);
    sql_bind_bytes(st, 8, bytes, size);
    int rc = sql_run(st, "journal: block", err);
    sqlite3_finalize(st);
    return rc;
}

/* Summaries of each second. A second that an earlier block has a part of (rows that came late) is put together: least
 * and greatest exactly, the mean weighted by rows. */
static int put_seconds(struct journal *j, int64_t first, int64_t last, struct error *err)
{
    enum { CAP = 32768 };
    char *text = malloc(CAP);
    if (text == NULL)
        return error_set(err, "journal: out of memory");
    (void)text_format(text, CAP, "INSERT INTO second_rows(channel, run_no, second, rows");
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, CAP, ", %s_min, %s_mean, %s_max", name, name, name);
    }
    (void)text_append(text, CAP, ") SELECT channel, run_no, utc_us / 1000000, count(*)");
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *name = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, CAP, ", min(%s), avg(%s), max(%s)", name, name, name);
    }
    (void)text_append(text, CAP,
                      " FROM reading_rows WHERE row BETWEEN %lld AND %lld GROUP BY 1, 2, 3 ON CONFLICT DO UPDATE SET"
                      " rows = rows + excluded.rows",
                      (long long)first, (long long)last);
    int rc = 0;
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *n = signal_kind_name((enum signal_kind)k);
        rc |= text_append(text, CAP,
                          ", %s_min = coalesce(min(%s_min, excluded.%s_min), %s_min, excluded.%s_min)"
                          ", %s_max = coalesce(max(%s_max, excluded.%s_max), %s_max, excluded.%s_max)"
                          ", %s_mean = coalesce((%s_mean * rows + excluded.%s_mean * excluded.rows)"
                          " / (rows + excluded.rows), %s_mean, excluded.%s_mean)",
                          n, n, n, n, n, n, n, n, n, n, n, n, n, n, n);
    }
    rc = rc != 0 ? error_set(err, "journal: too many signal kinds for the table of seconds")
                 : sql_exec(j->db, text, err);
    free(text);
    return rc;
}

static int drop_plain(struct journal *j, int64_t first, int64_t last, int n, struct error *err)
{
    char text[128];
    (void)text_format(text, sizeof text, "DELETE FROM reading_rows WHERE row BETWEEN %lld AND %lld", (long long)first,
                      (long long)last);
    if (sql_exec(j->db, text, err) != 0)
        return -1;
    return sqlite3_changes(j->db) == n ? 0 : error_set(err, "journal: rows changed while they were sealed");
}

/* What is written is unpacked from what SQLite gives back, and compared, before any plain row goes. */
static int check_block(struct journal *j, struct sealer *s, int n, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT codec, bytes FROM reading_blocks WHERE last_row = ?", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, s->rows[n - 1].m.row);
    int rc = sql_next(st, "journal: block", err);
    int count = rc == 1 ? reader_decode_block(s->packer, st, 0, s->back, err) : -1;
    sqlite3_finalize(st);
    bool same = count == n;
    for (int i = 0; same && i < n; i++)
        same = block_row_same(&s->rows[i], &s->back[i]);
    return same ? 0 : error_set(err, "journal: a block does not give back its rows; they stay as they are");
}

static int seal_rows(struct journal *j, struct sealer *s, int n, struct error *err)
{
    const uint8_t *bytes;
    size_t size;
    int64_t first = s->rows[0].m.row, last = s->rows[n - 1].m.row;
    if (reading_block_pack(s->packer, s->rows, n, &bytes, &size) != 0)
        return error_set(err, "journal: readings from row %lld on do not make a block; they stay as they are",
                         (long long)first);
    s->asked_last = 0; /* back is overwritten */
    if (put_block(j, s, n, bytes, size, err) != 0 || check_block(j, s, n, err) != 0 || put_parts(j, s, n, err) != 0 ||
        put_seconds(j, first, last, err) != 0)
        return -1;
    return drop_plain(j, first, last, n, err);
}

static int seal_step(struct journal *j, int64_t before_utc_us, struct error *err)
{
    int64_t limit_us = before_utc_us - before_utc_us % 1000000, first = 0;
    int rc = worth_sealing(j, limit_us, &first, err);
    struct sealer *s = rc == 1 ? sealer_of(j, err) : NULL;
    if (s == NULL)
        return rc == 1 ? -1 : rc;
    int n = take_rows(j, s, first, limit_us, err);
    if (n <= 0)
        return n;
    if (sql_exec(j->db, "BEGIN IMMEDIATE", err) != 0)
        return -1;
    rc = seal_rows(j, s, n, err);
    if (rc == 0)
        rc = sql_exec(j->db, "COMMIT", err);
    if (rc != 0 && sqlite3_get_autocommit(j->db) == 0)
        (void)sqlite3_exec(j->db, "ROLLBACK", NULL, NULL, NULL);
    return rc == 0 ? 1 : -1;
}

int journal_maintain(struct journal *j, const struct journal_upkeep *u, struct error *err)
{
    if (j->in_batch)
        return error_set(err, "journal: no upkeep within a batch");
    int rc = u->seal_before_utc_us == 0 ? 0 : seal_step(j, u->seal_before_utc_us, err);
    if (rc == 0 && u->seal_before_utc_us != 0)
        rc = journal_seal_inputs(j, u->seal_before_utc_us, err);
    if (rc == 0)
        rc = journal_retain(j, u, err);
    return rc == 0 ? journal_shrink(j, err) : rc;
}
