#include "calc.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#include "conformity.h"
#include "global_risk.h"
#include "json_build.h"
#include "lead.h"
#include "load_voltage.h"
#include "sensor.h"

static struct calc_line *next_line(struct calc *calc)
{
    return calc->count < CALC_LINES_MAX ? &calc->lines[calc->count++] : &calc->lines[CALC_LINES_MAX - 1];
}

void calc_figure(struct calc *calc, const char *key, const char *label, double value, int digits, const char *unit)
{
    *next_line(calc) = (struct calc_line){.key = key, .label = label, .value = value, .digits = digits, .unit = unit};
}

void calc_word(struct calc *calc, const char *key, const char *label, const char *text)
{
    struct calc_line *line = next_line(calc);
    *line = (struct calc_line){.key = key, .label = label};
    (void)text_copy(line->text, sizeof line->text, text);
}

void calc_remark(struct calc *calc, const char *format, ...)
{
    struct calc_line *line = next_line(calc);
    *line = (struct calc_line){.label = ""};
    va_list args;
    va_start(args, format);
    (void)vsnprintf(line->text, sizeof line->text, format, args);
    va_end(args);
}

static void print_line(const struct screen *s, const struct calc_line *line)
{
    char text[64];
    if (!line->label)
        return;
    if (!line->label[0]) {
        print_wrapped(s, 0, line->text);
        return;
    }
    if (line->text[0]) {
        fprintf(s->out, "%-32s %s\n", line->label, line->text);
        return;
    }
    print_figure(text, sizeof text, line->value, line->digits, line->unit);
    fprintf(s->out, "%-32s %s\n", line->label, text);
}

int calc_print(struct calc *calc, int status)
{
    struct json_build b = build_begin();
    for (int i = 0; i < calc->count; i++) {
        const struct calc_line *line = &calc->lines[i];
        if (!calc->client->json)
            print_line(&calc->client->screen, line);
        else if (line->key && line->text[0])
            build_text(&b, line->key, line->text);
        else if (line->key)
            build_figure(&b, line->key, line->value);
    }
    if (calc->list_key)
        build_add(&b, calc->list_key, calc->list);
    json_t *object = build_end(&b);
    if (!calc->client->json) {
        json_decref(object);
        return status;
    }
    return client_print_json(calc->client, object) == EXIT_DONE ? status : EXIT_REFUSED;
}

int command_calc_load(struct client *c, const struct arguments *args)
{
    struct calc calc = {.client = c};
    struct load_point point;
    struct error err = {{0}};
    enum process process;
    const char *name = argument_text(args, "--process", NULL);
    if (!name || !argument(args, "--current")->given)
        return client_wrong_use(c, "calc load needs --process NAME and --current \"200 A\"");
    if (process_parse(name, &process) != 0) {
        error_set(&err, "process \"%s\" is not known; one of mma, tig, mig, saw, plasma-cut, plasma-weld, plasma-gouge",
                  name);
        return client_failed(c, &err);
    }
    if (load_point_find(process, argument_number(args, "--current", NAN), argument_number(args, "--plate-voltage", NAN),
                        &point, &err) != 0)
        return client_failed(c, &err);
    calc_word(&calc, "process", "process", process_name(process));
    calc_figure(&calc, "current_a", "welding current I2", point.current_a, 1, "A");
    calc_figure(&calc, "load_voltage_v", "load voltage U2", point.voltage_v, 2, "V");
    calc_figure(&calc, "resistance_ohm", "resistance", point.resistance_ohm, 5, "ohm");
    calc_figure(&calc, "conductance_s", "conductance", point.conductance_s, 4, "S");
    calc_figure(&calc, "power_w", "power", point.power_w, 1, "W");
    if (point.from_plate)
        calc_remark(&calc, "U2 is the one given, which wins over the rule.");
    else if (point.from_memory)
        calc_remark(&calc, "This piece of the rule is from memory: confirm it against the standard.");
    else
        calc_remark(&calc, "Conventional load voltage as ascribed to IEC 60974-1.");
    return calc_print(&calc, EXIT_DONE);
}

