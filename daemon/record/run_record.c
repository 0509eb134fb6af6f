#include "run_record.h"

#include <cairo-pdf.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "load_voltage.h"
#include "run_plot.h"

enum { CELL_CAP = 96, INSTRUMENTS_MAX = 16, CYCLES_SHOWN = 24 };

struct record {
    const struct run_data *data;
    const struct record_options *options;
    struct sheet sheet;
};

void run_record_number(char *to, size_t cap, const struct run_data *d)
{
    (void)text_format(to, cap, "%s-%lld-%d", d->bench->name, (long long)d->run.run_no,
                      d->run.judged ? d->run.verdict.revision : 0);
}

static void print_day(char *to, size_t cap, int64_t utc_s)
{
    to[0] = '\0';
    if (utc_s == 0)
        return;
    time_t t = (time_t)utc_s;
    struct tm tm;
    if (gmtime_r(&t, &tm) != NULL)
        (void)strftime(to, cap, "%Y-%m-%d", &tm);
}

static void print_moment(char *to, size_t cap, int64_t utc_us)
{
    to[0] = '\0';
    if (utc_us == 0)
        return;
    time_t t = (time_t)(utc_us / 1000000);
    struct tm tm;
    if (gmtime_r(&t, &tm) != NULL)
        (void)strftime(to, cap, "%Y-%m-%d %H:%M:%S UTC", &tm);
}

/* "value unit", or nothing when there is no value. */
static void print_figure(char *to, size_t cap, const char *format, double value)
{
    to[0] = '\0';
    if (isnan(value))
        return;
    char number[48];
    /* The formats are constants of this file with one %f-like conversion each. */
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
    (void)snprintf(number, sizeof number, format, value);
#pragma GCC diagnostic pop
    (void)text_copy(to, cap, number);
}

static void put_unit(struct record *r)
{
    const struct unit_plate *p = &r->data->unit.plate;
    const struct rating_point *q = &r->data->run.request.point;
    char year[16] = "", version[16], point[CELL_CAP], u2[CELL_CAP], supply[CELL_CAP], i1[CELL_CAP], ambient[CELL_CAP];
    if (p->year != 0)
        (void)text_format(year, sizeof year, "%d", p->year);
    (void)text_format(version, sizeof version, "%d", (int)r->data->run.request.plate_version);
    rating_point_print(point, sizeof point, q);
    struct load_point load;
    u2[0] = '\0';
    if (load_point_find(q->process, q->current_a, q->load_voltage_v, &load, NULL) == 0)
        (void)text_format(u2, sizeof u2, "%.1f V (%s), %.4f ohm", load.voltage_v, load.from_plate ? "plate" : "formula",
                          load.resistance_ohm);
    (void)text_format(supply, sizeof supply, "%g V, %d phase", q->supply_v, q->phases);
    i1[0] = '\0';
    if (!isnan(q->i1max_a) && !isnan(q->i1eff_a))
        (void)text_format(i1, sizeof i1, "%g A / %g A", q->i1max_a, q->i1eff_a);
    (void)text_format(ambient, sizeof ambient, "%g degC, cycle of %g min", q->ambient_degc, q->cycle_s / 60);
    sheet_heading(&r->sheet, "Unit and rating plate");
    const struct sheet_pair pairs[] = {
        {"serial number", p->serial},
        {"asset number", p->asset},
        {"maker", p->maker},
        {"model", p->model},
        {"year", year},
        {"rated by", p->rated_by},
        {"rating point", point},
        {"conventional U2", u2},
        {"supply", supply},
        {"I1max / I1eff", i1},
        {"rated at", ambient},
        {"output control", control_name(q->control)},
        {"thermal protection", protection_name(p->protection)},
        {"plate version", version},
    };
    sheet_pairs(&r->sheet, pairs, (int)(sizeof pairs / sizeof pairs[0]));
}

