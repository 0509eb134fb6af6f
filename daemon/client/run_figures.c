#include "run_figures.h"

#include <math.h>
#include <string.h>

#include "client.h"

static void figure_line(const struct screen *s, const char *label, double value, int digits, const char *unit)
{
    char text[48];
    if (!isfinite(value))
        return;
    print_figure(text, sizeof text, value, digits, unit);
    fprintf(s->out, "  %-34s %s\n", label, text);
}

void print_estimate(const struct screen *s, const json_t *events)
{
    const char *text = "";
    size_t i;
    json_t *event;
    json_array_foreach((json_t *)events, i, event)
    {
        if (strcmp(get_word(event, "kind"), "estimate") == 0)
            text = get_word(event, "text");
    }
    if (!text[0])
        return;
    fputs("  by the course of its heating, ", s->out);
    print_wrapped(s, 4, text);
}

void print_judgement_figures(const struct screen *s, const json_t *j)
{
    figure_line(s, "rated on-load time", get_figure(j, "rated_on_s"), 1, "s");
    figure_line(s, "commanded", get_figure(j, "commanded_s"), 1, "s");
    figure_line(s, "conducting", get_figure(j, "conducting_s"), 1, "s");
    figure_line(s, "at or above rated current", get_figure(j, "at_rated_s"), 1, "s");
    figure_line(s, "in the test-condition band", get_figure(j, "in_band_s"), 1, "s");
    figure_line(s, "percent-on demanded", get_figure(j, "percent_on_demanded"), 2, "%");
    figure_line(s, "percent-on delivered", get_figure(j, "percent_on_delivered"), 2, "%");
    figure_line(s, "shutoff after", get_figure(j, "shutoff_s"), 1, "s");
    figure_line(s, "  known to within +/-", get_figure(j, "shutoff_half_width_s"), 2, "s");
    figure_line(s, "time to reset", get_figure(j, "reset_s"), 1, "s");
    figure_line(s, "own percent-on, measured", get_figure(j, "own_percent_on"), 1, "%");
    figure_line(s, "uncertainty of time (U, k = 2)", get_figure(j, "time_uncertainty_s"), 2, "s");
    figure_line(s, "I2, mean", get_figure(j, "current_a"), 1, "A");
    figure_line(s, "U2, mean", get_figure(j, "load_voltage_v"), 2, "V");
    figure_line(s, "U1, mean", get_figure(j, "supply_v"), 1, "V");
    figure_line(s, "intake air", get_figure(j, "intake_degc"), 1, "degC");
    figure_line(s, "drift, upper bound", get_figure(j, "drift_k_per_h"), 2, "K/h");
    const json_t *deviations = json_object_get(j, "deviations");
    if (json_array_size(deviations) == 0)
        return;
    fputs("  departs from the plate's conditions: ", s->out);
    for (size_t i = 0; i < json_array_size(deviations); i++)
        fprintf(s->out, "%s%s", i ? ", " : "", json_string_value(json_array_get(deviations, i)));
    fputc('\n', s->out);
}

void print_cycles(const struct screen *s, const json_t *events)
{
    const struct column columns[] = {
        {"cycle", true, false, false},      {"valid", false, false, false},   {"commanded", true, false, false},
        {"conducting", true, false, false}, {"at rated", true, false, false}, {"in band", true, false, false},
        {"I2", true, false, false},         {"U2", true, false, false},       {"U1", true, false, false},
        {"intake", true, false, false},     {"remark", false, true, false}};
    static const struct {
        int digits;
        const char *unit;
    } forms[] = {{1, "s"}, {1, "s"}, {1, "s"}, {1, "s"}, {1, "A"}, {2, "V"}, {1, "V"}, {1, "degC"}};
    struct table *t = table_new(columns, 11);
    size_t i, cycles = 0;
    json_t *event;
    json_array_foreach((json_t *)events, i, event)
    {
        if (strcmp(get_word(event, "kind"), "cycle") != 0)
            continue;
        const json_t *values = json_object_get(event, "values");
        table_cell(t, "%lld", (long long)get_whole(event, "code"));
        table_cell(t, "%s", get_whole(event, "code2") ? "yes" : "void");
        for (size_t v = 0; v < sizeof forms / sizeof forms[0]; v++) {
            const json_t *value = json_array_get(values, v);
            char text[48];
            print_figure(text, sizeof text, json_is_number(value) ? json_number_value(value) : NAN, forms[v].digits,
                         forms[v].unit);
            table_cell(t, "%s", text);
        }
        table_cell(t, "%s", get_word(event, "text"));
        cycles++;
    }
    if (cycles)
        table_print(t, s);
    table_free(t);
}
