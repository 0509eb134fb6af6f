/* Curves over time as a picture: stacked panels with a common time axis, bands, and marks for events. Knows nothing of
 * runs or journals. Series are told apart by dash pattern and label as well as by tone, so that a black-and-white print
 * loses nothing. Gaps are NAN values and stay gaps. Single thread; the caller owns all arrays. */
#ifndef PLOT_H
#define PLOT_H

#include <cairo.h>
#include <stdbool.h>
#include <stddef.h>

#include "error.h"

enum { PLOT_PANELS_MAX = 6, PLOT_SERIES_MAX = 8 };

struct plot_series {
    const char *label;
    const double *t_s; /* not decreasing */
    const double *value;
    size_t count;
};

struct plot_panel {
    const char *title; /* quantity and unit: "I2 / A" */
    int series_count;
    struct plot_series series[PLOT_SERIES_MAX];
    bool has_band;
    double band_low, band_high;
    const char *band_label;
    bool has_line; /* a level worth seeing, the rated value */
    double line;
    bool from_zero; /* the axis shows zero */
};

struct plot_mark {
    double t_s;
    const char *text;
};

struct plot_span {
    double from_s, to_s; /* a stretch shaded in every panel: commanded on-load */
};

struct plot {
    const char *title;
    const char *subtitle;
    double t_from_s, t_to_s;
    int panel_count;
    struct plot_panel panels[PLOT_PANELS_MAX];
    const struct plot_mark *marks;
    size_t mark_count;
    const struct plot_span *spans;
    size_t span_count;
    const char *footer;
};

enum plot_format { PLOT_PNG, PLOT_SVG, PLOT_PDF };

/* Draws into a rectangle of a cairo context; lengths in its user units (points). Long series are thinned to the
 * extremes of each column of half a unit, so no peak is lost. */
void plot_draw(cairo_t *cr, const struct plot *plot, double x, double y, double width, double height);

/* Writes the plot to a file (through a temporary name and rename). width and height in points; PNG at two pixels a
 * point. Returns 0 or -1. */
int plot_write(const struct plot *plot, enum plot_format format, const char *path, double width, double height,
               struct error *err);

#endif
