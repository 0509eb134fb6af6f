#include "sheet.h"

#include <string.h>

#include "error.h"
#include "text_draw.h"

static const double foot_height = 24;

void paper_size(enum paper paper, double *width, double *height)
{
    *width = paper == PAPER_A4 ? 595.276 : 612;
    *height = paper == PAPER_A4 ? 841.89 : 792;
}

static double inner_width(const struct sheet *s)
{
    return s->width - 2 * s->margin;
}

static void grey(struct sheet *s, double level)
{
    cairo_set_source_rgb(s->cr, level, level, level);
}

static void rule(struct sheet *s, double y, double thickness)
{
    grey(s, 0.25);
    cairo_set_line_width(s->cr, thickness);
    cairo_move_to(s->cr, s->margin, y);
    cairo_line_to(s->cr, s->width - s->margin, y);
    cairo_stroke(s->cr);
}

static void draw_frame(struct sheet *s)
{
    grey(s, 0.35);
    struct text_style small = {.size = 7.5};
    text_draw(s->cr, s->width - s->margin, s->margin - 14, s->head,
              (struct text_style){.size = 7.5, .anchor = ANCHOR_RIGHT});
    double y = s->height - s->margin + 6;
    text_draw(s->cr, s->margin, y, s->foot, small);
    char page[48];
    if (s->page_count > 0)
        (void)text_format(page, sizeof page, "page %d of %d", s->page, s->page_count);
    else
        (void)text_format(page, sizeof page, "page %d", s->page);
    text_draw(s->cr, s->width - s->margin, y, page, (struct text_style){.size = 7.5, .anchor = ANCHOR_RIGHT});
    rule(s, y - 3, 0.4);
}

void sheet_begin(struct sheet *s, cairo_t *cr, enum paper paper, int page_count)
{
    s->cr = cr;
    paper_size(paper, &s->width, &s->height);
    s->margin = 42;
    s->page = 1;
    s->page_count = page_count;
    s->y = s->margin;
}

void sheet_end(struct sheet *s)
{
    draw_frame(s);
    cairo_show_page(s->cr);
}

void sheet_new_page(struct sheet *s)
{
    sheet_end(s);
    s->page++;
    s->y = s->margin;
}

double sheet_room(const struct sheet *s)
{
    return s->height - s->margin - foot_height / 2 - s->y;
}

void sheet_need(struct sheet *s, double height)
{
    if (sheet_room(s) < height)
        sheet_new_page(s);
}

void sheet_title(struct sheet *s, const char *text)
{
    grey(s, 0);
    s->y +=
        text_draw(s->cr, s->margin, s->y, text, (struct text_style){.size = 15, .bold = 1, .width = inner_width(s)}) +
        3;
    rule(s, s->y, 1.2);
    s->y += 5;
}

void sheet_heading(struct sheet *s, const char *text)
{
    sheet_need(s, 40);
    s->y += 5;
    grey(s, 0);
    s->y += text_draw(s->cr, s->margin, s->y, text, (struct text_style){.size = 9.5, .bold = 1}) + 1;
    rule(s, s->y, 0.4);
    s->y += 3;
}

void sheet_paragraph(struct sheet *s, const char *text, double size, bool bold)
{
    struct text_style style = {.size = size, .bold = bold, .width = inner_width(s)};
    double w, h;
    text_measure(s->cr, text, style, &w, &h);
    sheet_need(s, h);
    grey(s, 0);
    s->y += text_draw(s->cr, s->margin, s->y, text, style) + 2;
}

void sheet_pairs(struct sheet *s, const struct sheet_pair *pairs, int count)
{
    double half = inner_width(s) / 2;
    const double name_width = 96;
    int column = 0;
    double tallest = 0;
    for (int i = 0; i < count; i++) {
        if (pairs[i].value == NULL || pairs[i].value[0] == '\0')
            continue;
        struct text_style style = {.size = 8, .width = half - name_width - 8};
        double w, h;
        text_measure(s->cr, pairs[i].value, style, &w, &h);
        if (column == 0)
            sheet_need(s, h + 12);
        double x = s->margin + column * half;
        grey(s, 0.35);
        double name_height =
            text_draw(s->cr, x, s->y, pairs[i].name, (struct text_style){.size = 8, .width = name_width - 4});
        h = name_height > h ? name_height : h;
        grey(s, 0);
        text_draw(s->cr, x + name_width, s->y, pairs[i].value, style);
        tallest = h > tallest ? h : tallest;
        if (++column == 2) {
            s->y += tallest + 1;
            column = 0;
            tallest = 0;
        }
    }
    if (column != 0)
        s->y += tallest + 1;
}

void sheet_table(struct sheet *s, const char *const *cells, int rows, int columns, const double *shares)
{
    double total = 0;
    for (int c = 0; c < columns; c++)
        total += shares[c];
    for (int r = 0; r < rows; r++) {
        double tallest = 0;
        for (int c = 0; c < columns; c++) {
            double w, h;
            struct text_style style = {.size = 7.5, .bold = r == 0, .width = inner_width(s) * shares[c] / total - 4};
            text_measure(s->cr, cells[r * columns + c], style, &w, &h);
            tallest = h > tallest ? h : tallest;
        }
        sheet_need(s, tallest + 4);
        double x = s->margin;
        grey(s, 0);
        for (int c = 0; c < columns; c++) {
            double width = inner_width(s) * shares[c] / total;
            text_draw(s->cr, x, s->y, cells[r * columns + c],
                      (struct text_style){.size = 7.5, .bold = r == 0, .width = width - 4});
            x += width;
        }
        s->y += tallest + 1;
        if (r == 0) {
            rule(s, s->y, 0.3);
            s->y += 1.5;
        }
    }
}

void sheet_box(struct sheet *s, const char *first, const char *rest)
{
    double inside = inner_width(s) - 16;
    double w, h1, h2 = 0;
    struct text_style bold = {.size = 11, .bold = 1, .width = inside};
    struct text_style plain = {.size = 9, .width = inside};
    text_measure(s->cr, first, bold, &w, &h1);
    if (rest[0] != '\0')
        text_measure(s->cr, rest, plain, &w, &h2);
    double height = h1 + h2 + 16;
    sheet_need(s, height + 4);
    grey(s, 0.1);
    cairo_set_line_width(s->cr, 1);
    cairo_rectangle(s->cr, s->margin, s->y, inner_width(s), height);
    cairo_stroke(s->cr);
    grey(s, 0);
    text_draw(s->cr, s->margin + 8, s->y + 6, first, bold);
    if (rest[0] != '\0')
        text_draw(s->cr, s->margin + 8, s->y + 8 + h1, rest, plain);
    s->y += height + 4;
}
