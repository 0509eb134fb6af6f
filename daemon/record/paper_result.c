/* What was measured, with its uncertainty; the cycles; the other run of a pair; the meters. */
#include <math.h>
#include <string.h>

#include "budget.h"
#include "paper_parts.h"
#include "uncertainty.h"

enum { METERS_MAX = 16, CYCLES_SHOWN = 18 };

/* Timing is the least of it: the percent-on that belongs to the rated current hangs on I2, U2 and the air. */
static void put_percent_on_uncertainty(struct record *r, const struct verdict *v)
{
    const struct rating_point *q = &r->data->run.request.point;
    const struct bench_signal *i2 = paper_signal(r->data, SIG_I2), *u2 = paper_signal(r->data, SIG_U2),
                              *air = paper_signal(r->data, SIG_T_INTAKE);
    if (!(v->percent_on_delivered > 0) || !(v->current_a > 0) || !(v->load_voltage_v > 0) || i2 == NULL || u2 == NULL)
        return;
    struct percent_on_influences in = {
        .percent_on = v->percent_on_delivered,
        .cycle_s = q->cycle_s,
        .current_a = v->current_a,
        .u_current_a = uncertainty_standard(&i2->uncertainty, v->current_a),
        .load_voltage_v = v->load_voltage_v,
        .u_load_voltage_v = uncertainty_standard(&u2->uncertainty, v->load_voltage_v),
        .load_voltage_exponent = 0.5,
        .headroom_k = 65, /* trip point over 40 degC: common practice, no published source */
        .u_ambient_k =
            air != NULL && !isnan(v->intake_degc) ? uncertainty_standard(&air->uncertainty, v->intake_degc) : 0,
        .supply_v = q->supply_v > 0 ? q->supply_v : 1,
        .supply_exponent = 0.5,
        .u_on_load_s = v->time_uncertainty_s / 2,
    };
    struct budget b;
    if (budget_percent_on(&b, &in, NULL) != 0 || budget_finish(&b, COVERAGE_95_45, NULL) != 0)
        return;
    char line[2 * TEXT_CAP];
    (void)text_format(line, sizeof line,
                      "Percent-on delivered: U = %.2f %% (k = 2) from timing alone; U = %.2f %% (k = %.1f) when it is "
                      "referred to the current, load voltage and intake air that were measured (square law; 65 K of "
                      "headroom assumed).",
                      100 * v->time_uncertainty_s / q->cycle_s, b.expanded, b.k);
    sheet_paragraph(&r->sheet, line, 7.5, false);
}

void paper_result(struct record *r)
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
    paper_figure(conducting, sizeof conducting, v->conducting_s, 1, "s");
    paper_figure(band, sizeof band, v->in_band_s, 1, "s");
    if (!isnan(v->shutoff_s))
        (void)text_format(shut, sizeof shut, "%.1f s, half-width %.1f s", v->shutoff_s, v->shutoff_half_width_s);
    paper_figure(reset, sizeof reset, v->reset_s, 0, "s");
    paper_figure(own, sizeof own, v->own_percent_on, 1, "%");
    paper_measured(current, sizeof current, r->data, SIG_I2, v->current_a, 1, "A");
    paper_measured(voltage, sizeof voltage, r->data, SIG_U2, v->load_voltage_v, 2, "V");
    paper_measured_supply(supply, sizeof supply, r->data, v->supply_v);
    paper_measured(intake, sizeof intake, r->data, SIG_T_INTAKE, v->intake_degc, 1, "degC");
    paper_figure(drift, sizeof drift, v->drift_k_per_h, 2, "K/h");
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
    put_percent_on_uncertainty(r, v);
}

void paper_cycles(struct record *r)
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
            paper_figure(text[rows][c], CELL_CAP, e->values[from[c]], 1, "");
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

