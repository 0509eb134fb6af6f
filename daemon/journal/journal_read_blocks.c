#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "reader_private.h"
#include "seconds_check.h"
#include "sql.h"

/* The block that was unpacked last: the verifier and a store's cursor ask for its rows bit by bit. */
struct block_cache {
    struct reading_packer *packer;
    int64_t first_row, last_row; /* last 0: empty */
    struct block_row rows[READING_BLOCK_ROWS];
};

void block_cache_free(struct block_cache *c)
{
    if (c == NULL)
        return;
    reading_packer_free(c->packer);
    free(c);
}

int reader_decode_block(struct reading_packer *p, sqlite3_stmt *st, int at, struct block_row *rows, struct error *err)
{
    if (sql_int(st, at) != READING_CODEC_PLANES)
        return error_set(err, "journal: a block of readings is packed in a way (%lld) that this version does not know",
                         (long long)sql_int(st, at));
    const void *bytes = sqlite3_column_blob(st, at + 1);
    int size = sqlite3_column_bytes(st, at + 1);
    int count = bytes == NULL || size <= 0 ? -1 : reading_block_unpack(p, bytes, (size_t)size, rows);
    return count > 0 ? count : error_set(err, "journal: a block of readings is damaged");
}

static int block_query(char *to, size_t cap, const struct row_filter *f)
{
    (void)text_format(to, cap,
                      "SELECT last_row, first_row, count, epoch, min_utc_us, max_utc_us, codec, bytes FROM"
                      " reading_blocks WHERE last_row > ?1");
    if (f->until_row != 0)
        (void)text_append(to, cap, " AND +first_row <= ?4");
    if (f->run_no != 0)
        (void)text_append(to, cap, " AND last_row IN (SELECT last_row FROM block_parts WHERE run_no = ?3)");
    if (f->epoch != 0)
        (void)text_append(to, cap, " AND +epoch = ?6");
    if (f->from_utc_us != 0)
        (void)text_append(to, cap, " AND +max_utc_us >= ?7");
    if (f->to_utc_us != 0)
        (void)text_append(to, cap, " AND +min_utc_us < ?8");
    return text_append(to, cap, " ORDER BY last_row LIMIT 1");
}

/* What stands beside the block must fit what is in it: filters go by it. */
static int load_block(struct block_cache *c, sqlite3_stmt *st, struct error *err)
{
    c->last_row = 0;
    int count = reader_decode_block(c->packer, st, 6, c->rows, err);
    if (count < 0)
        return -1;
    if (count == 0)
        return error_set(err, "journal: a block of readings is empty: the file is damaged");
    int64_t min_us = INT64_MAX, max_us = INT64_MIN;
    for (int i = 0; i < count; i++) {
        int64_t us = c->rows[i].m.utc_us;
        min_us = us < min_us ? us : min_us;
        max_us = us > max_us ? us : max_us;
    }
    const struct journal_reading *first = &c->rows[0].m, *last = &c->rows[count - 1].m;
    if (last->row != sql_int(st, 0) || first->row != sql_int(st, 1) || count != sql_int(st, 2) ||
        first->epoch != (uint64_t)sql_int(st, 3) || min_us != sql_int(st, 4) || max_us != sql_int(st, 5) ||
        last->row <= 0)
        return error_set(err, "journal: a block of readings does not fit what is written beside it: the file is"
                              " damaged");
    c->first_row = first->row;
    c->last_row = last->row;
    return 0;
}

