/* A file of comma-separated values read row by row in memory of a fixed size, however long it is: RFC 4180 quoting,
 * CR LF, LF or CR, separators told from the heading or stated, text in UTF-8, Latin-1 or UTF-16 with or without its
 * byte order mark. Empty lines and lines that begin with '#' are skipped. What is no such text is an error with line
 * and cell. The digest is over the file's bytes as they are. */
#ifndef CSV_STREAM_H
#define CSV_STREAM_H

#include <stdint.h>

#include "digest.h"
#include "error.h"

enum { CSV_CELLS_MAX = 256, CSV_ROW_MAX = 64 * 1024 };

enum csv_encoding { CSV_UTF_8, CSV_LATIN_1, CSV_UTF_16 };

struct csv_row {
    int64_t line; /* on which the row begins, from 1 */
    int count;
    const char *cells[CSV_CELLS_MAX]; /* UTF-8, without blanks around them; until the next row is read */
};

struct csv_stream; /* opaque */

/* Opens a file. separator: 0 to be told from the first row that is read. A byte order mark of UTF-16 wins over
 * `encoding`. NULL with err. */
struct csv_stream *csv_stream_open(const char *path, enum csv_encoding encoding, char separator, struct error *err);
void csv_stream_close(struct csv_stream *s); /* NULL is allowed */

/* Skips so many lines as they are. Returns 0, or -1 with err when the file ends before. */
int csv_stream_skip(struct csv_stream *s, int lines, struct error *err);

/* The next row: 1; 0 at the end of the file; -1 with err, which names line and cell. */
int csv_stream_row(struct csv_stream *s, struct csv_row *row, struct error *err);

char csv_stream_separator(const struct csv_stream *s);

/* Reads to the end of the file, whatever stands there, and gives the digest of all of it. Returns 0 or -1 with err. */
int csv_stream_digest(struct csv_stream *s, struct digest *digest, struct error *err);

#endif
