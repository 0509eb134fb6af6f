/* Tables and views of the journal; docs/journal.md describes them for people. */
#ifndef JOURNAL_SCHEMA_H
#define JOURNAL_SCHEMA_H

#include <sqlite3.h>
#include <stddef.h>

#include "error.h"

/* "soak", so that `file` and we can tell a journal from any other database. */
enum { JOURNAL_APPLICATION_ID = 0x736f616b };

/* Makes the tables in an empty file, or checks that they are ours and of a version that we can write; adds columns for
 * signal kinds and names for codes that are newer than the file. */
int journal_schema_prepare(sqlite3 *db, const char *path, struct error *err);

/* Version of the open file, or -1: not a journal (err says so). */
int journal_schema_version(sqlite3 *db, const char *path, struct error *err);

/* Comma-separated names of the reading columns, one for each signal kind in order, each with prefix. */
void journal_schema_reading_columns(char *to, size_t cap, const char *prefix);

#endif
