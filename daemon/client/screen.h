/* What the output is: a terminal or not, how wide, coloured or not. And text laid out for it. */
#ifndef SCREEN_H
#define SCREEN_H

#include <stdbool.h>
#include <stdio.h>

struct screen {
    FILE *out;
    bool terminal; /* a person reads along: lines may be redrawn */
    bool coloured; /* a terminal, NO_COLOR unset or empty, TERM not "dumb" */
    int width;     /* columns; 0: no limit (not a terminal) */
};

enum tone { TONE_PLAIN, TONE_GOOD, TONE_BAD, TONE_DOUBT, TONE_FAINT, TONE_STRONG, TONE_COUNT_ };

/* The screen that out goes to, by the environment (COLUMNS wins over what the terminal says). */
struct screen screen_of(FILE *out);

/* Escape sequences that begin a tone and end it; empty strings where colours are not wanted. */
const char *tone_begin(const struct screen *s, enum tone tone);
const char *tone_end(const struct screen *s, enum tone tone);

/* The tone of a verdict or of a channel's state by its name. */
enum tone tone_of(const char *word);

/* Columns that a text takes: code points, since control characters never get this far. */
int text_width(const char *text);

/* Prints a paragraph wrapped to the screen, each line after the first indented by so many columns. */
void print_wrapped(const struct screen *s, int indent, const char *text);

/* A table: columns get the width they need; when that is more than the screen has, columns marked loose wrap at spaces
 * and, when nothing else helps, the widest are cut. A loose last column that would get too little room goes below its
 * row, over the whole width. */
enum { TABLE_COLUMNS_MAX = 16 };

struct column {
    const char *head;
    bool right; /* numbers */
    bool loose; /* may wrap */
    bool toned; /* coloured by tone_of its text */
};

struct table;

/* columns are copied. NULL when memory is short; later functions then do nothing. */
struct table *table_new(const struct column *columns, int count);
void table_free(struct table *t);

/* The next cell, row by row; printf format. Control characters are replaced by spaces. */
void table_cell(struct table *t, const char *format, ...) __attribute__((format(printf, 2, 3)));

void table_print(const struct table *t, const struct screen *s);

#endif
