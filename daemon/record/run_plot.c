#include "run_plot.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "load_voltage.h"

static void add_series(struct plot_panel *panel, const struct run_data *d, enum signal_kind kind, const char *label)
{
    const struct series *s = &d->signals[kind];
    if (s->count == 0 || panel->series_count >= PLOT_SERIES_MAX)
        return;
    panel->series[panel->series_count++] =
        (struct plot_series){.label = label, .t_s = s->t_s, .value = s->value, .count = s->count};
}

static struct plot_panel *next_panel(struct plot *plot, const char *title)
{
    struct plot_panel *panel = &plot->panels[plot->panel_count];
    *panel = (struct plot_panel){.title = title};
    return panel;
}

/* Keeps the panel only when something is in it. */
static void keep_panel(struct plot *plot, const struct plot_panel *panel)
{
    if (panel->series_count > 0)
        plot->panel_count++;
}

double run_rated_voltage_v(const struct run_data *d)
{
    const struct rating_point *p = &d->run.request.point;
    struct load_point load;
    if (load_point_find(p->process, p->current_a, p->load_voltage_v, &load, NULL) != 0)
        return NAN;
    return load.voltage_v;
}

/* The band is the rating point's; in a panel of phases it is theirs, line to neutral. None where both are shown. */
static void supply_panel(struct plot *plot, const struct run_data *d)
{
    const struct rating_point *p = &d->run.request.point;
    const int *signal = d->bench->channels[d->run.channel].signal;
    bool whole = signal[SIG_U1] >= 0, phases = signal[SIG_U1_A] >= 0;
    struct plot_panel *panel = next_panel(plot, "supply voltage U1 / V");
    add_series(panel, d, SIG_U1, "U1");
    add_series(panel, d, SIG_U1_A, "phase a to neutral");
    add_series(panel, d, SIG_U1_B, "phase b to neutral");
    add_series(panel, d, SIG_U1_C, "phase c to neutral");
    if (p->supply_v > 0 && whole != phases) {
        double rated_v = phases && p->phases == 3 ? p->supply_v / sqrt(3) : p->supply_v;
        panel->has_band = panel->has_line = true;
        panel->band_low = rated_v * (1 - d->bench->limits.u1_void_pct / 100);
        panel->band_high = rated_v * (1 + d->bench->limits.u1_void_pct / 100);
        panel->band_label = "test-condition band";
        panel->line = rated_v;
    }
    keep_panel(plot, panel);
}

static void fill_panels(struct plot *plot, const struct run_data *d)
{
    const struct bench_limits *l = &d->bench->limits;
    double rated_a = d->run.request.point.current_a;
    struct plot_panel *panel = next_panel(plot, "welding current I2 / A");
    add_series(panel, d, SIG_I2, "I2");
    panel->from_zero = true;
    panel->has_band = panel->has_line = true;
    panel->band_low = rated_a * (1 - l->band_low_pct / 100);
    panel->band_high = rated_a * (1 + l->band_high_pct / 100);
    panel->band_label = "test-condition band";
    panel->line = rated_a;
    keep_panel(plot, panel);

    panel = next_panel(plot, "load voltage U2 / V");
    add_series(panel, d, SIG_U2, "U2 at the unit");
    add_series(panel, d, SIG_U_BANK, "at the bank");
    panel->from_zero = true;
    double rated_v = run_rated_voltage_v(d);
    if (!isnan(rated_v)) {
        panel->has_band = panel->has_line = true;
        panel->band_low = rated_v * (1 - l->band_low_pct / 100);
        panel->band_high = rated_v * (1 + l->band_high_pct / 100);
        panel->band_label = "test-condition band";
        panel->line = rated_v;
    }
    keep_panel(plot, panel);

    panel = next_panel(plot, "temperature / degC");
    add_series(panel, d, SIG_T_CASE, "case");
    add_series(panel, d, SIG_T_EXHAUST, "exhaust");
    add_series(panel, d, SIG_T_INTAKE, "intake air");
    add_series(panel, d, SIG_T_LEAD, "lead");
    keep_panel(plot, panel);

    supply_panel(plot, d);

    panel = next_panel(plot, "supply current I1 / A");
    add_series(panel, d, SIG_I1, "I1");
    add_series(panel, d, SIG_I1_A, "I1 phase a");
    add_series(panel, d, SIG_I1_B, "I1 phase b");
    add_series(panel, d, SIG_I1_C, "I1 phase c");
    panel->from_zero = true;
    keep_panel(plot, panel);
}

/* Events worth a mark in the curves. */
static bool is_marked(enum event_kind kind)
{
    switch (kind) {
    case EVENT_SHUTOFF:
    case EVENT_SHUTOFF_REVISED:
    case EVENT_RESET_SEEN:
    case EVENT_INTERLOCK:
    case EVENT_EQUILIBRIUM:
    case EVENT_OUTPUT_REDUCED:
    case EVENT_NEVER_REACHED:
    case EVENT_METER_DOUBT:
    case EVENT_FINDING:
    case EVENT_VERDICT:
    case EVENT_SUPPLY_TRIP:
        return true;
    default:
        return false;
    }
}

