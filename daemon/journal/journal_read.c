#include "journal_read.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "journal_schema.h"
#include "reader_private.h"
#include "sql.h"

struct journal_reader *journal_reader_open(const char *path, struct error *err)
{
    struct journal_reader *r = calloc(1, sizeof *r);
    if (r == NULL) {
        (void)error_set(err, "journal: out of memory");
        return NULL;
    }
    if (text_copy(r->path, sizeof r->path, path) != 0) {
        (void)error_set(err, "journal: the path is longer than %d bytes", PATH_CAP - 1);
        goto fail;
    }
    if (access(path, F_OK) != 0) {
        (void)error_set(err, "the journal %s does not exist", path);
        goto fail;
    }
    if (sqlite3_open_v2(path, &r->db, SQLITE_OPEN_READONLY | SQLITE_OPEN_NOMUTEX, NULL) != SQLITE_OK) {
        if (r->db != NULL)
            (void)sql_fail(r->db, path, err);
        goto fail;
    }
    (void)sqlite3_extended_result_codes(r->db, 1);
    if (sqlite3_busy_timeout(r->db, 2000) != SQLITE_OK || sql_exec(r->db, "PRAGMA query_only = ON", err) != 0 ||
        sql_exec(r->db, "PRAGMA cell_size_check = ON", err) != 0)
        goto fail;
    r->schema = journal_schema_version(r->db, path, err);
    if (r->schema == 0)
        (void)error_set(err, "%s is empty: no daemon has recorded to it yet", path);
    if (r->schema <= 0)
        goto fail;
    return r;
fail:
    journal_reader_close(r);
    return NULL;
}

void journal_reader_close(struct journal_reader *r)
{
    if (r == NULL)
        return;
    (void)sqlite3_close_v2(r->db);
    block_cache_free(r->blocks);
    free(r);
}

int journal_reader_schema(const struct journal_reader *r)
{
    return r->schema;
}

int journal_reader_check(struct journal_reader *r, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db, "PRAGMA quick_check(3)", err);
    if (st == NULL)
        return sqlite3_errcode(r->db) == SQLITE_CORRUPT ? 1 : -1;
    struct error words = {""};
    int rc;
    bool sound = false;
    while ((rc = sql_next(st, r->path, err)) == 1) {
        const char *text = (const char *)sqlite3_column_text(st, 0);
        if (text != NULL && strcmp(text, "ok") == 0)
            sound = true;
        else
            (void)text_append(words.text, sizeof words.text, "%s%s", words.text[0] != '\0' ? "; " : "",
                              text != NULL ? text : "?");
    }
    sqlite3_finalize(st);
    if (rc < 0)
        return sqlite3_errcode(r->db) == SQLITE_CORRUPT || sqlite3_errcode(r->db) == SQLITE_NOTADB ? 1 : -1;
    if (sound)
        return 0;
    (void)error_set(err, "%s is damaged: %s; keep the file aside, take the latest backup", r->path, words.text);
    return 1;
}

static const char session_columns[] = "epoch, boot_id, engine_version, program_version, anchor_ns, anchor_utc_ns,"
                                      " boottime_ns, rate, virtual, bench, ended_clean, end_utc_us";

static void session_row(sqlite3_stmt *st, struct journal_session *s)
{
    *s = (struct journal_session){0};
    s->epoch = (uint64_t)sql_int(st, 0);
    sql_text(st, 1, s->boot_id, sizeof s->boot_id);
    sql_text(st, 2, s->engine_version, sizeof s->engine_version);
    sql_text(st, 3, s->program_version, sizeof s->program_version);
    s->anchor_ns = sql_int(st, 4);
    s->anchor_utc_ns = sql_int(st, 5);
    s->boottime_ns = sql_int(st, 6);
    s->rate = sql_real(st, 7);
    s->virtual_clock = sql_int(st, 8) != 0;
    (void)sql_digest(st, 9, &s->bench);
    s->ended_clean = sql_int(st, 10) != 0;
    s->end_utc_us = sql_int(st, 11);
}

