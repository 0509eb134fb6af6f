/* A paper document laid out from top to bottom: headings, paragraphs, pairs in two columns, tables, pictures; a new
 * page when one is full, a foot with page n of m on each. Lengths in points. */
#ifndef SHEET_H
#define SHEET_H

#include <cairo.h>
#include <stdbool.h>

enum paper { PAPER_A4, PAPER_LETTER };

struct sheet {
    cairo_t *cr;
    double width, height; /* of the paper */
    double margin;
    double y;       /* where the next thing goes */
    int page;       /* from 1 */
    int page_count; /* 0 while counting */
    char head[256]; /* top right of every page */
    char foot[256];
};

struct sheet_pair {
    const char *name;
    const char *value;
};

enum { SHEET_COLUMNS_MAX = 10 };

void paper_size(enum paper paper, double *width, double *height);

/* Begins page 1. page_count 0: the foot leaves m open (first pass). */
void sheet_begin(struct sheet *s, cairo_t *cr, enum paper paper, int page_count);
/* Ends the last page. */
void sheet_end(struct sheet *s);
void sheet_new_page(struct sheet *s);
/* Goes to a new page unless this much height is left. */
void sheet_need(struct sheet *s, double height);
double sheet_room(const struct sheet *s);

void sheet_title(struct sheet *s, const char *text);
void sheet_heading(struct sheet *s, const char *text);
void sheet_paragraph(struct sheet *s, const char *text, double size, bool bold);
/* Name and value side by side, two pairs a line; pairs with an empty or NULL value are left out. */
void sheet_pairs(struct sheet *s, const struct sheet_pair *pairs, int count);
/* A table with a bold first row. cells: rows * columns texts, row by row. shares: width of each column as a share. */
void sheet_table(struct sheet *s, const char *const *cells, int rows, int columns, const double *shares);
/* A framed paragraph with a bold first line. */
void sheet_box(struct sheet *s, const char *first, const char *rest);

#endif