/* The kind of event and its words; the words alone where they begin with the kind. */
static void mark_text(char *to, const struct event *e)
{
    const char *what = event_kind_name(e->kind == EVENT_SHUTOFF_REVISED ? EVENT_SHUTOFF : e->kind); /* its last word */
    if (e->kind == EVENT_VERDICT)
        what = verdict_kind_name((enum verdict_kind)e->code);
    char head[TEXT_CAP];
    (void)text_copy(head, sizeof head, what);
    if (e->kind == EVENT_SHUTOFF || e->kind == EVENT_SHUTOFF_REVISED)
        (void)text_append(head, sizeof head, ", %s", shutoff_cause_name((enum shutoff_cause)e->code));
    else if (e->kind == EVENT_INTERLOCK)
        (void)text_append(head, sizeof head, ", %s", interlock_name((enum interlock)e->code));
    if (e->text[0] == '\0')
        (void)text_copy(to, RUN_TEXT_CAP, head);
    else if (strncmp(e->text, what, strlen(what)) == 0)
        (void)text_copy(to, RUN_TEXT_CAP, e->text);
    else
        (void)text_format(to, RUN_TEXT_CAP, "%s: %s", head, e->text);
}

/* Later evidence gave this shutoff another event, which says more. */
static bool is_superseded(const struct run_data *d, const struct event *e)
{
    for (size_t i = 0; i < d->event_count; i++) {
        const struct event *other = &d->events[i].event;
        if (other->kind == EVENT_SHUTOFF_REVISED && other != e && other->values[2] >= (double)e->id &&
            other->values[2] <= (double)e->id)
            return true;
    }
    return false;
}

static int by_time(const void *a, const void *b)
{
    double x = ((const struct plot_mark *)a)->t_s, y = ((const struct plot_mark *)b)->t_s;
    return (x > y) - (x < y);
}

static void fill_marks(struct run_plot *p, const struct run_data *d)
{
    for (size_t i = 0; i < d->event_count && p->plot.mark_count < RUN_MARKS_MAX; i++) {
        const struct event *e = &d->events[i].event;
        double t = run_data_elapsed_s(d, e->at_ns);
        bool shutoff = e->kind == EVENT_SHUTOFF || e->kind == EVENT_SHUTOFF_REVISED;
        if (!is_marked(e->kind) || t < p->plot.t_from_s || t > p->plot.t_to_s + 1 || (shutoff && is_superseded(d, e)))
            continue;
        size_t n = p->plot.mark_count++;
        mark_text(p->mark_texts[n], e);
        p->marks[n] = (struct plot_mark){.t_s = fmin(t, p->plot.t_to_s), .text = p->mark_texts[n]};
    }
    qsort(p->marks, p->plot.mark_count, sizeof p->marks[0], by_time);
    p->plot.marks = p->marks;
}

/* The stretches in the state `on-load`, shaded. */
static int fill_spans(struct run_plot *p, const struct run_data *d)
{
    size_t cap = 0;
    for (size_t i = 0; i < d->event_count; i++)
        cap += d->events[i].event.kind == EVENT_STATE;
    p->spans = calloc(cap + 1, sizeof *p->spans);
    if (p->spans == NULL)
        return -1;
    double begin = NAN;
    for (size_t i = 0; i < d->event_count; i++) {
        const struct event *e = &d->events[i].event;
        if (e->kind != EVENT_STATE)
            continue;
        double t = run_data_elapsed_s(d, e->at_ns);
        if (e->code == STATE_ON_LOAD) {
            begin = t;
        } else if (!isnan(begin)) {
            p->spans[p->plot.span_count++] = (struct plot_span){begin, t};
            begin = NAN;
        }
    }
    if (!isnan(begin))
        p->spans[p->plot.span_count++] = (struct plot_span){begin, d->length_s};
    p->plot.spans = p->spans;
    return 0;
}

static void fill_texts(struct run_plot *p, const struct run_data *d)
{
    char point[128];
    rating_point_print(point, sizeof point, &d->run.request.point);
    (void)text_format(p->title, sizeof p->title, "Run %lld  %s  %s, channel %s", (long long)d->run.run_no,
                      d->run.request.serial, point, d->run.channel_name);
    if (d->run.judged)
        (void)text_format(p->subtitle, sizeof p->subtitle, "%s, verdict %s (basis: %s). %s",
                          procedure_name(d->run.request.procedure), verdict_kind_name(d->run.verdict.kind),
                          basis_name(d->run.verdict.basis), d->run.verdict.reason);
    else
        (void)text_format(p->subtitle, sizeof p->subtitle, "%s, not yet judged",
                          procedure_name(d->run.request.procedure));
    time_t start = (time_t)(d->run.start_utc_us / 1000000);
    struct tm tm;
    char when[40] = "";
    if (gmtime_r(&start, &tm) != NULL)
        (void)strftime(when, sizeof when, "%Y-%m-%d %H:%M:%S UTC", &tm);
    (void)text_format(p->footer, sizeof p->footer, "bench %s, started %s, grey: commanded on-load%s", d->bench->name,
                      when, d->bench->virtual_bench ? ", VIRTUAL BENCH: no real unit was tested" : "");
    p->plot.title = p->title;
    p->plot.subtitle = p->subtitle;
    p->plot.footer = p->footer;
}

int run_plot_init(struct run_plot *p, const struct run_data *data, double from_s, double to_s)
{
    memset(p, 0, sizeof *p);
    p->plot.t_from_s = from_s;
    p->plot.t_to_s = to_s;
    fill_panels(&p->plot, data);
    fill_marks(p, data);
    fill_texts(p, data);
    return fill_spans(p, data);
}

void run_plot_fini(struct run_plot *p)
{
    free(p->spans);
    p->spans = NULL;
}
