/* Text on a cairo context by pango, in points. */
#ifndef TEXT_DRAW_H
#define TEXT_DRAW_H

#include <cairo.h>

enum text_anchor { ANCHOR_LEFT, ANCHOR_CENTRE, ANCHOR_RIGHT };

struct text_style {
    double size;  /* points */
    int bold;     /* 0 or 1 */
    double width; /* wrap at this width; 0: one line */
    enum text_anchor anchor;
};

/* Draws text with its top at y, left/centre/right at x; returns its height in points. */
double text_draw(cairo_t *cr, double x, double y, const char *text, struct text_style style);

/* Size it would take. */
void text_measure(cairo_t *cr, const char *text, struct text_style style, double *width, double *height);

#endif
