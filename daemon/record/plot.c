#include "plot.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "text_draw.h"

/* Tone and dash of the n-th series of a panel: dark to light, so that they differ in grey as well. */
struct stroke {
    double r, g, b;
    double width;
    int dash_count;
    double dash[4];
};

static const struct stroke strokes[PLOT_SERIES_MAX] = {
    {0.05, 0.17, 0.33, 1.0, 0, {0}},          {0.75, 0.30, 0.05, 1.0, 2, {4, 2}},
    {0.16, 0.47, 0.36, 1.1, 2, {1.2, 1.6}},   {0.45, 0.25, 0.55, 1.0, 4, {6, 2, 1.2, 2}},
    {0.35, 0.35, 0.35, 1.0, 2, {8, 3}},       {0.60, 0.50, 0.10, 1.0, 2, {2.5, 2.5}},
    {0.10, 0.45, 0.65, 1.0, 4, {1, 1, 4, 1}}, {0.65, 0.20, 0.35, 1.0, 2, {3, 1}},
};

struct frame {
    double x, y, width, height; /* of the data area */
    double t_from, t_to;
    double v_from, v_to;
};

static double x_of(const struct frame *f, double t)
{
    return f->x + (t - f->t_from) / (f->t_to - f->t_from) * f->width;
}

static double y_of(const struct frame *f, double v)
{
    return f->y + f->height - (v - f->v_from) / (f->v_to - f->v_from) * f->height;
}

/* A round step that cuts the span into about n parts. */
static double round_step(double span, int n)
{
    double raw = span / n;
    double power = pow(10, floor(log10(raw)));
    static const double steps[] = {1, 2, 2.5, 5, 10};
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++)
        if (steps[i] * power >= raw)
            return steps[i] * power;
    return 10 * power;
}

static double time_step(double span_s)
{
    static const double steps[] = {1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400};
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++)
        if (span_s / steps[i] <= 10)
            return steps[i];
    return 604800;
}

static void value_range(const struct plot *plot, const struct plot_panel *panel, double *low, double *high)
{
    double lo = INFINITY, hi = -INFINITY;
    for (int s = 0; s < panel->series_count; s++) {
        const struct plot_series *series = &panel->series[s];
        for (size_t i = 0; i < series->count; i++) {
            double v = series->value[i];
            if (isnan(v) || series->t_s[i] < plot->t_from_s || series->t_s[i] > plot->t_to_s)
                continue;
            lo = fmin(lo, v);
            hi = fmax(hi, v);
        }
    }
    if (panel->has_band) {
        lo = fmin(lo, panel->band_low);
        hi = fmax(hi, panel->band_high);
    }
    if (panel->has_line) {
        lo = fmin(lo, panel->line);
        hi = fmax(hi, panel->line);
    }
    if (panel->from_zero)
        lo = fmin(lo, 0);
    if (!(lo <= hi)) {
        lo = 0;
        hi = 1;
    }
    if (hi - lo < 1e-9 * fmax(1, fabs(hi))) {
        lo -= 0.5;
        hi += 0.5;
    }
    double margin = 0.06 * (hi - lo);
    *low = panel->from_zero && lo >= 0 ? lo : lo - margin;
    *high = hi + margin;
}

/* The line of one series. Within one column of half a unit only first, lowest, highest and last point are drawn. */
static void draw_series(cairo_t *cr, const struct frame *f, const struct plot_series *series)
{
    bool pen_down = false;
    size_t i = 0;
    while (i < series->count) {
        double t = series->t_s[i];
        if (t < f->t_from || t > f->t_to || isnan(series->value[i])) {
            pen_down = false;
            i++;
            continue;
        }
        double column = floor(x_of(f, t) * 2);
        double lo = series->value[i], hi = lo, last = lo;
        size_t lo_at = i, hi_at = i, j = i;
        while (j < series->count && !isnan(series->value[j]) && series->t_s[j] <= f->t_to &&
               floor(x_of(f, series->t_s[j]) * 2) <= column) {
            if (series->value[j] < lo) {
                lo = series->value[j];
                lo_at = j;
            }
            if (series->value[j] > hi) {
                hi = series->value[j];
                hi_at = j;
            }
            last = series->value[j];
            j++;
        }
        double x = x_of(f, t);
        if (pen_down)
            cairo_line_to(cr, x, y_of(f, series->value[i]));
        else
            cairo_move_to(cr, x, y_of(f, series->value[i]));
        if (j - i > 1) {
            cairo_line_to(cr, x, y_of(f, lo_at < hi_at ? lo : hi));
            cairo_line_to(cr, x, y_of(f, lo_at < hi_at ? hi : lo));
            cairo_line_to(cr, x_of(f, series->t_s[j - 1]), y_of(f, last));
        }
        pen_down = true;
        i = j;
    }
    cairo_stroke(cr);
}

