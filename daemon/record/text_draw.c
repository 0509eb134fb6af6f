#include "text_draw.h"

#include <pango/pangocairo.h>

static PangoLayout *layout_of(cairo_t *cr, const char *text, struct text_style style)
{
    PangoLayout *layout = pango_cairo_create_layout(cr);
    PangoFontDescription *font = pango_font_description_new();
    pango_font_description_set_family(font, "DejaVu Sans");
    pango_font_description_set_weight(font, style.bold ? PANGO_WEIGHT_BOLD : PANGO_WEIGHT_NORMAL);
    pango_font_description_set_absolute_size(font, style.size * PANGO_SCALE);
    pango_layout_set_font_description(layout, font);
    pango_font_description_free(font);
    if (style.width > 0) {
        pango_layout_set_width(layout, (int)(style.width * PANGO_SCALE));
        pango_layout_set_wrap(layout, PANGO_WRAP_WORD_CHAR);
    }
    pango_layout_set_text(layout, text, -1);
    return layout;
}

double text_draw(cairo_t *cr, double x, double y, const char *text, struct text_style style)
{
    PangoLayout *layout = layout_of(cr, text, style);
    int w, h;
    pango_layout_get_size(layout, &w, &h);
    double width = (double)w / PANGO_SCALE;
    if (style.anchor == ANCHOR_CENTRE)
        x -= width / 2;
    else if (style.anchor == ANCHOR_RIGHT)
        x -= width;
    cairo_move_to(cr, x, y);
    pango_cairo_show_layout(cr, layout);
    g_object_unref(layout);
    return (double)h / PANGO_SCALE;
}

void text_measure(cairo_t *cr, const char *text, struct text_style style, double *width, double *height)
{
    PangoLayout *layout = layout_of(cr, text, style);
    int w, h;
    pango_layout_get_size(layout, &w, &h);
    *width = (double)w / PANGO_SCALE;
    *height = (double)h / PANGO_SCALE;
    g_object_unref(layout);
}
