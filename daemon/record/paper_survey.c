/* The map of a survey: percent-on over current with its intervals, beside the square law. */
#include <math.h>

#include "lead.h"
#include "paper_parts.h"
#include "text_draw.h"

enum { COLUMNS = 7 };

struct map {
    int count;
    const struct event *points[SURVEY_POINTS_MAX];
    double from_a, to_a;
};

static void collect(struct map *m, const struct run_data *d)
{
    *m = (struct map){.from_a = d->run.request.point.current_a, .to_a = d->run.request.point.current_a};
    for (size_t i = 0; i < d->event_count && m->count < SURVEY_POINTS_MAX; i++) {
        const struct event *e = &d->events[i].event;
        if (e->kind != EVENT_SURVEY_POINT || e->value_count < EVENT_VALUES_MAX)
            continue;
        m->points[m->count++] = e;
        m->from_a = fmin(m->from_a, e->values[SURVEY_CURRENT_A]);
        m->to_a = fmax(m->to_a, e->values[SURVEY_CURRENT_A]);
    }
}

static void put_table(struct record *r, const struct map *m)
{
    static const char *const heads[COLUMNS] = {"I2 A",      "own percent-on", "interval (95 %)", "square law",
                                               "on-load s", "reset s",        "intake degC"};
    char text[SURVEY_POINTS_MAX + 1][COLUMNS][CELL_CAP];
    const char *cells[(SURVEY_POINTS_MAX + 1) * COLUMNS];
    for (int c = 0; c < COLUMNS; c++)
        (void)text_copy(text[0][c], CELL_CAP, heads[c]);
    for (int i = 0; i < m->count; i++) {
        const double *v = m->points[i]->values;
        char(*row)[CELL_CAP] = text[i + 1];
        paper_figure(row[0], CELL_CAP, v[SURVEY_CURRENT_A], 1, "");
        paper_figure(row[1], CELL_CAP, v[SURVEY_PERCENT_ON], 1, "%");
        if (!isnan(v[SURVEY_HIGH]))
            (void)text_format(row[2], CELL_CAP, "%.1f to %.1f %%", v[SURVEY_LOW], v[SURVEY_HIGH]);
        else if (!isnan(v[SURVEY_LOW]))
            (void)text_format(row[2], CELL_CAP, "at least %.0f %%", v[SURVEY_LOW]);
        else
            (void)text_copy(row[2], CELL_CAP, survey_outcome_name((enum survey_outcome)m->points[i]->code2));
        paper_figure(row[3], CELL_CAP, v[SURVEY_LAW], 1, "%");
        paper_figure(row[4], CELL_CAP, v[SURVEY_ON_S], 0, "");
        paper_figure(row[5], CELL_CAP, v[SURVEY_RESET_S], 0, "");
        paper_figure(row[6], CELL_CAP, v[SURVEY_INTAKE_DEGC], 1, "");
    }
    for (int i = 0; i <= m->count; i++)
        for (int c = 0; c < COLUMNS; c++)
            cells[i * COLUMNS + c] = text[i][c];
    static const double shares[COLUMNS] = {0.8, 1.2, 1.5, 1, 0.9, 0.8, 1};
    sheet_table(&r->sheet, cells, m->count + 1, COLUMNS, shares);
}

/* A rectangle of the page that shows from_a to to_a across and 0 to 100 % upwards. */
struct frame {
    cairo_t *cr;
    double x, y, width, height, from_a, to_a;
};

static double at_x(const struct frame *f, double amps)
{
    return f->x + f->width * (amps - f->from_a) / (f->to_a - f->from_a);
}

static double at_y(const struct frame *f, double pct)
{
    return f->y + f->height * (1 - pct / 100);
}

static void label(const struct frame *f, double x, double y, const char *text)
{
    (void)text_draw(f->cr, x, y, text, (struct text_style){.size = 7});
}

