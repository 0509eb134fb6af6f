#include "removed.h"

#include <math.h>
#include <string.h>

#include "journal_schema.h"
#include "sql.h"

int removed_part(struct journal_reader *r, int64_t batch, enum removal_what what, struct chain_gone *gone,
                 struct error *err)
{
    memset(gone, 0, sizeof *gone);
    if (r->schema < 3)
        return 0;
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT count, digest, rest_count, rest_digest FROM removed_parts WHERE batch = ?1"
                                   " AND what = ?2 ORDER BY removal DESC LIMIT 1",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, batch);
    sql_bind_int(st, 2, (int64_t)what);
    int rc = sql_next(st, "journal: what was removed", err);
    if (rc == 1) {
        gone->count = sql_int(st, 0);
        (void)sql_digest(st, 1, &gone->digest);
        gone->rest_count = sql_int(st, 2);
        (void)sql_digest(st, 3, &gone->rest_digest);
    }
    sqlite3_finalize(st);
    return rc;
}

int removed_parts_digest(struct journal_reader *r, const struct journal_removal *g, struct digest *digest,
                         int64_t *parts, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT batch, count, digest, rest_count, rest_digest FROM removed_parts WHERE batch"
                                   " BETWEEN ?1 AND ?2 AND what = ?3 AND removal = ?4 ORDER BY batch",
                                   err);
    struct digest_stream *stream = st == NULL ? NULL : digest_stream_new();
    int rc = stream == NULL ? -1 : digest_stream_begin(stream);
    *parts = 0;
    if (rc == 0) {
        sql_bind_int(st, 1, g->first_batch);
        sql_bind_int(st, 2, g->last_batch);
        sql_bind_int(st, 3, (int64_t)g->what);
        sql_bind_int(st, 4, g->id);
    }
    while (rc == 0 && (rc = sql_next(st, "journal: what was removed", err)) == 1) {
        uint8_t bytes[128];
        struct digest whole = {{0}}, rest = {{0}};
        (void)sql_digest(st, 2, &whole);
        (void)sql_digest(st, 4, &rest);
        struct writer w = writer_over(bytes, sizeof bytes);
        put_i64(&w, sql_int(st, 0));
        put_i64(&w, sql_int(st, 1));
        put_bytes(&w, whole.bytes, DIGEST_SIZE);
        put_i64(&w, sql_int(st, 3));
        put_bytes(&w, rest.bytes, DIGEST_SIZE);
        rc = digest_stream_add(stream, bytes, w.used);
        (*parts)++;
    }
    if (rc == 0)
        rc = digest_stream_end(stream, digest);
    digest_stream_free(stream);
    sqlite3_finalize(st);
    return rc;
}

static int add_second(sqlite3_stmt *st, struct digest_stream *stream)
{
    uint8_t bytes[4 * 8 + 3 * SIG_OTHER * 9];
    struct writer w = writer_over(bytes, sizeof bytes);
    for (int i = 0; i < 3; i++)
        put_i64(&w, sql_int(st, i));
    /* Only what is there, so that a kind of signal that a newer program adds changes nothing. */
    for (int k = 0; k < 3 * SIG_OTHER; k++) {
        double v = sql_real(st, 3 + k);
        if (isnan(v))
            continue;
        put_u8(&w, (uint8_t)k);
        put_f64(&w, v);
    }
    return w.bad ? -1 : digest_stream_add(stream, bytes, w.used);
}

int removed_seconds_digest(struct journal_reader *r, const struct journal_removal *g, struct digest *digest,
                           struct error *err)
{
    char text[8192] = "SELECT channel, second, rows";
    for (int k = 0; k < SIG_OTHER; k++) {
        const char *n = signal_kind_name((enum signal_kind)k);
        (void)text_append(text, sizeof text, ", %s_min, %s_mean, %s_max", n, n, n);
    }
    if (text_append(text, sizeof text,
                    " FROM second_rows WHERE channel IN (SELECT id FROM channels) AND run_no = 0 AND second BETWEEN ?1"
                    " AND ?2 ORDER BY channel, second") != 0)
        return error_set(err, "journal: too many signal kinds");
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    struct digest_stream *stream = st == NULL ? NULL : digest_stream_new();
    int rc = stream == NULL ? -1 : digest_stream_begin(stream);
    if (rc == 0) {
        sql_bind_int(st, 1, g->min_utc_us / 1000000);
        sql_bind_int(st, 2, g->max_utc_us / 1000000);
    }
    while (rc == 0 && (rc = sql_next(st, "journal: seconds", err)) == 1)
        rc = add_second(st, stream);
    if (rc == 0)
        rc = digest_stream_end(stream, digest);
    digest_stream_free(stream);
    sqlite3_finalize(st);
    return rc;
}
