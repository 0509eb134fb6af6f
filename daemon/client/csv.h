/* Comma-separated files (RFC 4180): quoted cells, CR LF or LF, comma, semicolon or tab between cells (told from the
 * heading), a byte order mark is skipped, empty lines and lines that begin with '#' too. */
#ifndef CSV_H
#define CSV_H

#include <stddef.h>

#include "error.h"

enum { CSV_COLUMNS_MAX = 64, CSV_BYTES_MAX = 256 * 1024 * 1024 };

struct csv {
    char *text; /* cells point in here */
    int column_count;
    const char *heads[CSV_COLUMNS_MAX];
    size_t row_count;
    const char **cells; /* row_count * column_count; cells that a short line lacks are "" */
    int *lines;         /* line of the file that each row begins on */
};

/* A whole text file ("-": standard input) of at most CSV_BYTES_MAX bytes, malloc'd, with a zero behind it; NULL with
 * err. */
char *csv_text(const char *path, struct error *err);

/* Reads a file whose first line holds headings. Returns 0; -1 with err (which names the line) and an empty csv. The
 * caller releases it with csv_free either way. */
int csv_read(const char *path, struct csv *csv, struct error *err);
void csv_free(struct csv *csv);

/* Index of a column by its heading, any case; -1 when there is none. */
int csv_column(const struct csv *csv, const char *head);

const char *csv_cell(const struct csv *csv, size_t row, int column);

#endif