int journal_reader_sessions(struct journal_reader *r, session_row_fn fn, void *ctx, struct error *err)
{
    char text[512];
    (void)text_format(text, sizeof text, "SELECT %s FROM sessions WHERE epoch > ?1 ORDER BY epoch LIMIT %d",
                      session_columns, READ_CHUNK);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    int rc = 0;
    int64_t after = 0, rows = READ_CHUNK;
    bool stop = false;
    while (rc == 0 && !stop && rows == READ_CHUNK) {
        rows = 0;
        sql_bind_int(st, 1, after);
        while (!stop && (rc = sql_next(st, "journal: sessions", err)) == 1) {
            struct journal_session s;
            session_row(st, &s);
            if ((int64_t)s.epoch <= after) {
                rc = error_set(err, "journal: sessions out of order: the file is damaged");
                break;
            }
            after = (int64_t)s.epoch;
            rows++;
            stop = fn(ctx, &s) != 0;
        }
        if (stop)
            rc = 0;
        sql_done(st);
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_session(struct journal_reader *r, uint64_t epoch, struct journal_session *s, struct error *err)
{
    char text[512];
    (void)text_format(text, sizeof text, "SELECT %s FROM sessions WHERE epoch = ?1", session_columns);
    sqlite3_stmt *st = sql_prepare(r->db, text, err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)epoch);
    int rc = sql_next(st, "journal: session", err);
    if (rc == 1)
        session_row(st, s);
    sqlite3_finalize(st);
    return rc;
}

int reader_session_of(struct journal_reader *r, uint64_t epoch, struct error *err)
{
    if (r->session.epoch == epoch)
        return 0;
    int rc = journal_reader_session(r, epoch, &r->session, err);
    if (rc == 0) {
        r->session = (struct journal_session){0};
        return error_set(err, "%s: the record of session %llu is missing", r->path, (unsigned long long)epoch);
    }
    return rc == 1 ? 0 : -1;
}

int journal_reader_blob(struct journal_reader *r, const struct digest *digest, uint8_t **bytes, size_t *size,
                        struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db, "SELECT bytes FROM blobs WHERE digest = ?1", err);
    if (st == NULL)
        return -1;
    sql_bind_digest(st, 1, digest);
    int rc = sql_next(st, "journal: blob", err);
    if (rc == 1) {
        const void *from = sqlite3_column_blob(st, 0);
        *size = (size_t)sqlite3_column_bytes(st, 0);
        struct digest found;
        *bytes = malloc(*size + 1);
        if (*bytes == NULL) {
            rc = error_set(err, "journal: out of memory");
        } else {
            if (*size > 0)
                memcpy(*bytes, from, *size);
            (*bytes)[*size] = 0; /* so that texts can be printed as they are */
            if (digest_of(*bytes, *size, &found) != 0 || memcmp(&found, digest, sizeof found) != 0) {
                free(*bytes);
                *bytes = NULL;
                rc = error_set(err, "%s: a kept file does not fit its digest: it was changed", r->path);
            }
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_bench(struct journal_reader *r, uint64_t epoch, struct bench *bench, struct error *err)
{
    struct journal_session s;
    int rc = journal_reader_session(r, epoch, &s, err);
    if (rc != 1)
        return rc;
    uint8_t *bytes = NULL;
    size_t size = 0;
    rc = journal_reader_blob(r, &s.bench, &bytes, &size, err);
    if (rc == 1 && bench_decode(bench, bytes, size) != 0)
        rc = error_set(err, "%s: the bench of session %llu cannot be read back", r->path, (unsigned long long)epoch);
    free(bytes);
    return rc;
}

int journal_reader_session_blobs(struct journal_reader *r, uint64_t epoch, blob_row_fn fn, void *ctx, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT s.role, s.name, s.digest, b.size FROM session_blobs s JOIN blobs b ON"
                                   " b.digest = s.digest WHERE s.epoch = ?1 ORDER BY s.role, s.name",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)epoch);
    int rc;
    while ((rc = sql_next(st, "journal: blobs", err)) == 1) {
        char name[PATH_CAP];
        struct digest d;
        sql_text(st, 1, name, sizeof name);
        (void)sql_digest(st, 2, &d);
        if (fn(ctx, (enum blob_role)sql_int32(st, 0), name, &d, sql_int(st, 3)) != 0) {
            rc = 0;
            break;
        }
    }
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_channel_name(struct journal_reader *r, uint64_t epoch, int32_t channel, char name[NAME_CAP],
                                struct error *err)
{
    name[0] = '\0';
    if (channel < 0)
        return 1;
    sqlite3_stmt *st = sql_prepare(r->db,
                                   "SELECT c.name FROM session_channels s JOIN channels c ON c.id = s.id"
                                   " WHERE s.epoch = ?1 AND s.idx = ?2",
                                   err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, (int64_t)epoch);
    sql_bind_int(st, 2, channel);
    int rc = sql_next(st, "journal: channel", err);
    if (rc == 1)
        sql_text(st, 0, name, NAME_CAP);
    sqlite3_finalize(st);
    return rc;
}

int journal_reader_last_rows(struct journal_reader *r, int64_t rows[FEED_COUNT_], struct error *err)
{
    static const char *const texts[FEED_COUNT_] = {"SELECT ifnull(max(row), 0) FROM reading_rows",
                                                   "SELECT ifnull(max(row), 0) FROM event_rows",
                                                   "SELECT ifnull(max(row), 0) FROM verdict_rows"};
    for (int f = 0; f < FEED_COUNT_; f++)
        if (sql_get_int(r->db, texts[f], &rows[f], err) != 0)
            return -1;
    int64_t sealed = 0;
    if (r->schema >= 2 && sql_get_int(r->db,
                                      "SELECT max(ifnull((SELECT max(last_row) FROM reading_blocks), 0),"
                                      " ifnull((SELECT last_reading FROM batches ORDER BY batch DESC LIMIT 1), 0))",
                                      &sealed, err) != 0)
        return -1;
    if (sealed > rows[FEED_READINGS])
        rows[FEED_READINGS] = sealed;
    return 0;
}

int journal_reader_head(struct journal_reader *r, struct digest *head, struct error *err)
{
    memset(head, 0, sizeof *head);
    sqlite3_stmt *st = sql_prepare(r->db, "SELECT head FROM batches ORDER BY batch DESC LIMIT 1", err);
    if (st == NULL)
        return -1;
    int rc = sql_next(st, "journal: head", err);
    if (rc == 1)
        (void)sql_digest(st, 0, head);
    sqlite3_finalize(st);
    return rc < 0 ? -1 : 0;
}

int journal_reader_run_digest(struct journal_reader *r, int64_t run_no, struct digest *digest, struct error *err)
{
    sqlite3_stmt *st =
        sql_prepare(r->db, "SELECT digest FROM seals WHERE run_no = ?1 ORDER BY batch DESC LIMIT 1", err);
    if (st == NULL)
        return -1;
    sql_bind_int(st, 1, run_no);
    int rc = sql_next(st, "journal: seal", err);
    if (rc == 1)
        (void)sql_digest(st, 0, digest);
    sqlite3_finalize(st);
    return rc;
}