static void use_stroke(cairo_t *cr, int n)
{
    const struct stroke *s = &strokes[n];
    cairo_set_source_rgb(cr, s->r, s->g, s->b);
    cairo_set_line_width(cr, s->width);
    cairo_set_dash(cr, s->dash, s->dash_count, 0);
}

static void plain_line(cairo_t *cr, double grey, double width)
{
    cairo_set_source_rgb(cr, grey, grey, grey);
    cairo_set_line_width(cr, width);
    cairo_set_dash(cr, NULL, 0, 0);
}

static void format_time(char *to, size_t cap, double t_s, double step_s)
{
    bool negative = t_s < 0;
    long t = (long)llround(fabs(t_s));
    if (step_s < 600)
        (void)text_format(to, cap, "%s%ld:%02ld", negative ? "-" : "", t / 60, t % 60);
    else
        (void)text_format(to, cap, "%s%ld:%02ld", negative ? "-" : "", t / 3600, t / 60 % 60);
}

static void draw_value_axis(cairo_t *cr, const struct frame *f)
{
    double step = round_step(f->v_to - f->v_from, f->height > 110 ? 5 : 3);
    if (!(step > 0))
        return;
    double first = ceil(f->v_from / step);
    int count = (int)(floor(f->v_to / step) - first) + 1;
    for (int i = 0; i < count; i++) {
        double v = (first + i) * step, y = y_of(f, v);
        plain_line(cr, 0.88, 0.5);
        cairo_move_to(cr, f->x, y);
        cairo_line_to(cr, f->x + f->width, y);
        cairo_stroke(cr);
        char text[32];
        (void)text_format(text, sizeof text, "%g", fabs(v) < step * 1e-9 ? 0.0 : v);
        cairo_set_source_rgb(cr, 0.2, 0.2, 0.2);
        text_draw(cr, f->x - 4, y - 5, text, (struct text_style){.size = 7.5, .anchor = ANCHOR_RIGHT});
    }
}

static void draw_time_axis(cairo_t *cr, const struct frame *f, bool labels)
{
    double step = time_step(f->t_to - f->t_from);
    if (!(step > 0))
        return;
    double first = ceil(f->t_from / step);
    int count = (int)(floor((f->t_to + 1e-9) / step) - first) + 1;
    for (int i = 0; i < count; i++) {
        double t = (first + i) * step, x = x_of(f, t);
        plain_line(cr, 0.88, 0.5);
        cairo_move_to(cr, x, f->y);
        cairo_line_to(cr, x, f->y + f->height);
        cairo_stroke(cr);
        if (labels) {
            char text[32];
            format_time(text, sizeof text, t, step);
            cairo_set_source_rgb(cr, 0.2, 0.2, 0.2);
            text_draw(cr, x, f->y + f->height + 3, text, (struct text_style){.size = 7.5, .anchor = ANCHOR_CENTRE});
        }
    }
    if (labels)
        text_draw(cr, f->x + f->width / 2, f->y + f->height + 14,
                  step < 600 ? "min:s since start" : "h:min since start",
                  (struct text_style){.size = 7.5, .anchor = ANCHOR_CENTRE});
}