int command_calc_lead(struct client *c, const struct arguments *args)
{
    struct calc calc = {.client = c};
    struct error err = {{0}};
    double current_a = argument_number(args, "--current", NAN);
    double percent_on = argument_number(args, "--percent-on", NAN);
    double at_pct = argument_number(args, "--at-percent-on", NAN);
    double at_a = argument_number(args, "--at-current", NAN);
    if (!isfinite(current_a) || !isfinite(percent_on) || isfinite(at_pct) == isfinite(at_a))
        return client_wrong_use(c,
                                "calc lead needs --current \"200 A\", --percent-on 60 and either --at-percent-on 100 "
                                "or --at-current \"150 A\"");
    if (isfinite(at_pct) ? equivalent_current(current_a, percent_on, at_pct, &at_a, &err) != 0
                         : equivalent_percent_on(current_a, percent_on, at_a, &at_pct, &err) != 0)
        return client_failed(c, &err);
    calc_figure(&calc, "current_a", "current", current_a, 1, "A");
    calc_figure(&calc, "percent_on", "at percent-on", percent_on, 1, "%");
    calc_figure(&calc, "equivalent_current_a", "same heat at current", at_a, 1, "A");
    calc_figure(&calc, "equivalent_percent_on", "and percent-on", at_pct, 1, "%");
    double rated_a = argument_number(args, "--rated-current", NAN);
    double rated_pct = argument_number(args, "--rated-percent-on", 100.0);
    double length_m = argument_number(args, "--length", NAN), area_mm2 = argument_number(args, "--area", NAN);
    double run_a = NAN, allowed_a = NAN, ohm_per_m = NAN;
    if (isfinite(rated_a)) {
        if (equivalent_current(rated_a, rated_pct, percent_on, &allowed_a, &err) != 0 ||
            equivalent_current(current_a, percent_on, rated_pct, &run_a, &err) != 0)
            return client_failed(c, &err);
        calc_figure(&calc, "allowed_current_a", "the lead carries at this percent-on", allowed_a, 1, "A");
        calc_figure(&calc, "loading_pct", "loaded to", 100.0 * run_a / rated_a, 0, "% of its rating");
    }
    if (isfinite(area_mm2) && isfinite(length_m)) {
        if (cable_resistance(area_mm2, &ohm_per_m, &err) != 0)
            return client_failed(c, &err);
        calc_figure(&calc, "lead_resistance_ohm", "its resistance at 20 degC", ohm_per_m * length_m, 5, "ohm");
        calc_figure(&calc, "drop_v", "volt drop", ohm_per_m * length_m * current_a, 3, "V");
    }
    calc_remark(&calc, "Square law (I2 x X constant): leaves out no-load losses and time constants near the cycle's "
                       "length. Many lead tables are on a cycle of 5 min, power sources on 10 min.");
    return calc_print(&calc, EXIT_DONE);
}

static int thermocouple_figures(struct calc *calc, const struct arguments *args, enum thermocouple type,
                                struct error *err)
{
    double emf_mv = argument_number(args, "--emf-mv", NAN);
    double t_degc = argument_number(args, "--temperature-degc", NAN);
    double cold_degc = argument_number(args, "--cold-junction-degc", 0.0), cold_mv;
    if (thermocouple_emf(type, cold_degc, &cold_mv, err) != 0)
        return -1;
    if (isfinite(emf_mv)) {
        if (thermocouple_compensated(type, emf_mv, cold_degc, &t_degc, err) != 0)
            return -1;
    } else {
        if (thermocouple_emf(type, t_degc, &emf_mv, err) != 0)
            return -1;
        emf_mv -= cold_mv;
    }
    calc_word(calc, "type", "thermocouple", thermocouple_letter(type));
    calc_figure(calc, "emf_mv", "emf", emf_mv, 4, "mV");
    calc_figure(calc, "cold_junction_degc", "cold junction", cold_degc, 2, "degC");
    calc_figure(calc, "temperature_degc", "temperature", t_degc, 3, "degC");
    calc_remark(calc, "ITS-90 reference function.");
    return 0;
}

static int platinum_figures(struct calc *calc, const struct arguments *args, double r0_ohm, struct error *err)
{
    double ohm = argument_number(args, "--resistance-ohm", NAN);
    double t_degc = argument_number(args, "--temperature-degc", NAN);
    if (isfinite(ohm) ? platinum_temperature(r0_ohm, ohm, &t_degc, err) != 0
                      : platinum_resistance(r0_ohm, t_degc, &ohm, err) != 0)
        return -1;
    calc_word(calc, "type", "platinum resistor", r0_ohm > 500.0 ? "pt1000" : "pt100");
    calc_figure(calc, "resistance_ohm", "resistance", ohm, 4, "ohm");
    calc_figure(calc, "temperature_degc", "temperature", t_degc, 3, "degC");
    calc_remark(calc, "IEC 60751.");
    return 0;
}

