#include <string.h>

#include "chain_rows.h"
#include "journal_private.h"
#include "journal_read.h"
#include "reader_private.h"
#include "sql.h"

struct addendum_binding {
    const struct journal *j;
    const struct journal_addendum *a;
};

static void bind_addendum(sqlite3_stmt *st, const void *ctx)
{
    const struct addendum_binding *b = ctx;
    const struct journal_addendum *a = b->a;
    sql_bind_int(st, 1, a->id);
    sql_bind_int(st, 2, a->run_no);
    sql_bind_int(st, 3, a->utc_s);
    sql_bind_int(st, 4, (int64_t)a->kind);
    sql_bind_text(st, 5, a->who);
    sql_bind_text(st, 6, a->name);
    sql_bind_text(st, 7, a->note);
    sql_bind_int(st, 8, a->revision);
    sql_bind_int(st, 9, a->size);
    if (a->kind == ADDENDUM_FILE)
        sql_bind_digest(st, 10, &a->digest);
    sql_bind_int(st, 11, journal_batch_no(b->j));
}

/* Is there a row that the text finds by run and name? 1, 0 or -1. */
static int found_by(struct journal *j, const char *text, const struct journal_addendum *a, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, a->run_no);
    if (sqlite3_bind_parameter_count(st) > 1)
        sql_bind_text(st, 2, a->name);
    int rc = sql_next(st, "journal: addenda", err);
    sqlite3_finalize(st);
    return rc;
}

static int allowed(struct journal *j, const struct journal_addendum *a, struct error *err)
{
    int rc = found_by(j, "SELECT 1 FROM run_rows WHERE run_no = ?1", a, err);
    if (rc == 0)
        return error_set(err, "there is no run %lld on record", (long long)a->run_no);
    if (rc < 0 || a->kind != ADDENDUM_FILE)
        return rc < 0 ? -1 : 0;
    rc = found_by(j, "SELECT 1 FROM addenda WHERE run_no = ?1 AND name = ?2 AND kind = 2", a, err);
    return rc == 1 ? error_set(err,
                               "run %lld has a file named %s already; what is on record stays: give this one another "
                               "name",
                               (long long)a->run_no, a->name)
                   : rc;
}

int journal_put_addendum(struct journal *j, struct journal_addendum *a, const void *bytes, size_t size,
                         struct error *err)
{
    if (journal_need_batch(j, err) != 0)
        return -1;
    if ((a->kind == ADDENDUM_FILE) != (bytes != NULL) || size > ATTACHMENT_MAX_BYTES)
        return error_set(err, "journal: an attachment is a file of at most %d bytes", ATTACHMENT_MAX_BYTES);
    if (allowed(j, a, err) != 0)
        return -1;
    a->size = bytes == NULL ? 0 : (int64_t)size;
    memset(&a->digest, 0, sizeof a->digest);
    if ((bytes != NULL && journal_keep_blob(j, bytes, size, &a->digest, err) != 0) ||
        sql_get_int(j->db, "SELECT ifnull(max(id), 0) + 1 FROM addenda", &a->id, err) != 0)
        return -1;
    struct addendum_binding b = {j, a};
    j->others = true;
    return journal_once(j, "INSERT INTO addenda VALUES(?,?,?,?,?,?,?,?,?,?,?)", bind_addendum, &b, "journal: addendum",
                        err);
}

/* Place of the run's channel in the bench of this session; -1 when it has none of that name. */
static int channel_now(struct journal *j, int64_t run_no, int32_t *channel, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(j->db, "SELECT channel FROM run_rows WHERE run_no = ?1", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, run_no);
    int rc = sql_next(st, "journal: run", err);
    int64_t id = rc == 1 ? sql_int(st, 0) : 0;
    sqlite3_finalize(st);
    *channel = -1;
    for (int i = 0; rc == 1 && i < j->state.channel_count; i++)
        if (j->state.channel_ids[i + 1] == id)
            *channel = i;
    return rc < 0 ? -1 : 0;
}

int journal_put_correction(struct journal *j, struct journal_addendum *a, const struct verdict *v, int64_t at_ns,
                           struct error *err)
{
    char text[128];
    int64_t newest = 0, revision = v->revision;
    struct verdict put = *v;
    if (journal_need_session(j, err) != 0)
        return -1;
    (void)text_format(text, sizeof text, "SELECT ifnull(max(revision), 0) FROM verdict_rows WHERE run_no = %lld",
                      (long long)a->run_no);
    if (sql_get_int(j->db, text, &newest, err) != 0)
        return -1;
    if (v->run_no != a->run_no || newest == 0 || revision != newest + 1)
        return error_set(err,
                         "run %lld has revision %lld of its verdict on record: revision %lld cannot follow; judge it "
                         "again",
                         (long long)a->run_no, (long long)newest, (long long)revision);
    a->kind = ADDENDUM_CORRECTION;
    a->revision = v->revision;
    if (channel_now(j, a->run_no, &put.channel, err) != 0 || journal_put_addendum(j, a, NULL, 0, err) != 0)
        return -1;
    return journal_put_verdict(j, &put, 0, at_ns, err);
}

int journal_reader_addenda(struct journal_reader *r, int64_t run_no, addendum_row_fn fn, void *ctx, struct error *err)
{
    char text[192];
    if (r->schema < 3)
        return 0;
    (void)text_format(text, sizeof text, "SELECT %s FROM addenda WHERE run_no = ?1 ORDER BY id", addendum_columns);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, run_no);
    int rc;
    while ((rc = sql_next(st, "journal: addenda", err)) == 1) {
        struct journal_addendum a;
        addendum_row(st, &a);
        if (fn(ctx, &a) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}