static void draw_legend(cairo_t *cr, const struct frame *f, const struct plot_panel *panel)
{
    double x = f->x;
    double y = f->y - 13;
    cairo_set_source_rgb(cr, 0, 0, 0);
    double w, h;
    struct text_style bold = {.size = 8.5, .bold = 1};
    text_measure(cr, panel->title, bold, &w, &h);
    text_draw(cr, x, y, panel->title, bold);
    x += w + 14;
    struct text_style plain = {.size = 7.5};
    for (int s = 0; s < panel->series_count; s++) {
        use_stroke(cr, s);
        cairo_move_to(cr, x, y + 6);
        cairo_line_to(cr, x + 20, y + 6);
        cairo_stroke(cr);
        cairo_set_source_rgb(cr, 0, 0, 0);
        text_measure(cr, panel->series[s].label, plain, &w, &h);
        text_draw(cr, x + 23, y + 1, panel->series[s].label, plain);
        x += w + 36;
    }
    if (panel->has_band && panel->band_label != NULL) {
        cairo_set_source_rgb(cr, 0.86, 0.90, 0.84);
        cairo_rectangle(cr, x, y + 2, 20, 8);
        cairo_fill(cr);
        cairo_set_source_rgb(cr, 0, 0, 0);
        text_draw(cr, x + 23, y + 1, panel->band_label, plain);
    }
}

static void draw_panel(cairo_t *cr, const struct plot *plot, const struct plot_panel *panel, struct frame *f, bool last)
{
    value_range(plot, panel, &f->v_from, &f->v_to);
    cairo_save(cr);
    for (size_t i = 0; i < plot->span_count; i++) {
        double from = fmax(plot->spans[i].from_s, f->t_from), to = fmin(plot->spans[i].to_s, f->t_to);
        if (from >= to)
            continue;
        cairo_set_source_rgb(cr, 0.955, 0.955, 0.955);
        cairo_rectangle(cr, x_of(f, from), f->y, x_of(f, to) - x_of(f, from), f->height);
        cairo_fill(cr);
    }
    if (panel->has_band) {
        cairo_set_source_rgb(cr, 0.86, 0.90, 0.84);
        cairo_rectangle(cr, f->x, y_of(f, panel->band_high), f->width,
                        y_of(f, panel->band_low) - y_of(f, panel->band_high));
        cairo_fill(cr);
    }
    draw_value_axis(cr, f);
    draw_time_axis(cr, f, last);
    if (panel->has_line) {
        plain_line(cr, 0.35, 0.7);
        cairo_move_to(cr, f->x, y_of(f, panel->line));
        cairo_line_to(cr, f->x + f->width, y_of(f, panel->line));
        cairo_stroke(cr);
    }
    cairo_rectangle(cr, f->x, f->y, f->width, f->height);
    cairo_clip(cr);
    for (int s = 0; s < panel->series_count; s++) {
        use_stroke(cr, s);
        draw_series(cr, f, &panel->series[s]);
    }
    for (size_t i = 0; i < plot->mark_count; i++) {
        double x = x_of(f, plot->marks[i].t_s);
        plain_line(cr, 0, 0.7);
        cairo_set_dash(cr, (const double[]){2, 2}, 2, 0);
        cairo_move_to(cr, x, f->y);
        cairo_line_to(cr, x, f->y + f->height);
        cairo_stroke(cr);
    }
    cairo_restore(cr);
    plain_line(cr, 0.2, 0.7);
    cairo_rectangle(cr, f->x, f->y, f->width, f->height);
    cairo_stroke(cr);
    draw_legend(cr, f, panel);
}

/* Marks carry numbers in the drawing and are spelt out below it. */
static void mark_line(char *to, size_t cap, const struct plot *plot, size_t i)
{
    char when[24];
    format_time(when, sizeof when, plot->marks[i].t_s, time_step(plot->t_to_s - plot->t_from_s));
    (void)text_format(to, cap, "%zu  at %s  %s", i + 1, when, plot->marks[i].text);
}

/* Height that the list takes at this width: long sentences wrap. */
static double mark_list_height(cairo_t *cr, const struct plot *plot, double width)
{
    double used = 0;
    for (size_t i = 0; i < plot->mark_count && i < 12; i++) {
        char line[320];
        double w, h;
        mark_line(line, sizeof line, plot, i);
        text_measure(cr, line, (struct text_style){.size = 7.5, .width = width}, &w, &h);
        used += h + 1;
    }
    return used;
}

static void draw_mark_list(cairo_t *cr, const struct plot *plot, const struct frame *first, double y, double width)
{
    double used = 0;
    double last_x = -100;
    for (size_t i = 0; i < plot->mark_count && i < 12; i++) {
        double x = x_of(first, plot->marks[i].t_s);
        char number[8];
        (void)text_format(number, sizeof number, "%zu", i + 1);
        cairo_set_source_rgb(cr, 0, 0, 0);
        if (x > first->x + first->width - 6 - 9 * (double)(plot->mark_count - 1 - i))
            x = first->x + first->width - 6 - 9 * (double)(plot->mark_count - 1 - i);
        if (x - last_x < 9)
            x = last_x + 9;
        text_draw(cr, x, first->y + 1, number, (struct text_style){.size = 7, .bold = 1});
        last_x = x;
        char line[320];
        mark_line(line, sizeof line, plot, i);
        used += text_draw(cr, first->x, y + used, line, (struct text_style){.size = 7.5, .width = width}) + 1;
    }
}

