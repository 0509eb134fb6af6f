/* The readings of a foreign record, row by row: cells by their mapping in base units, stamps on one line of time that
 * never jumps where only a clock was set. Memory of a fixed size. */
#ifndef RECORD_ROWS_H
#define RECORD_ROWS_H

#include "input.h"
#include "record_map.h"

struct record_file {
    const char *path;
    enum csv_encoding encoding;
    char separator; /* 0: told from the file */
    int skip_lines; /* before the headings */
    bool no_headings;
    bool units_row;            /* the row after the headings holds units */
    bool local_time;           /* stamps are local time: an hour forth or back is summer time */
    int64_t stamp_half_ns;     /* what stamps are good for; below 0: half their last digit */
    int64_t from_ns, until_ns; /* part that counts, from the first stamp on; 0: all of it */
};

struct record_reading {
    int signal; /* of the mapping */
    enum quality quality;
    double value;
};

struct record_row {
    int64_t line, at_ns; /* since the first stamp of the file */
    int64_t half_ns;
    int count;
    struct record_reading readings[MAP_SIGNALS_MAX];
};

struct record_rows; /* opaque */

/* Opens the file and resolves the mapping (which is changed by that). warnings are filled as rows are read. NULL with
 * err. */
struct record_rows *record_rows_open(const struct record_file *file, struct record_map *map,
                                     struct record_warnings *warnings, struct error *err);
void record_rows_close(struct record_rows *r); /* NULL is allowed */

/* The next row that has readings: 1; 0 at the end; -1 with err in words, with line and cell. */
int record_rows_next(struct record_rows *r, struct record_row *row, struct error *err);

int64_t record_rows_count(const struct record_rows *r);        /* rows read so far */
int64_t record_rows_first_utc_ns(const struct record_rows *r); /* of the first stamp; 0: not known */
bool record_rows_utc_is_local(const struct record_rows *r);    /* its zone is not written */

/* Reads the rest unseen. */
int record_rows_digest(struct record_rows *r, struct digest *digest, struct error *err);

#endif