static void put_job(struct record *r)
{
    const struct run_data *d = r->data;
    const struct record_options *o = r->options;
    char received[32], issued[32], start[48], end[48], safety[TEXT_CAP], pair[CELL_CAP] = "";
    print_day(received, sizeof received, o->received_utc_s);
    print_day(issued, sizeof issued, o->issued_utc_s);
    print_moment(start, sizeof start, d->run.start_utc_us);
    print_moment(end, sizeof end, d->run.end_utc_us);
    if (d->has_inspection) {
        char day[32];
        print_day(day, sizeof day, d->inspection.done_utc_s);
        (void)text_format(safety, sizeof safety, "%s, %s, by %s, sheet %s", d->inspection.passed ? "passed" : "FAILED",
                          day, d->inspection.who, d->inspection.reference);
    } else {
        (void)text_copy(safety, sizeof safety, "not done");
    }
    if (o->pair_role != NULL)
        (void)text_format(pair, sizeof pair, "%s; pairs with run %d", o->pair_role, o->pair_run);
    char bench_channel[CELL_CAP];
    (void)text_format(bench_channel, sizeof bench_channel, "%s, channel %s", d->bench->name, d->run.channel_name);
    sheet_heading(&r->sheet, "Test");
    const struct sheet_pair pairs[] = {
        {"tested at", o->site},
        {"bench, channel", bench_channel},
        {"customer", o->customer},
        {"job", o->job},
        {"received", received},
        {"issued", issued},
        {"begun", start},
        {"ended", end},
        {"procedure", procedure_name(d->run.request.procedure)},
        {"start, as stated", start_condition_name(d->run.request.start)},
        {"tested by", d->run.request.who},
        {"approved by", o->approver},
        {"safety test", safety},
        {"warnings accepted", d->run.request.accepts},
        {"as found / as left", pair},
        {"remark", o->remark},
    };
    sheet_pairs(&r->sheet, pairs, (int)(sizeof pairs / sizeof pairs[0]));
}

static void put_verdict_box(struct record *r)
{
    const struct run_data *d = r->data;
    if (!d->run.judged) {
        sheet_box(&r->sheet, "No verdict yet", "The run has not been judged.");
        return;
    }
    const struct verdict *v = &d->run.verdict;
    char first[TEXT_CAP];
    (void)text_format(first, sizeof first, "Verdict: %s   (basis: %s)", verdict_kind_name(v->kind),
                      basis_name(v->basis));
    char rest[3 * TEXT_CAP];
    (void)text_format(rest, sizeof rest, "%s", v->reason);
    if (v->finding[0] != '\0')
        (void)text_append(rest, sizeof rest, "\nFinding on the installation, not on the unit: %s", v->finding);
    sheet_box(&r->sheet, first, rest);
}

static void put_result(struct record *r)
{
    if (!r->data->run.judged)
        return;
    const struct verdict *v = &r->data->run.verdict;
    char rated[CELL_CAP], on[CELL_CAP], percent[CELL_CAP], conducting[CELL_CAP], band[CELL_CAP],
        shut[CELL_CAP] = "", reset[CELL_CAP], own[CELL_CAP], current[CELL_CAP], voltage[CELL_CAP], supply[CELL_CAP],
        intake[CELL_CAP], drift[CELL_CAP], cycles[CELL_CAP], cause[CELL_CAP];
    (void)text_format(rated, sizeof rated, "%g %% = %.0f s on-load", v->rated_percent_on, v->rated_on_s);
    (void)text_format(on, sizeof on, "%.1f s, U = %.1f s (k = 2)", v->at_rated_s, v->time_uncertainty_s);
    (void)text_format(percent, sizeof percent, "%.2f %% / %.2f %%", v->percent_on_demanded, v->percent_on_delivered);
    print_figure(conducting, sizeof conducting, "%.1f s", v->conducting_s);
    print_figure(band, sizeof band, "%.1f s", v->in_band_s);
    if (!isnan(v->shutoff_s))
        (void)text_format(shut, sizeof shut, "%.1f s, half-width %.1f s", v->shutoff_s, v->shutoff_half_width_s);
    print_figure(reset, sizeof reset, "%.0f s", v->reset_s);
    print_figure(own, sizeof own, "%.1f %%", v->own_percent_on);
    print_figure(current, sizeof current, "%.1f A", v->current_a);
    print_figure(voltage, sizeof voltage, "%.2f V", v->load_voltage_v);
    print_figure(supply, sizeof supply, "%.1f V", v->supply_v);
    print_figure(intake, sizeof intake, "%.1f degC", v->intake_degc);
    print_figure(drift, sizeof drift, "%.2f K/h", v->drift_k_per_h);
    (void)text_format(cycles, sizeof cycles, "%d valid, %d void", (int)v->cycles_valid, (int)v->cycles_void);
    (void)text_format(cause, sizeof cause, "%s", v->cause == CAUSE_NONE ? "none" : shutoff_cause_name(v->cause));
    if (v->cause_second != CAUSE_NONE)
        (void)text_append(cause, sizeof cause, " or %s", shutoff_cause_name(v->cause_second));
    sheet_heading(&r->sheet, "Measured, in the cycle that decided");
    const struct sheet_pair pairs[] = {
        {"rated", rated},           {"at rated current", on}, {"demanded / delivered", percent},
        {"conducting", conducting}, {"in test band", band},   {"shutoff after", shut},
        {"shutoff cause", cause},   {"reset after", reset},   {"unit's own", own},
        {"cycles", cycles},         {"mean I2", current},     {"mean U2", voltage},
        {"mean U1", supply},        {"intake air", intake},   {"drift, upper bound", drift},
    };
    sheet_pairs(&r->sheet, pairs, (int)(sizeof pairs / sizeof pairs[0]));
}

