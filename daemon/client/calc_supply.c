/* calc supply: effective current, estimate of I1, sag, breaker. */
#include <math.h>
#include <string.h>

#include "breaker.h"
#include "calc.h"
#include "supply.h"

/* I1 as given, or worked out from the output. Returns 0; -1 with err; 1 when neither was given. */
static int find_i1(struct calc *calc, const struct arguments *args, double *i1_a, struct error *err)
{
    struct supply_load load = {.output_w = argument_number(args, "--output", NAN),
                               .efficiency = argument_number(args, "--efficiency", NAN),
                               .power_factor = argument_number(args, "--power-factor", NAN),
                               .voltage_v = argument_number(args, "--supply", NAN),
                               .phases = (int)argument_number(args, "--phases", 1)};
    *i1_a = argument_number(args, "--i1", NAN);
    if (isfinite(*i1_a))
        return 0;
    if (!isfinite(load.output_w) || !isfinite(load.efficiency) || !isfinite(load.power_factor) ||
        !isfinite(load.voltage_v))
        return 1;
    if (supply_current(&load, i1_a, err) != 0)
        return -1;
    double loop_ohm = argument_number(args, "--loop", NAN);
    if (isfinite(loop_ohm)) {
        struct supply_sag sag;
        if (supply_sag_find(&load, loop_ohm, &sag, err) != 0)
            return -1;
        *i1_a = sag.current_a;
        calc_figure(calc, "supply_v", "voltage at the unit", sag.voltage_v, 1, "V");
        calc_figure(calc, "sag_pct", "sag", sag.sag_pct, 2, "%");
    }
    calc_remark(calc, "I1 is an estimate from output, efficiency and power factor.");
    return 0;
}

static int breaker_figures(struct calc *calc, const struct arguments *args, double i1_a, double i0_a, double percent_on,
                           struct error *err)
{
    struct breaker breaker = {.rated_a = argument_number(args, "--breaker", NAN)};
    const char *curve = argument_text(args, "--curve", "");
    double cycle_s = argument_number(args, "--cycle", 600.0);
    (void)text_copy(breaker.standard, sizeof breaker.standard, argument_text(args, "--standard", "iec-60898-1"));
    breaker.curve = curve[0] && !curve[1] ? curve[0] : 0;
    if (!breaker.curve && strcmp(breaker.standard, "iec-60898-1") == 0)
        breaker.curve = 'C';
    struct breaker_cycle cycle = {.on_current_a = i1_a,
                                  .pause_current_a = i0_a,
                                  .on_s = cycle_s * percent_on / 100.0,
                                  .pause_s = cycle_s * (1.0 - percent_on / 100.0),
                                  .cycles = (int)argument_number(args, "--cycles", 6),
                                  .ambient_factor = 1.0};
    struct breaker_trip trip;
    struct breaker_model model;
    char text[TEXT_CAP];
    if (breaker_predict(&breaker, &cycle, &trip, &model, err) != 0)
        return -1;
    breaker_trip_print(text, sizeof text, &trip, &model);
    calc_figure(calc, "breaker_multiple", "I1 over the breaker's rating", trip.multiple, 3, "");
    calc_figure(calc, "trip_min_s", "trips at the earliest after", trip.trip_min_s, 0, "s");
    calc_figure(calc, "trip_max_s", "trips at the latest after", trip.trip_max_s, 0, "s");
    calc_word(calc, "breaker", "breaker", text);
    calc_word(calc, "basis", "basis", model.basis);
    return 0;
}

int command_calc_supply(struct client *c, const struct arguments *args)
{
    struct calc calc = {.client = c};
    struct error err = {{0}};
    double i1_a, i1_eff_a, i0_a = argument_number(args, "--i0", 0.0);
    double percent_on = argument_number(args, "--percent-on", NAN);
    int found = find_i1(&calc, args, &i1_a, &err);
    if (found < 0)
        return client_failed(c, &err);
    if (found > 0 || !isfinite(percent_on))
        return client_wrong_use(c, "calc supply needs --percent-on and either --i1 \"30 A\" or --output, --efficiency, "
                                   "--power-factor and --supply");
    if (supply_effective_current(i1_a, i0_a, percent_on, &i1_eff_a, &err) != 0)
        return client_failed(c, &err);
    calc_figure(&calc, "i1_a", "supply current on-load I1", i1_a, 2, "A");
    calc_figure(&calc, "i0_a", "supply current in the pause I0", i0_a, 2, "A");
    calc_figure(&calc, "percent_on", "percent-on", percent_on, 1, "%");
    calc_figure(&calc, "i1_eff_a", "effective supply current I1eff", i1_eff_a, 3, "A");
    if (argument(args, "--breaker")->given && breaker_figures(&calc, args, i1_a, i0_a, percent_on, &err) != 0)
        return client_failed(c, &err);
    return calc_print(&calc, EXIT_DONE);
}