void paper_meters(struct record *r)
{
    const struct run_data *d = r->data;
    enum { COLUMNS = 5 };
    static const char *const heads[COLUMNS] = {"signal", "device", "certificate", "due", "uncertainty"};
    char text[METERS_MAX + 1][COLUMNS][CELL_CAP];
    for (int c = 0; c < COLUMNS; c++)
        (void)text_copy(text[0][c], CELL_CAP, heads[c]);
    int rows = 1;
    static const enum signal_kind shown[] = {SIG_I2,       SIG_U2,     SIG_U_BANK,    SIG_U1,    SIG_U1_A, SIG_U1_B,
                                             SIG_U1_C,     SIG_I1,     SIG_I1_A,      SIG_I1_B,  SIG_I1_C, SIG_P1,
                                             SIG_T_INTAKE, SIG_T_CASE, SIG_T_EXHAUST, SIG_T_LEAD};
    const struct bench_channel *channel = &d->bench->channels[d->run.channel];
    for (size_t i = 0; i < sizeof shown / sizeof shown[0]; i++) {
        int index = channel->signal[shown[i]];
        if (index < 0 || rows > METERS_MAX)
            continue;
        const struct bench_signal *g = &d->bench->signals[index];
        (void)text_copy(text[rows][0], CELL_CAP, g->name);
        (void)text_copy(text[rows][1], CELL_CAP, g->device >= 0 ? d->bench->devices[g->device].name : "");
        (void)text_copy(text[rows][2], CELL_CAP, g->certificate[0] != '\0' ? g->certificate : "none stated");
        paper_day(text[rows][3], CELL_CAP, g->calibration_due_utc_s);
        print_uncertainty(text[rows][4], CELL_CAP, g);
        rows++;
    }
    const char *cells[(METERS_MAX + 1) * COLUMNS];
    for (int row = 0; row < rows; row++)
        for (int c = 0; c < COLUMNS; c++)
            cells[row * COLUMNS + c] = text[row][c];
    static const double shares[COLUMNS] = {1, 1.2, 1.4, 1, 3};
    sheet_heading(&r->sheet, "Meters");
    sheet_table(&r->sheet, cells, rows, COLUMNS, shares);
}

static void pair_column(char (*column)[CELL_CAP], const struct run_data *d, const char *role)
{
    const struct verdict *v = &d->run.verdict;
    (void)text_copy(column[0], CELL_CAP, role);
    (void)text_format(column[1], CELL_CAP, "run %lld", (long long)d->run.run_no);
    paper_day(column[2], CELL_CAP, d->run.start_utc_us / 1000000);
    for (int i = 3; i < 9; i++)
        column[i][0] = '\0';
    if (!d->run.judged)
        return;
    (void)text_format(column[3], CELL_CAP, "%s (%s)", verdict_kind_name(v->kind), basis_name(v->basis));
    (void)text_format(column[4], CELL_CAP, "%.1f s of %.0f s", v->at_rated_s, v->rated_on_s);
    (void)text_copy(column[5], CELL_CAP, v->cause == CAUSE_NONE ? "none" : shutoff_cause_name(v->cause));
    paper_figure(column[6], CELL_CAP, v->reset_s, 0, "s");
    paper_figure(column[7], CELL_CAP, v->current_a, 1, "A");
    paper_figure(column[8], CELL_CAP, v->intake_degc, 1, "degC");
}

void paper_pair(struct record *r)
{
    enum { ROWS = 9, COLUMNS = 3 };
    static const char *const names[ROWS] = {"",        "run",         "begun",   "verdict",   "at rated current",
                                            "shutoff", "reset after", "mean I2", "intake air"};
    const struct run_data *other = r->options->pair;
    if (other == NULL || r->options->pair_role == NULL)
        return;
    bool found_first = strcmp(r->options->pair_role, "as left") == 0;
    char text[2][ROWS][CELL_CAP];
    pair_column(text[0], found_first ? other : r->data, "as found");
    pair_column(text[1], found_first ? r->data : other, "as left");
    const char *cells[ROWS * COLUMNS];
    for (int row = 0; row < ROWS; row++) {
        cells[row * COLUMNS] = names[row];
        cells[row * COLUMNS + 1] = text[0][row];
        cells[row * COLUMNS + 2] = text[1][row];
    }
    static const double shares[COLUMNS] = {1, 2, 2};
    sheet_heading(&r->sheet, "As found and as left");
    sheet_table(&r->sheet, cells, ROWS, COLUMNS, shares);
}