static void put_cycles(struct record *r)
{
    const struct run_data *d = r->data;
    static const char *const heads[] = {"cycle",     "valid", "commanded s", "conducting s", "at rated s",
                                        "in band s", "I2 A",  "U2 V",        "intake degC"};
    enum { COLUMNS = 9 };
    char text[CYCLES_SHOWN + 1][COLUMNS][CELL_CAP];
    int rows = 1, skipped = 0;
    for (int c = 0; c < COLUMNS; c++)
        (void)text_copy(text[0][c], CELL_CAP, heads[c]);
    for (size_t i = 0; i < d->event_count; i++) {
        const struct event *e = &d->events[i].event;
        if (e->kind != EVENT_CYCLE || e->value_count < EVENT_VALUES_MAX)
            continue;
        if (rows > CYCLES_SHOWN) { /* the last cycles tell most */
            memmove(text[1], text[2], (CYCLES_SHOWN - 1) * sizeof text[1]);
            rows--;
            skipped++;
        }
        static const int from[COLUMNS] = {-1,
                                          -1,
                                          CYCLE_COMMANDED_S,
                                          CYCLE_CONDUCTING_S,
                                          CYCLE_AT_RATED_S,
                                          CYCLE_IN_BAND_S,
                                          CYCLE_CURRENT_A,
                                          CYCLE_LOAD_V,
                                          CYCLE_INTAKE_DEGC};
        (void)text_format(text[rows][0], CELL_CAP, "%d", (int)e->code);
        (void)text_copy(text[rows][1], CELL_CAP, e->code2 ? "yes" : "void");
        for (int c = 2; c < COLUMNS; c++)
            print_figure(text[rows][c], CELL_CAP, "%.1f", e->values[from[c]]);
        rows++;
    }
    if (rows == 1)
        return;
    sheet_heading(&r->sheet, "Cycles");
    if (skipped > 0) {
        char line[CELL_CAP];
        (void)text_format(line, sizeof line, "The last %d of %d cycles; the journal holds all.", rows - 1,
                          rows - 1 + skipped);
        sheet_paragraph(&r->sheet, line, 7.5, false);
    }
    const char *cells[(CYCLES_SHOWN + 1) * COLUMNS];
    for (int row = 0; row < rows; row++)
        for (int c = 0; c < COLUMNS; c++)
            cells[row * COLUMNS + c] = text[row][c];
    static const double shares[COLUMNS] = {0.7, 0.7, 1.2, 1.2, 1.1, 1.1, 1, 1, 1.1};
    sheet_table(&r->sheet, cells, rows, COLUMNS, shares);
}

static void print_uncertainty(char *to, size_t cap, const struct bench_signal *g)
{
    const struct uncertainty *u = &g->uncertainty;
    to[0] = '\0';
    if (u->of_reading_pct > 0)
        (void)text_append(to, cap, "%g %% of reading ", u->of_reading_pct);
    if (u->of_range_pct > 0)
        (void)text_append(to, cap, "%s%g %% of %g %s ", to[0] != '\0' ? "+ " : "", u->of_range_pct, u->range,
                          dimension_unit(g->dim));
    if (u->absolute > 0)
        (void)text_append(to, cap, "%s%g %s ", to[0] != '\0' ? "+ " : "", u->absolute,
                          g->dim == DIM_TEMPERATURE ? "K" : dimension_unit(g->dim));
    if (to[0] == '\0')
        (void)text_copy(to, cap, "not stated");
    else if (u->kind == UNC_EXPANDED)
        (void)text_append(to, cap, "(k = %g)", u->k);
    else
        (void)text_append(to, cap, "(limits)");
}