/* The cache goes to whoever reads, so that a callback may read as well. */
static struct block_cache *borrow(struct journal_reader *r, struct error *err)
{
    struct block_cache *c = r->blocks;
    r->blocks = NULL;
    if (c != NULL)
        return c;
    c = calloc(1, sizeof *c);
    if (c != NULL)
        c->packer = reading_packer_new();
    if (c == NULL || c->packer == NULL) {
        free(c);
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    return c;
}

static void give_back(struct journal_reader *r, struct block_cache *c)
{
    if (r->blocks == NULL)
        r->blocks = c;
    else
        block_cache_free(c);
}

static bool wanted(const struct row_filter *f, const struct journal_reading *m)
{
    return (f->run_no == 0 || m->run_no == f->run_no) && (f->channel == CHANNEL_ANY || m->channel == f->channel) &&
           (f->epoch == 0 || m->epoch == f->epoch) && (f->from_utc_us == 0 || m->utc_us >= f->from_utc_us) &&
           (f->to_utc_us == 0 || m->utc_us < f->to_utc_us);
}

/* Returns 0 go on behind this block, 1 enough, -1. */
static int hand_out(struct journal_reader *r, struct block_cache *c, struct reading_walk *w, struct error *err)
{
    const struct row_filter *f = w->filter;
    int rc = 0;
    int64_t at = w->after >= c->first_row ? w->after - c->first_row + 1 : 0;
    for (; rc == 0 && at <= c->last_row - c->first_row; at++) {
        struct journal_reading m = c->rows[at].m;
        if (w->left == 0 || (f->until_row != 0 && m.row > f->until_row))
            return 1;
        if (!wanted(f, &m))
            continue;
        w->left--;
        rc = reader_reading_stamp(r, &m, err) != 0 ? -1 : w->fn(w->ctx, &m) != 0;
    }
    w->after = c->last_row;
    return rc;
}

/* Looks for the next block; a block that lies in the cache needs no look. Returns 1 loaded, 0 none, -1. */
static int next_block(struct journal_reader *r, struct block_cache *c, const struct reading_walk *w, struct error *err)
{
    if (c->last_row != 0 && w->after + 1 >= c->first_row && w->after < c->last_row)
        return 1;
    char text[1024];
    (void)block_query(text, sizeof text, w->filter);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    reader_bind_filter(st, w->filter, w->after, 0);
    int rc = sql_next(st, "journal: blocks", err);
    if (rc == 1 && load_block(c, st, err) != 0)
        rc = -1;
    sqlite3_finalize(st);
    return rc;
}

static int one_step(struct journal_reader *r, struct block_cache *c, struct reading_walk *w, reading_chunk_fn plain,
                    struct error *err)
{
    /* One view of the file for both questions: rows that are sealed between them would be in neither answer. */
    if (sql_exec(r->db, "SAVEPOINT walk", err) != 0)
        return -1;
    int found = next_block(r, c, w, err);
    int rc = found == 0 ? plain(r, w, err) : found < 0 ? -1 : 0;
    struct error ignored;
    if (sql_exec(r->db, "RELEASE walk", rc < 0 ? &ignored : err) != 0 && rc >= 0)
        rc = -1;
    if (found == 1 && rc == 0)
        rc = hand_out(r, c, w, err);
    return rc;
}

int reader_walk(struct journal_reader *r, struct reading_walk *w, reading_chunk_fn plain, struct error *err)
{
    struct block_cache *c = borrow(r, err);
    if (c == NULL)
        return -1;
    int rc = 0;
    while (rc == 0 && w->left > 0)
        rc = one_step(r, c, w, plain, err);
    give_back(r, c);
    return rc < 0 ? -1 : 0;
}

/* ---- do blocks and their parts fit? ---- */

static bool part_fits(const struct block_cache *c, sqlite3_stmt *st, int64_t *count)
{
    int64_t run_no = sql_int(st, 0), channel = sql_int(st, 1), n = 0;
    int64_t max_us = INT64_MIN, min_ms = INT64_MAX, max_ms = INT64_MIN;
    for (int64_t i = 0; i <= c->last_row - c->first_row; i++) {
        const struct journal_reading *m = &c->rows[i].m;
        if (c->rows[i].channel_id != channel || m->run_no != run_no)
            continue;
        n++;
        max_us = m->utc_us > max_us ? m->utc_us : max_us;
        min_ms = m->store_ms < min_ms ? m->store_ms : min_ms;
        max_ms = m->store_ms > max_ms ? m->store_ms : max_ms;
    }
    *count += n;
    return n == sql_int(st, 2) && max_us == sql_int(st, 3) && min_ms == sql_int(st, 4) && max_ms == sql_int(st, 5);
}

static int parts_fit(struct journal_reader *r, struct block_cache *c, bool *fit, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(
        r->db, "SELECT run_no, channel, count, max_utc_us, min_ms, max_ms FROM block_parts WHERE last_row = ?1", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, c->last_row);
    int rc;
    int64_t count = 0;
    *fit = true;
    while ((rc = sql_next(st, "journal: parts of a block", err)) == 1)
        *fit = part_fits(c, st, &count) && *fit;
    sqlite3_finalize(st);
    *fit = *fit && count == c->last_row - c->first_row + 1;
    return rc;
}

static int check_loaded(struct journal_reader *r, struct block_cache *c, struct seconds_check *seconds,
                        block_bad_fn bad, void *ctx, struct error *err)
{
    bool fit = false;
    int64_t second = 0;
    if (parts_fit(r, c, &fit, err) != 0)
        return -1;
    if (!fit)
        bad(ctx, c->first_row, c->last_row, 0);
    int rc = seconds_check_block(seconds, c->rows, (int)(c->last_row - c->first_row + 1), &second, err);
    if (rc == 0)
        bad(ctx, c->first_row, c->last_row, second);
    return rc < 0 ? -1 : 0;
}

int reader_check_blocks(struct journal_reader *r, block_bad_fn bad, void *ctx, struct error *err)
{
    struct seconds_check *seconds = seconds_check_new(r, err);
    struct block_cache *c = seconds == NULL ? NULL : borrow(r, err);
    if (c == NULL) {
        seconds_check_free(seconds);
        return -1;
    }
    struct row_filter any = row_filter_any();
    struct reading_walk w = {.filter = &any};
    int rc;
    c->last_row = 0;
    while ((rc = next_block(r, c, &w, err)) == 1) {
        if (check_loaded(r, c, seconds, bad, ctx, err) != 0) {
            rc = -1;
            break;
        }
        w.after = c->last_row;
    }
    give_back(r, c);
    seconds_check_free(seconds);
    return rc;
}
