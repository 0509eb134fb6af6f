#include "record_picture.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "load_voltage.h"

static const double width_pt = 800.0, height_pt = 560.0;

enum { MARKS_MAX = 40 };

struct drawing {
    const struct record_question *q;
    const struct record_answer *a;
    struct plot plot;
    double *times[MAP_SIGNALS_MAX], *values[MAP_SIGNALS_MAX];
    struct plot_mark marks[MARKS_MAX];
};

/* Low and high of each stretch one after the other: no peak is lost. A stretch without a reading is passed over, as
 * between readings of a slow signal; only where several lack one after the other there is a gap. */
static size_t fill_series(struct drawing *d, int i)
{
    const struct record_curve *c = &d->a->curves[i];
    double *t = d->times[i] = calloc((size_t)c->count * 2 + 1, sizeof *t);
    double *v = d->values[i] = calloc((size_t)c->count * 2 + 1, sizeof *v);
    size_t n = 0;
    int missing = 0;
    for (int k = 0; t && v && k < c->count; k++) {
        double at = (double)c->width_ns * (k + 0.5) / 1e9;
        bool none = isnan(c->points[k].low);
        missing = none ? missing + 1 : 0;
        if (none && missing != 3)
            continue;
        t[n] = at;
        v[n++] = c->points[k].low;
        if (none || c->points[k].high <= c->points[k].low)
            continue;
        t[n] = at;
        v[n++] = c->points[k].high;
    }
    return n;
}

static void add(struct drawing *d, struct plot_panel *panel, enum signal_kind kind, const char *label)
{
    for (int i = 0; i < d->q->map.count && panel->series_count < PLOT_SERIES_MAX; i++) {
        if (d->q->map.signals[i].kind != kind || d->a->curves[i].count == 0)
            continue;
        size_t n = fill_series(d, i);
        panel->series[panel->series_count++] =
            (struct plot_series){.label = label, .t_s = d->times[i], .value = d->values[i], .count = n};
    }
}

static struct plot_panel *begin_panel(struct drawing *d, const char *title)
{
    struct plot_panel *panel = &d->plot.panels[d->plot.panel_count];
    *panel = (struct plot_panel){.title = title};
    return panel;
}

static void keep(struct drawing *d, const struct plot_panel *panel)
{
    if (panel->series_count > 0)
        d->plot.panel_count++;
}

static void band(struct plot_panel *panel, double rated, double low_pct, double high_pct)
{
    if (!(rated > 0))
        return;
    panel->has_band = panel->has_line = true;
    panel->band_low = rated * (1 - low_pct / 100);
    panel->band_high = rated * (1 + high_pct / 100);
    panel->band_label = "test-condition band";
    panel->line = rated;
}

static void fill_panels(struct drawing *d)
{
    const struct rating_point *p = &d->q->run.point;
    const struct bench_limits *l = &d->a->bench->limits;
    struct load_point load = {.voltage_v = NAN};
    (void)load_point_find(p->process, p->current_a, p->load_voltage_v, &load, NULL);
    struct plot_panel *panel = begin_panel(d, "welding current I2 / A");
    panel->from_zero = true;
    add(d, panel, SIG_I2, "I2");
    band(panel, p->current_a, l->band_low_pct, l->band_high_pct);
    keep(d, panel);
    panel = begin_panel(d, "load voltage U2 / V");
    add(d, panel, SIG_U2, "U2");
    add(d, panel, SIG_U_BANK, "at the bank");
    band(panel, load.voltage_v, l->band_low_pct, l->band_high_pct);
    keep(d, panel);
    panel = begin_panel(d, "supply voltage U1 / V");
    add(d, panel, SIG_U1, "U1");
    band(panel, p->supply_v, l->u1_void_pct, l->u1_void_pct);
    keep(d, panel);
    panel = begin_panel(d, "temperatures / degC");
    add(d, panel, SIG_T_CASE, "case");
    add(d, panel, SIG_T_EXHAUST, "exhaust");
    add(d, panel, SIG_T_INTAKE, "intake");
    keep(d, panel);
}

static bool marked(const struct event *e)
{
    return e->kind == EVENT_SHUTOFF || e->kind == EVENT_RESET_SEEN || e->kind == EVENT_EQUILIBRIUM ||
           e->kind == EVENT_OUTPUT_REDUCED || e->kind == EVENT_METER_DOUBT || e->kind == EVENT_NEVER_REACHED;
}

static void fill_marks(struct drawing *d)
{
    for (int i = 0; i < d->a->event_count && d->plot.mark_count < MARKS_MAX; i++)
        if (marked(&d->a->events[i]))
            d->marks[d->plot.mark_count++] =
                (struct plot_mark){(double)d->a->events[i].at_ns / 1e9, event_kind_name(d->a->events[i].kind)};
    d->plot.marks = d->marks;
}

int record_picture(const struct record_question *question, const struct record_answer *answer, enum plot_format format,
                   const char *path, struct error *err)
{
    struct drawing *d = calloc(1, sizeof *d);
    char title[TEXT_CAP], subtitle[TEXT_CAP], hex[DIGEST_HEX_CAP], footer[TEXT_CAP];
    const char *name = strrchr(question->file.path, '/');
    if (!d)
        return error_set(err, "memory is short");
    digest_print(&answer->digest, hex);
    (void)text_format(title, sizeof title, "%.80s: from a file, not measured on this bench",
                      name ? name + 1 : question->file.path);
    (void)text_format(subtitle, sizeof subtitle, "%.47s, %s: %s", question->run.serial,
                      procedure_name(question->run.procedure), verdict_kind_name(answer->verdict.kind));
    (void)text_format(footer, sizeof footer, "SHA-256 of the file %s", hex);
    d->q = question;
    d->a = answer;
    d->plot = (struct plot){.title = title,
                            .subtitle = subtitle,
                            .t_from_s = (double)question->file.from_ns / 1e9,
                            .t_to_s = (double)answer->span_ns / 1e9 + 0.001,
                            .footer = footer};
    fill_panels(d);
    fill_marks(d);
    int result = plot_write(&d->plot, format, path, width_pt, height_pt, err);
    for (int i = 0; i < MAP_SIGNALS_MAX; i++) {
        free(d->times[i]);
        free(d->values[i]);
    }
    free(d);
    return result;
}