static void put_instruments(struct record *r)
{
    const struct run_data *d = r->data;
    enum { COLUMNS = 5 };
    static const char *const heads[COLUMNS] = {"signal", "device", "certificate", "due", "uncertainty"};
    char text[INSTRUMENTS_MAX + 1][COLUMNS][CELL_CAP];
    for (int c = 0; c < COLUMNS; c++)
        (void)text_copy(text[0][c], CELL_CAP, heads[c]);
    int rows = 1;
    static const enum signal_kind shown[] = {SIG_I2, SIG_U2,       SIG_U_BANK, SIG_U1,        SIG_I1,
                                             SIG_P1, SIG_T_INTAKE, SIG_T_CASE, SIG_T_EXHAUST, SIG_T_LEAD};
    const struct bench_channel *channel = &d->bench->channels[d->run.channel];
    for (size_t i = 0; i < sizeof shown / sizeof shown[0]; i++) {
        int index = channel->signal[shown[i]];
        if (index < 0 || rows > INSTRUMENTS_MAX)
            continue;
        const struct bench_signal *g = &d->bench->signals[index];
        (void)text_copy(text[rows][0], CELL_CAP, g->name);
        (void)text_copy(text[rows][1], CELL_CAP, g->device >= 0 ? d->bench->devices[g->device].name : "");
        (void)text_copy(text[rows][2], CELL_CAP, g->certificate[0] != '\0' ? g->certificate : "none stated");
        print_day(text[rows][3], CELL_CAP, g->calibration_due_utc_s);
        print_uncertainty(text[rows][4], CELL_CAP, g);
        rows++;
    }
    const char *cells[(INSTRUMENTS_MAX + 1) * COLUMNS];
    for (int row = 0; row < rows; row++)
        for (int c = 0; c < COLUMNS; c++)
            cells[row * COLUMNS + c] = text[row][c];
    static const double shares[COLUMNS] = {1, 1.2, 1.4, 1, 3};
    sheet_heading(&r->sheet, "Meters");
    sheet_table(&r->sheet, cells, rows, COLUMNS, shares);
}

static void put_claims(struct record *r)
{
    const struct run_data *d = r->data;
    sheet_heading(&r->sheet, "What this record claims, and what it does not");
    sheet_paragraph(&r->sheet,
                    "Decision rule: the time at or above rated current, less its expanded uncertainty (k = 2, about "
                    "95 %), must reach the rated on-load time for a pass; a shutoff by the unit itself before the "
                    "rated time, beyond the same uncertainty, is a fail; what lies between is undecided. At the limit, "
                    "the risk of a false pass from timing is at most about 2.5 %. Deviations that are kind to the unit "
                    "(cold start, cool intake air, low current or voltage) never support a pass beyond the basis "
                    "named; harsh ones never support a fail.",
                    7.5, false);
    sheet_paragraph(&r->sheet,
                    "Load conditions taken from the conventional load voltage of IEC 60974-1 (a resistive load stands "
                    "for the arc). Case and exhaust temperatures stand in for the parts inside. Nothing here is a type "
                    "test or a claim of conformity or accreditation. Torches, guns and the customer's own leads and "
                    "supply were not part of the test. This record relates only to the item tested.",
                    7.5, false);
    sheet_paragraph(&r->sheet,
                    "Caution: mains and welding outputs can kill, load banks and leads burn. Testing is for qualified "
                    "people, under local electrical rules and the makers' instructions, with a hard-wired emergency "
                    "stop and guards.",
                    7.5, false);
    if (d->bench->virtual_bench)
        sheet_paragraph(&r->sheet, "VIRTUAL BENCH: these figures come from a simulation. No real unit was tested.", 9,
                        true);
    char hex[DIGEST_HEX_CAP];
    digest_print(&d->run_digest, hex);
    char line[512];
    (void)text_format(line, sizeof line,
                      "Digest of the run's record (SHA-256): %s. Judged by rules version %d, engine %s, software %s.",
                      hex, d->run.judged ? d->run.verdict.rules_version : 0, d->session.engine_version,
                      r->options->version);
    sheet_paragraph(&r->sheet, line, 7, false);
}

