/* Small helpers around SQLite's C interface, for this room only. Every result is checked, every failure becomes a
 * sentence, every statement is reset at once (a statement left open keeps the WAL from shrinking). */
#ifndef SQL_H
#define SQL_H

#include <sqlite3.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "digest.h"
#include "error.h"

/* Sets err to "what: SQLite's words" with a hint for the common causes. Always returns -1. */
int sql_fail(sqlite3 *db, const char *what, struct error *err);

int sql_exec(sqlite3 *db, const char *text, struct error *err);
/* NULL on failure. The statement is the caller's to finalize. */
sqlite3_stmt *sql_prepare(sqlite3 *db, const char *text, struct error *err);
/* Run a statement that gives no rows; reset and unbind it whatever happens. */
int sql_run(sqlite3_stmt *st, const char *what, struct error *err);
/* One step: 1 a row is there, 0 none left, -1 failure; the statement is reset unless 1 is returned. */
int sql_next(sqlite3_stmt *st, const char *what, struct error *err);
void sql_done(sqlite3_stmt *st);

/* A single integer by a query without parameters. */
int sql_get_int(sqlite3 *db, const char *text, int64_t *value, struct error *err);

/* Binding; a NAN is bound as NULL and comes back as NAN. Text and bytes are copied by SQLite. */
void sql_bind_int(sqlite3_stmt *st, int at, int64_t v);
void sql_bind_real(sqlite3_stmt *st, int at, double v);
void sql_bind_text(sqlite3_stmt *st, int at, const char *v);
void sql_bind_bytes(sqlite3_stmt *st, int at, const void *v, size_t n);
void sql_bind_digest(sqlite3_stmt *st, int at, const struct digest *d);

int64_t sql_int(sqlite3_stmt *st, int at);
int32_t sql_int32(sqlite3_stmt *st, int at);
double sql_real(sqlite3_stmt *st, int at);
void sql_text(sqlite3_stmt *st, int at, char *to, size_t cap);
/* Returns 0, or -1 when the column is no digest. */
int sql_digest(sqlite3_stmt *st, int at, struct digest *d);

#endif