static void draw_axes(const struct frame *f)
{
    char text[32];
    cairo_set_line_width(f->cr, 0.3);
    for (int pct = 0; pct <= 100; pct += 20) {
        cairo_move_to(f->cr, f->x, at_y(f, pct));
        cairo_line_to(f->cr, f->x + f->width, at_y(f, pct));
        cairo_stroke(f->cr);
        (void)text_format(text, sizeof text, "%d %%", pct);
        label(f, f->x - 28, at_y(f, pct) - 4.5, text);
    }
    for (int i = 0; i <= 4; i++) {
        double amps = f->from_a + (f->to_a - f->from_a) * i / 4;
        (void)text_format(text, sizeof text, "%.0f A", amps);
        label(f, at_x(f, amps) - 8, f->y + f->height + 3, text);
    }
}

static void draw_law(const struct frame *f, const struct rating_point *plate)
{
    static const double dashes[] = {4, 2};
    double pct;
    struct error err;
    cairo_new_path(f->cr);
    cairo_set_line_width(f->cr, 0.8);
    cairo_set_dash(f->cr, dashes, 2, 0);
    for (int i = 0; i <= 60; i++) {
        double amps = f->from_a + (f->to_a - f->from_a) * i / 60;
        if (equivalent_percent_on(plate->current_a, plate->percent_on, amps, &pct, &err) == 0)
            cairo_line_to(f->cr, at_x(f, amps), at_y(f, pct));
    }
    cairo_stroke(f->cr);
    cairo_set_dash(f->cr, NULL, 0, 0);
}

static void draw_points(const struct frame *f, const struct map *m)
{
    cairo_set_line_width(f->cr, 1);
    for (int i = 0; i < m->count; i++) {
        const double *v = m->points[i]->values;
        double x = at_x(f, v[SURVEY_CURRENT_A]);
        if (isnan(v[SURVEY_PERCENT_ON]))
            continue;
        double y = at_y(f, v[SURVEY_PERCENT_ON]);
        cairo_new_path(f->cr);
        cairo_arc(f->cr, x, y, 2, 0, 6.2831853);
        cairo_fill(f->cr);
        if (isnan(v[SURVEY_HIGH]))
            continue;
        for (int end = 0; end < 2; end++) {
            double edge = at_y(f, v[end ? SURVEY_HIGH : SURVEY_LOW]);
            cairo_move_to(f->cr, x - 3, edge);
            cairo_line_to(f->cr, x + 3, edge);
        }
        cairo_move_to(f->cr, x, at_y(f, v[SURVEY_LOW]));
        cairo_line_to(f->cr, x, at_y(f, v[SURVEY_HIGH]));
        cairo_stroke(f->cr);
    }
}

static void put_picture(struct record *r, const struct map *m)
{
    struct sheet *s = &r->sheet;
    double margin_a = 0.08 * (m->to_a - m->from_a) + 1;
    sheet_need(s, 160);
    struct frame f = {.cr = s->cr,
                      .x = s->margin + 30,
                      .y = s->y + 6,
                      .width = s->width - 2 * s->margin - 60,
                      .height = 120,
                      .from_a = m->from_a - margin_a,
                      .to_a = m->to_a + margin_a};
    cairo_save(s->cr);
    cairo_set_source_rgb(s->cr, 0, 0, 0);
    draw_axes(&f);
    draw_law(&f, &r->data->run.request.point);
    draw_points(&f, m);
    cairo_restore(s->cr);
    s->y += 150;
}

void paper_survey(struct record *r)
{
    struct map m;
    if (r->data->run.request.procedure != PROCEDURE_SURVEY)
        return;
    collect(&m, r->data);
    sheet_heading(&r->sheet, "Survey: the unit's own percent-on over current");
    if (m.count == 0) {
        sheet_paragraph(&r->sheet, "No current was taken to its end.", 8, false);
        return;
    }
    put_table(r, &m);
    put_picture(r, &m);
    sheet_paragraph(&r->sheet,
                    "Dots: measured, with their intervals; dashed: square law from the rating point (published by "
                    "makers of power sources, not by a standard). Each current from the same start, at the intake air "
                    "that was seen; not referred to 40 degC. A survey maps and does not judge.",
                    7.5, false);
}