/* Long runs are cut into pages of at most four hours. */
static int put_curves(struct record *r)
{
    const double page_s = 4 * 3600;
    double length = r->data->length_s > 1 ? r->data->length_s : 1;
    int pages = (int)ceil(length / page_s);
    for (int i = 0; i < pages; i++) {
        double to = fmin(length, (i + 1) * page_s);
        struct run_plot plot;
        int rc = run_plot_init(&plot, r->data, i * page_s, to);
        if (rc == 0) {
            sheet_new_page(&r->sheet);
            plot_draw(r->sheet.cr, &plot.plot, r->sheet.margin - 20, r->sheet.y,
                      r->sheet.width - 2 * r->sheet.margin + 26, sheet_room(&r->sheet));
        }
        run_plot_fini(&plot);
        if (rc != 0)
            return -1;
    }
    return 0;
}

static int draw_document(struct record *r, cairo_t *cr, int page_count)
{
    char number[CELL_CAP];
    run_record_number(number, sizeof number, r->data);
    (void)text_format(r->sheet.head, sizeof r->sheet.head, "record %s", number);
    (void)text_format(r->sheet.foot, sizeof r->sheet.foot, "%s  unit %s  relates only to the item tested",
                      r->options->site != NULL ? r->options->site : r->data->bench->name, r->data->run.request.serial);
    sheet_begin(&r->sheet, cr, r->options->paper, page_count);
    char title[CELL_CAP];
    (void)text_format(title, sizeof title, "Duty cycle check: record %s", number);
    sheet_title(&r->sheet, title);
    if (r->data->run.judged && r->data->run.verdict.revision > 1)
        sheet_paragraph(&r->sheet, "This revision supersedes all earlier ones.", 8, true);
    put_verdict_box(r);
    put_unit(r);
    put_job(r);
    put_result(r);
    put_cycles(r);
    put_instruments(r);
    put_claims(r);
    if (put_curves(r) != 0)
        return -1;
    sheet_end(&r->sheet);
    return 0;
}

/* Draws the whole document on a surface; returns the number of pages or -1. */
static int draw_on(cairo_surface_t *surface, const struct run_data *data, const struct record_options *options,
                   int page_count)
{
    struct record r = {.data = data, .options = options};
    cairo_t *cr = cairo_create(surface);
    int rc = draw_document(&r, cr, page_count);
    cairo_status_t status = cairo_status(cr);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        status = cairo_surface_status(surface);
    return rc == 0 && status == CAIRO_STATUS_SUCCESS ? r.sheet.page : -1;
}

static cairo_status_t discard(void *closure, const unsigned char *data, unsigned int length)
{
    (void)closure;
    (void)data;
    (void)length;
    return CAIRO_STATUS_SUCCESS;
}

int run_record_write(const struct run_data *data, const struct record_options *options, const char *path,
                     struct error *err)
{
    double width, height;
    paper_size(options->paper, &width, &height);
    char temporary[4096];
    if (text_format(temporary, sizeof temporary, "%s.part", path) != 0)
        return error_set(err, "%s: the file name is too long", path);
    cairo_surface_t *counter = cairo_pdf_surface_create_for_stream(discard, NULL, width, height);
    int pages = draw_on(counter, data, options, 0);
    cairo_surface_destroy(counter);
    if (pages < 0)
        return error_set(err, "the record of run %lld could not be laid out: memory is short",
                         (long long)data->run.run_no);
    cairo_surface_t *surface = cairo_pdf_surface_create(temporary, width, height);
    if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
        cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, "Duty cycle check");
        cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATOR, "soakbench");
    }
    int drawn = draw_on(surface, data, options, pages);
    cairo_surface_destroy(surface);
    if (drawn != pages) {
        (void)remove(temporary);
        return error_set(err, "%s: the record could not be written; is the folder there and writable?", path);
    }
    if (rename(temporary, path) != 0) {
        int why = errno;
        (void)remove(temporary);
        return error_set(err, "%s: the record could not be put in place (error %d)", path, why);
    }
    return 0;
}
