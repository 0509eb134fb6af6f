/* Rows of the journal as line protocol, version LINE_SCHEMA_VERSION, described in docs/store-schema.md. The same row
 * always gives the same bytes. Pure functions, any thread. */
#ifndef LINE_PROTOCOL_H
#define LINE_PROTOCOL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "error.h"
#include "journal_types.h"

enum { LINE_SCHEMA_VERSION = 1, LINE_CAP = 4096 };

/* A growing text; line_text_free releases it. bad: out of memory, stays so until line_text_clear. */
struct line_text {
    char *text;
    size_t used, cap;
    bool bad;
};

void line_text_clear(struct line_text *b);
void line_text_free(struct line_text *b);

/* Shortest decimal text that reads back as exactly the same double; value must be finite. to: at least 32 bytes.
 * Returns its length. Plain digits for ordinary magnitudes, else an exponent ("1e+300"). */
int double_print(char *to, double value);

/* Append text with the escapes of the protocol: commas, spaces, and equals signs where they need one (names: commas and
 * spaces only); string field values get quotes. Control characters, which the protocol cannot carry, become spaces. */
void line_put_measurement(struct line_text *b, const char *text);
void line_put_key(struct line_text *b, const char *text); /* tag keys, tag values, field keys */
void line_put_string(struct line_text *b, const char *text);

/* Append one line with its newline. bench and channel: names for the tags (empty: no such tag). with_text: the store
 * keeps texts. Nothing is appended, and 0 returned, for a row without any field that can be sent; 1 when a line was
 * appended; -1 when out of memory. */
int line_put_reading(struct line_text *b, const char *bench, const char *channel, const struct journal_reading *m);
int line_put_event(struct line_text *b, const char *bench, const struct journal_event *e, bool with_text);
int line_put_verdict(struct line_text *b, const char *bench, const struct journal_verdict *v, bool with_text);

/* Independent check of one line (without newline) against the protocol's grammar and this schema's narrower rules:
 * measurement, tags in rising order without repeats or empty values, fields that are floats or quoted strings, no
 * repeated field, a stamp of whole milliseconds from 1970 up to year 2262, at most LINE_CAP bytes. Returns 0, or -1
 * and says at which byte what is wrong. */
int line_check(const char *line, size_t size, struct error *err);

#endif
