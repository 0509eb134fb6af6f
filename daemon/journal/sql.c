#include "sql.h"

#include <math.h>
#include <string.h>

static const char *hint(int code)
{
    switch (code & 0xff) {
    case SQLITE_FULL:
        return "; free space on its file system";
    case SQLITE_IOERR:
        return "; look at the disk and its file system";
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return "; another program holds the file";
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_CANTOPEN:
        return "; check the owner and the rights of the file and its directory";
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return "; keep the damaged file aside and go on with a new one or a backup";
    default:
        return "";
    }
}

int sql_fail(sqlite3 *db, const char *what, struct error *err)
{
    int code = sqlite3_extended_errcode(db);
    return error_set(err, "%s: %s (%d)%s", what, sqlite3_errmsg(db), code, hint(code));
}

int sql_exec(sqlite3 *db, const char *text, struct error *err)
{
    if (sqlite3_exec(db, text, NULL, NULL, NULL) != SQLITE_OK)
        return sql_fail(db, "journal", err);
    return 0;
}

sqlite3_stmt *sql_prepare(sqlite3 *db, const char *text, struct error *err)
{
    sqlite3_stmt *st = NULL;
    if (sqlite3_prepare_v3(db, text, -1, SQLITE_PREPARE_PERSISTENT, &st, NULL) != SQLITE_OK) {
        (void)sql_fail(db, "journal", err);
        return NULL;
    }
    return st;
}

void sql_done(sqlite3_stmt *st)
{
    (void)sqlite3_reset(st);
    (void)sqlite3_clear_bindings(st);
}

int sql_next(sqlite3_stmt *st, const char *what, struct error *err)
{
    int rc = sqlite3_step(st);
    if (rc == SQLITE_ROW)
        return 1;
    int result = rc == SQLITE_DONE ? 0 : sql_fail(sqlite3_db_handle(st), what, err);
    sql_done(st);
    return result;
}

int sql_run(sqlite3_stmt *st, const char *what, struct error *err)
{
    int rc = sql_next(st, what, err);
    if (rc == 1)
        sql_done(st);
    return rc < 0 ? -1 : 0;
}

int sql_get_int(sqlite3 *db, const char *text, int64_t *value, struct error *err)
{
    sqlite3_stmt *st = sql_prepare(db, text, err);
    if (st == NULL)
        return -1;
    int rc = sql_next(st, "journal", err);
    if (rc == 1)
        *value = sqlite3_column_int64(st, 0);
    else if (rc == 0)
        rc = error_set(err, "journal: no answer to \"%s\"", text);
    sqlite3_finalize(st);
    return rc == 1 ? 0 : -1;
}

void sql_bind_int(sqlite3_stmt *st, int at, int64_t v)
{
    (void)sqlite3_bind_int64(st, at, v);
}

void sql_bind_real(sqlite3_stmt *st, int at, double v)
{
    if (isnan(v))
        (void)sqlite3_bind_null(st, at);
    else
        (void)sqlite3_bind_double(st, at, v);
}

void sql_bind_text(sqlite3_stmt *st, int at, const char *v)
{
    (void)sqlite3_bind_text(st, at, v, -1, SQLITE_TRANSIENT);
}

void sql_bind_bytes(sqlite3_stmt *st, int at, const void *v, size_t n)
{
    if (n == 0)
        (void)sqlite3_bind_zeroblob(st, at, 0);
    else
        (void)sqlite3_bind_blob64(st, at, v, n, SQLITE_TRANSIENT);
}

void sql_bind_digest(sqlite3_stmt *st, int at, const struct digest *d)
{
    sql_bind_bytes(st, at, d->bytes, sizeof d->bytes);
}

int64_t sql_int(sqlite3_stmt *st, int at)
{
    return sqlite3_column_int64(st, at);
}

int32_t sql_int32(sqlite3_stmt *st, int at)
{
    /* One that was never written by us must not become one that was. */
    int64_t v = sql_int(st, at);
    return v >= INT32_MIN && v <= INT32_MAX ? (int32_t)v : INT32_MIN;
}

double sql_real(sqlite3_stmt *st, int at)
{
    return sqlite3_column_type(st, at) == SQLITE_NULL ? (double)NAN : sqlite3_column_double(st, at);
}

void sql_text(sqlite3_stmt *st, int at, char *to, size_t cap)
{
    const unsigned char *text = sqlite3_column_text(st, at);
    (void)text_copy(to, cap, text == NULL ? "" : (const char *)text);
}

int sql_digest(sqlite3_stmt *st, int at, struct digest *d)
{
    const void *bytes = sqlite3_column_blob(st, at);
    if (bytes == NULL || sqlite3_column_bytes(st, at) != DIGEST_SIZE) {
        memset(d, 0, sizeof *d);
        return -1;
    }
    memcpy(d->bytes, bytes, DIGEST_SIZE);
    return 0;
}
