/* Feeds the rows that are neither events, readings, verdicts nor inputs (sessions, blobs, runs, plates, inspections) of
 * one batch to a chain, in one fixed order. Used by the writer at commit and by the verifier. */
#ifndef CHAIN_ROWS_H
#define CHAIN_ROWS_H

#include <sqlite3.h>

#include "chain.h"

/* schema: version of the tables of the open file. */
int chain_feed_others(sqlite3 *db, int schema, int64_t batch, struct chain *c, struct error *err);

/* The columns of an addendum, and one row of them. */
extern const char addendum_columns[];
void addendum_row(sqlite3_stmt *st, struct journal_addendum *a);

/* One row of the table of removals, all columns. */
void removal_row(sqlite3_stmt *st, struct journal_removal *g);

#endif