int command_calc_sensor(struct client *c, const struct arguments *args)
{
    struct calc calc = {.client = c};
    struct error err = {{0}};
    enum thermocouple type;
    const char *name = argument_text(args, "--type", NULL);
    if (!name)
        return client_wrong_use(c, "calc sensor needs --type: a thermocouple's letter, pt100 or pt1000");
    bool platinum = strcmp(name, "pt100") == 0 || strcmp(name, "pt1000") == 0;
    const char *input = platinum ? "--resistance-ohm" : "--emf-mv";
    if (argument(args, input)->given == argument(args, "--temperature-degc")->given)
        return client_wrong_use(c, "calc sensor --type %s needs either %s or --temperature-degc", name, input);
    if (argument(args, platinum ? "--emf-mv" : "--resistance-ohm")->given)
        return client_wrong_use(c, "calc sensor --type %s takes %s", name, input);
    int result;
    if (platinum)
        result = platinum_figures(&calc, args, strcmp(name, "pt100") == 0 ? 100.0 : 1000.0, &err);
    else if (thermocouple_parse(name, &type) == 0)
        result = thermocouple_figures(&calc, args, type, &err);
    else
        result = error_set(&err, "sensor type \"%s\" is not known; one of B E J K N R S T, pt100, pt1000", name);
    return result == 0 ? calc_print(&calc, EXIT_DONE) : client_failed(c, &err);
}

/* What the rule does over many units like these. */
static int fleet_risk(struct calc *calc, const struct arguments *args, double limit, double accept_from, double u,
                      struct error *err)
{
    struct global_risk risk;
    struct risk_rule rule = {.process_mean = argument_number(args, "--fleet-mean", NAN),
                             .process_sd = argument_number(args, "--fleet-sd", NAN),
                             .measurement_sd = u,
                             .lower_limit = limit,
                             .upper_limit = INFINITY,
                             .accept_from = accept_from,
                             .accept_to = INFINITY};
    if (global_risk(&rule, &risk, err) != 0)
        return -1;
    calc_figure(calc, "fleet_mean", "units like these, mean", rule.process_mean, 3, "");
    calc_figure(calc, "fleet_sd", "  standard deviation", rule.process_sd, 3, "");
    calc_figure(calc, "fleet_met_share", "  share that gets met", risk.accepted, 5, "");
    calc_figure(calc, "global_consumer_risk", "  met, though it falls short", risk.consumer, 5, "");
    calc_figure(calc, "global_producer_risk", "  conforms, but is not met", risk.producer, 5, "");
    if (!isnan(risk.false_if_accepted))
        calc_figure(calc, "false_met_share", "  falls short, of those met", risk.false_if_accepted, 5, "");
    return 0;
}

int command_calc_decision(struct client *c, const struct arguments *args)
{
    struct calc calc = {.client = c};
    struct conformity result;
    struct error err = {{0}};
    if (!argument(args, "--measured")->given || !argument(args, "--expanded-uncertainty")->given ||
        !argument(args, "--at-least")->given)
        return client_wrong_use(c, "calc decision needs --measured, --expanded-uncertainty and --at-least");
    double measured = argument_number(args, "--measured", NAN),
           u = argument_number(args, "--expanded-uncertainty", NAN);
    double limit = argument_number(args, "--at-least", NAN);
    double k = argument_number(args, "--coverage-factor", 2.0), guard = argument_number(args, "--guard", 1.0);
    if (conformity_at_least(measured, u, k, limit, guard, &result, &err) != 0)
        return client_failed(c, &err);
    const char *verdict = verdict_kind_name(result.verdict);
    bool fleet = argument(args, "--fleet-mean")->given;
    if (fleet != argument(args, "--fleet-sd")->given)
        return client_wrong_use(c, "calc decision takes --fleet-mean and --fleet-sd together");
    calc_figure(&calc, "measured", "measured", measured, 3, "");
    calc_figure(&calc, "expanded_uncertainty", "expanded uncertainty U", u, 3, "");
    calc_figure(&calc, "coverage_factor", "coverage factor k", k, 2, "");
    calc_figure(&calc, "at_least", "to be at least", limit, 3, "");
    calc_figure(&calc, "accept_from", "met from", result.accept_from, 3, "");
    calc_figure(&calc, "reject_below", "not-met below", result.reject_below, 3, "");
    calc_word(&calc, "verdict", "verdict", verdict);
    calc_figure(&calc, "conform_probability", "probability that it conforms", result.conform_probability, 5, "");
    calc_figure(&calc, "false_met_probability", "probability that \"met\" is false", result.false_met_probability, 5,
                "");
    if (fleet && fleet_risk(&calc, args, limit, result.accept_from, u / k, &err) != 0)
        return client_failed(c, &err);
    calc_remark(&calc, "Guard band of %g U (JCGM 106); between the two limits it is undecided.", guard);
    return calc_print(&calc, verdict_status(verdict));
}
