/* The conditions of a run: start as stated and as judged, air, altitude, supply with its extension, load path, and
 * every deviation from the plate's own conditions, sorted as kind or harsh to the unit. */
#include <math.h>
#include <string.h>

#include "deviation.h"
#include "load_voltage.h"
#include "paper_parts.h"
#include "run_plot.h"

enum { DEVIATIONS_MAX = 16 };

/* The preflight said why the start counts as cold or warm. */
static const char *judged_start(const struct run_data *d)
{
    static const char name[] = "start: ";
    for (size_t i = 0; i < d->event_count; i++) {
        const struct event *e = &d->events[i].event;
        if (e->kind == EVENT_PREFLIGHT && strncmp(e->text, name, sizeof name - 1) == 0)
            return e->text + sizeof name - 1;
    }
    return "";
}

static void print_circuit(char *to, size_t cap, const struct run_data *d)
{
    int index = d->bench->channels[d->run.channel].circuit;
    if (index < 0) {
        (void)text_copy(to, cap, "none: engine or battery");
        return;
    }
    const struct bench_circuit *c = &d->bench->circuits[index];
    (void)text_format(to, cap, "%s, %g V", c->name, c->voltage_v);
    if (c->breaker.rated_a > 0 && c->breaker.curve != 0)
        (void)text_append(to, cap, ", breaker %g A curve %c", c->breaker.rated_a, c->breaker.curve);
    else if (c->breaker.rated_a > 0)
        (void)text_append(to, cap, ", breaker %g A", c->breaker.rated_a);
    if (c->loop_ohm > 0)
        (void)text_append(to, cap, ", loop and extension %.2f ohm", c->loop_ohm);
    else
        (void)text_append(to, cap, ", extension not stated");
}

static void print_path(char *to, size_t cap, const struct bench_channel *channel)
{
    to[0] = '\0';
    for (int i = 0; i < channel->path_count; i++) {
        const struct path_part *p = &channel->path[i];
        const char *between = i > 0 ? "; " : "";
        if (p->is_cable)
            (void)text_append(to, cap, "%scable %g mm2, %g m", between, p->area_mm2, p->length_m);
        else
            (void)text_append(to, cap, "%sconnector %g A at %g %%", between, p->current_a, p->percent_on);
    }
}

/* What was seen and what the plate wants, for one deviation. */
static void deviation_figures(const struct run_data *d, enum deviation bit, char *seen, char *wanted)
{
    const struct verdict *v = &d->run.verdict;
    const struct rating_point *q = &d->run.request.point;
    seen[0] = wanted[0] = '\0';
    switch (bit) {
    case KIND_COLD_START:
        (void)text_copy(seen, CELL_CAP, "equilibrium not reached");
        (void)text_copy(wanted, CELL_CAP, "equilibrium");
        break;
    case KIND_COOL_INTAKE:
    case HARSH_HOT_INTAKE:
        paper_figure(seen, CELL_CAP, v->intake_degc, 1, "degC");
        paper_figure(wanted, CELL_CAP, q->ambient_degc, 0, "degC");
        break;
    case KIND_I2_LOW:
    case HARSH_I2_HIGH:
        paper_figure(seen, CELL_CAP, v->current_a, 1, "A");
        paper_figure(wanted, CELL_CAP, q->current_a, 1, "A");
        break;
    case KIND_U2_LOW:
    case HARSH_U2_HIGH:
        paper_figure(seen, CELL_CAP, v->load_voltage_v, 2, "V");
        paper_figure(wanted, CELL_CAP, run_rated_voltage_v(d), 2, "V");
        break;
    case KIND_LONG_PAUSE:
        (void)text_copy(seen, CELL_CAP, "pauses longer than planned");
        break;
    case HARSH_HEAVY_CYCLE:
        (void)text_copy(seen, CELL_CAP, "more on-load than rated before");
        break;
    case HARSH_ALTITUDE:
        paper_figure(seen, CELL_CAP, d->bench->limits.altitude_m, 0, "m");
        (void)text_copy(wanted, CELL_CAP, "up to 1000 m");
        break;
    case HARSH_SUPPLY:
        paper_figure(seen, CELL_CAP, v->supply_v, 1, "V");
        if (fabs(v->supply_v - q->supply_v) <= q->supply_v * d->bench->limits.u1_void_pct / 100)
            (void)text_append(seen, CELL_CAP, ", one phase farther off");
        paper_figure(wanted, CELL_CAP, q->supply_v, 0, "V");
        break;
    }
    if (seen[0] == '\0')
        (void)text_copy(seen, CELL_CAP, "not seen");
}

static void put_deviations(struct record *r)
{
    enum { COLUMNS = 4 };
    const struct verdict *v = &r->data->run.verdict;
    if (!r->data->run.judged || r->data->run.request.procedure == PROCEDURE_SURVEY)
        return;
    if (v->deviations == 0) {
        sheet_paragraph(&r->sheet, "No deviation from the plate's own conditions was seen.", 8, false);
        return;
    }
    char text[DEVIATIONS_MAX + 1][COLUMNS][CELL_CAP] = {{"deviation", "seen", "rated", "what it bars"}};
    int count, rows = 1;
    const struct deviation_rule *rules = deviation_rules(&count);
    for (int i = 0; i < count && rows <= DEVIATIONS_MAX; i++) {
        if ((v->deviations & (uint32_t)rules[i].bit) == 0)
            continue;
        (void)text_copy(text[rows][0], CELL_CAP, rules[i].name);
        deviation_figures(r->data, rules[i].bit, text[rows][1], text[rows][2]);
        (void)text_copy(text[rows][3], CELL_CAP,
                        rules[i].bars_not_met           ? "a fail for this unit"
                        : rules[i].bars_held            ? "every form of a pass"
                        : rules[i].bars_met_equilibrium ? "met: held is the most"
                                                        : "met at 40 degC; the basis names the air");
        rows++;
    }
    const char *cells[(DEVIATIONS_MAX + 1) * COLUMNS];
    for (int row = 0; row < rows; row++)
        for (int c = 0; c < COLUMNS; c++)
            cells[row * COLUMNS + c] = text[row][c];
    static const double shares[COLUMNS] = {1.4, 1.4, 1, 2.2};
    sheet_table(&r->sheet, cells, rows, COLUMNS, shares);
}

void paper_conditions(struct record *r)
{
    const struct run_data *d = r->data;
    const struct bench_channel *channel = &d->bench->channels[d->run.channel];
    char altitude[CELL_CAP] = "not stated", circuit[TEXT_CAP], path[2 * TEXT_CAP], start[2 * TEXT_CAP];
    if (d->bench->limits.altitude_m > 0)
        paper_figure(altitude, sizeof altitude, d->bench->limits.altitude_m, 0, "m");
    print_circuit(circuit, sizeof circuit, d);
    print_path(path, sizeof path, channel);
    (void)text_format(start, sizeof start, "stated %s; judged %s", start_condition_name(d->run.request.start),
                      judged_start(d)[0] != '\0' ? judged_start(d) : "by the journal alone");
    sheet_heading(&r->sheet, "Conditions, and deviations from the plate's own");
    const struct sheet_pair pairs[] = {
        {"start", start},
        {"altitude", altitude},
        {"supply circuit", circuit},
        {"load path", path},
        {"U2 sensed at", channel->u2_at_bank ? "the bank" : "the unit"},
        {"set-up sheet", d->run.request.setup_confirmed ? "confirmed" : "not confirmed"},
    };
    sheet_pairs(&r->sheet, pairs, (int)(sizeof pairs / sizeof pairs[0]));
    r->sheet.y += 4;
    put_deviations(r);
}
