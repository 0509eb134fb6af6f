#include "unit_tag.h"

#include <cairo-pdf.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "text_draw.h"

static const double width_pt = 297.6, height_pt = 209.8, margin_pt = 12;

const char *unit_tag_order(const struct unit_tag *tag)
{
    if (strcmp(tag->to, "hire") == 0)
        return "TO HIRE";
    return strcmp(tag->to, "service") == 0 ? "TO SERVICE: DO NOT HIRE OUT" : "QUARANTINE: DO NOT USE";
}

static double line(cairo_t *cr, double y, const char *name, const char *value)
{
    if (value[0] == '\0')
        return y;
    cairo_set_source_rgb(cr, 0, 0, 0);
    text_draw(cr, margin_pt, y, name, (struct text_style){.size = 8});
    double h = text_draw(cr, margin_pt + 62, y, value,
                         (struct text_style){.size = 9, .bold = 1, .width = width_pt - 2 * margin_pt - 62});
    return y + h + 2;
}

static void draw(cairo_t *cr, const struct unit_tag *tag)
{
    bool hire = strcmp(tag->to, "hire") == 0;
    cairo_set_source_rgb(cr, 0, 0, 0);
    cairo_set_line_width(cr, 1.5);
    cairo_rectangle(cr, 4, 4, width_pt - 8, height_pt - 8);
    cairo_stroke(cr);
    /* White on black for what must not go out: it cannot be taken for the other tag. */
    if (!hire) {
        cairo_rectangle(cr, 4, 4, width_pt - 8, 34);
        cairo_fill(cr);
        cairo_set_source_rgb(cr, 1, 1, 1);
    }
    text_draw(cr, margin_pt, 12, unit_tag_order(tag), (struct text_style){.size = hire ? 18 : 13, .bold = 1});
    double y = 44;
    char unit[2 * NAME_CAP + 2];
    (void)text_format(unit, sizeof unit, "%s %s", tag->maker, tag->model);
    cairo_set_source_rgb(cr, 0, 0, 0);
    text_draw(cr, margin_pt, y, tag->serial, (struct text_style){.size = 16, .bold = 1});
    y += 24;
    y = line(cr, y, "unit", unit);
    y = line(cr, y, "asset", tag->asset);
    y = line(cr, y, "decided by", tag->who);
    y = line(cr, y, "on", tag->date);
    y = line(cr, y, "next due", tag->due);
    y = line(cr, y, "rests on", tag->basis);
    (void)line(cr, y, "to do", tag->note);
    text_draw(cr, margin_pt, height_pt - 18, tag->site, (struct text_style){.size = 7});
}

int unit_tag_write(const struct unit_tag *tag, const char *path, struct error *err)
{
    char temporary[4096];
    if (text_format(temporary, sizeof temporary, "%s.part", path) != 0)
        return error_set(err, "%s: the file name is too long", path);
    cairo_surface_t *surface = cairo_pdf_surface_create(temporary, width_pt, height_pt);
    cairo_t *cr = cairo_create(surface);
    draw(cr, tag);
    cairo_show_page(cr);
    cairo_status_t status = cairo_status(cr);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        status = cairo_surface_status(surface);
    cairo_surface_destroy(surface);
    if (status != CAIRO_STATUS_SUCCESS || rename(temporary, path) != 0) {
        (void)remove(temporary);
        return error_set(err, "%s: the tag could not be written; is the folder there and writable?", path);
    }
    return 0;
}