void plot_draw(cairo_t *cr, const struct plot *plot, double x, double y, double width, double height)
{
    const double left = 46, right = 12, gap = 20;
    double top = y;
    cairo_set_source_rgb(cr, 0, 0, 0);
    if (plot->title != NULL)
        top += text_draw(cr, x + left, top, plot->title, (struct text_style){.size = 11, .bold = 1}) + 1;
    if (plot->subtitle != NULL)
        top += text_draw(cr, x + left, top, plot->subtitle,
                         (struct text_style){.size = 8.5, .width = width - left - right}) +
               2;
    double listed = plot->panel_count > 0 ? mark_list_height(cr, plot, width - left - right) : 0;
    double bottom = y + height - 26 - listed - (plot->footer != NULL ? 13 : 0);
    int n = plot->panel_count > 0 ? plot->panel_count : 1;
    double panel_height = (bottom - top - gap * n) / n;
    struct frame first = {0};
    for (int p = 0; p < plot->panel_count; p++) {
        struct frame f = {.x = x + left,
                          .y = top + gap + p * (panel_height + gap),
                          .width = width - left - right,
                          .height = panel_height,
                          .t_from = plot->t_from_s,
                          .t_to = plot->t_to_s > plot->t_from_s ? plot->t_to_s : plot->t_from_s + 1};
        draw_panel(cr, plot, &plot->panels[p], &f, p == plot->panel_count - 1);
        if (p == 0)
            first = f;
    }
    if (plot->panel_count > 0)
        draw_mark_list(cr, plot, &first, bottom + 26, width - left - right);
    if (plot->footer != NULL) {
        cairo_set_source_rgb(cr, 0.3, 0.3, 0.3);
        text_draw(cr, x + left, y + height - 10, plot->footer, (struct text_style){.size = 7});
    }
}

static cairo_status_t write_surface(cairo_surface_t *surface, const struct plot *plot, enum plot_format format,
                                    const char *path, double width, double height)
{
    cairo_t *cr = cairo_create(surface);
    if (format == PLOT_PNG)
        cairo_scale(cr, 2, 2);
    cairo_set_source_rgb(cr, 1, 1, 1);
    cairo_paint(cr);
    plot_draw(cr, plot, 10, 8, width - 20, height - 16);
    cairo_status_t status = cairo_status(cr);
    cairo_destroy(cr);
    if (status == CAIRO_STATUS_SUCCESS && format == PLOT_PNG)
        status = cairo_surface_write_to_png(surface, path);
    cairo_surface_finish(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        status = cairo_surface_status(surface);
    return status;
}

int plot_write(const struct plot *plot, enum plot_format format, const char *path, double width, double height,
               struct error *err)
{
    char temporary[4096];
    if (text_format(temporary, sizeof temporary, "%s.part", path) != 0)
        return error_set(err, "%s: the file name is too long", path);
    cairo_surface_t *surface = NULL;
    switch (format) {
    case PLOT_PNG:
        surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, (int)(2 * width), (int)(2 * height));
        break;
    case PLOT_SVG:
        surface = cairo_svg_surface_create(temporary, width, height);
        break;
    case PLOT_PDF:
        surface = cairo_pdf_surface_create(temporary, width, height);
        break;
    }
    cairo_status_t status = cairo_surface_status(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        status = write_surface(surface, plot, format, temporary, width, height);
    cairo_surface_destroy(surface);
    if (status != CAIRO_STATUS_SUCCESS) {
        (void)remove(temporary);
        return error_set(err, "%s: the picture could not be written: %s; is the folder there and writable?", path,
                         cairo_status_to_string(status));
    }
    if (rename(temporary, path) != 0) {
        int why = errno;
        (void)remove(temporary);
        return error_set(err, "%s: the picture could not be put in place (error %d)", path, why);
    }
    return 0;
}
