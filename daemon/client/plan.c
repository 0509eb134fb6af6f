#include "plan.h"

#include <math.h>
#include <string.h>

#include "settable_load.h"
#include "supply.h"
#include "survey.h"

static const double ns_per_s = 1e9;
static const double equilibrium_least_s = 3600.0; /* of a heating test: from memory, IEC 60974-1 7.1.3 */

static void plan_times(const struct bench *bench, const struct run_request *run, struct run_plan *plan)
{
    const struct rating_point *p = &run->point;
    double guard_s = (double)bench->limits.guard_on_load_ns / ns_per_s;
    double rated_s = p->cycle_s * p->percent_on / 100.0;
    bool continuous = p->percent_on >= 100.0;
    plan->on_goal_s = continuous ? p->cycle_s : rated_s + guard_s;
    plan->pause_s = continuous ? 0.0 : p->cycle_s - plan->on_goal_s;
    if (plan->pause_s < 0.0)
        plan->pause_s = 0.0;
    double cycles = run->cycles > 0 ? run->cycles : 1;
    double soak_s = (double)run->soak_ns / ns_per_s;
    plan->duration_s = NAN;
    plan->to_equilibrium = run->to_equilibrium;
    switch (run->procedure) {
    case PROCEDURE_SCREEN:
        plan->duration_s = plan->on_goal_s;
        break;
    case PROCEDURE_PROOF:
        /* No pause and the slowest of all time constants: a continuous point is held to equilibrium. */
        plan->to_equilibrium = continuous;
        plan->duration_s = continuous ? NAN : (cycles - 1) * p->cycle_s + plan->on_goal_s;
        break;
    case PROCEDURE_SOAK:
        plan->duration_s = run->to_equilibrium || run->soak_ns == 0 ? NAN : soak_s;
        plan->to_equilibrium = run->to_equilibrium || run->soak_ns == 0;
        break;
    case PROCEDURE_SURVEY:
    case PROCEDURE_TO_CUTOUT:
        plan->on_goal_s = (double)(run->cap_ns > 0 ? run->cap_ns : bench->limits.max_on_load_ns) / ns_per_s;
        plan->pause_s = 0.0;
        break;
    default:
        break;
    }
    plan->least_s = isfinite(plan->duration_s) ? plan->duration_s : plan->to_equilibrium ? equilibrium_least_s : 0.0;
    if (!isfinite(plan->duration_s) && soak_s > plan->least_s)
        plan->least_s = soak_s;
}

static void plan_steps(const struct bench_channel *channel, const struct run_request *run, struct run_plan *plan)
{
    const struct bench_load *load = &channel->load;
    double target_ohm = isfinite(run->target_resistance_ohm) ? run->target_resistance_ohm : plan->load.resistance_ohm;
    double lead_ohm = channel->u2_at_bank ? 0.0 : load->lead_resistance_ohm;
    struct error err = {{0}};
    if (load->kind != LOAD_STEPPED) {
        struct settable_wish set = {.load = load,
                                    .target_conductance_s = 1.0 / target_ohm,
                                    .lead_resistance_ohm = lead_ohm,
                                    .current_a = plan->load.current_a,
                                    .voltage_v = plan->load.voltage_v};
        if (!settable_fits(load->kind, run->point.process))
            (void)error_set(&err, "a load set to a current and a unit that holds its current work against each other");
        else
            plan->has_steps = settable_choose(&set, &plan->steps, &plan->setting, &err) == 0;
        if (!plan->has_steps)
            (void)text_copy(plan->steps_trouble, sizeof plan->steps_trouble, err.text);
        return;
    }
    if (load->step_count == 0)
        return;
    struct step_wish wish = {.steps = load->steps,
                             .step_count = load->step_count,
                             .usable_mask = (1u << load->step_count) - 1u,
                             .target_conductance_s = 1.0 / target_ohm,
                             .lead_resistance_ohm = lead_ohm,
                             .voltage_v = plan->load.voltage_v,
                             .temperature_factor = 1.0,
                             .step_load_pct = 100.0,
                             .max_power_w = load->max_power_w,
                             .tie_pct = 0.0};
    plan->has_steps = step_choose(&wish, &plan->steps, &err) == 0;
    if (!plan->has_steps)
        (void)text_copy(plan->steps_trouble, sizeof plan->steps_trouble, err.text);
}

static void plan_strike(const struct bench *bench, const struct bench_channel *channel, const struct unit_plate *plate,
                        const struct run_request *run, struct run_plan *plan)
{
    const struct bench_load *load = &channel->load;
    struct strike_wish wish = {
        .load = load,
        .final_mask = plan->steps.mask,
        .final_setting = plan->setting,
        .lead_ohm = channel->u2_at_bank ? 0.0 : load->lead_resistance_ohm,
        .temperature_factor = 1.0,
        .current_a = plan->load.current_a,
        .u0_v = highest_no_load_v(&bench->limits, &run->point, plate->s_marked),
        .triggered = run->point.control != CONTROL_ALWAYS_LIVE && load->has_trigger,
    };
    struct error err = {{0}};
    if (run->strike == STRIKE_USED && !load->strike.fitted)
        (void)text_copy(plan->strike_trouble, sizeof plan->strike_trouble,
                        "a strike is asked for, but the channel's load has none");
    else if (run->point.strike && !strike_is_wanted(load, run))
        (void)text_copy(plan->strike_trouble, sizeof plan->strike_trouble,
                        "the unit is on file as one that starts only by a strike, and this run has none");
    if (!plan->has_steps || !strike_is_wanted(load, run))
        return;
    plan->strikes = strike_plan_make(&wish, &plan->strike, &err) == 0;
    if (!plan->strikes)
        (void)text_copy(plan->strike_trouble, sizeof plan->strike_trouble, err.text);
}

static int predict(const struct breaker *breaker, double i1_a, const struct run_plan *plan, int cycles,
                   struct breaker_trip *trip, struct breaker_model *model, struct error *err)
{
    struct breaker_cycle cycle = {.on_current_a = i1_a,
                                  .on_s = plan->on_goal_s,
                                  .pause_s = plan->pause_s,
                                  .start_heat = plan->supply.start_heat > 0 ? plan->supply.start_heat : 0.0,
                                  .cycles = cycles,
                                  .ambient_factor = 1.0};
    return breaker_predict(breaker, &cycle, trip, model, err);
}

static void plan_supply(const struct bench *bench, const struct bench_channel *channel, const struct run_request *run,
                        struct run_plan *plan)
{
    const struct rating_point *p = &run->point;
    struct supply_plan *s = &plan->supply;
    struct error err = {{0}};
    struct supply_load load = {.output_w = plan->load.power_w,
                               .efficiency = PLAN_EFFICIENCY,
                               .power_factor = 1.0,
                               .voltage_v = p->supply_v,
                               .phases = p->phases};
    s->i1_low_a = s->i1_high_a = s->i1_eff_a = NAN;
    if (isfinite(p->i1max_a)) {
        s->from_plate = true;
        s->i1_low_a = s->i1_high_a = p->i1max_a;
    } else if (p->phases != 0 && isfinite(p->supply_v)) {
        if (supply_current(&load, &s->i1_low_a, &err) != 0)
            return;
        load.power_factor = s->power_factor = p->phases == 3 ? 0.9 : 0.65; /* as preflight assumes them */
        if (supply_current(&load, &s->i1_high_a, &err) != 0)
            return;
    } else {
        return;
    }
    s->any = true;
    (void)supply_effective_current(s->i1_high_a, 0.0, p->percent_on, &s->i1_eff_a, &err);
    const struct breaker *breaker = channel->circuit >= 0 && channel->circuit < bench->circuit_count
                                        ? &bench->circuits[channel->circuit].breaker
                                        : NULL;
    if (!breaker || !(breaker->rated_a > 0.0))
        return;
    int cycles = run->procedure == PROCEDURE_SCREEN || run->procedure == PROCEDURE_TO_CUTOUT ||
                         run->procedure == PROCEDURE_SURVEY
                     ? 1
                 : run->cycles > 0 ? run->cycles
                                   : 6;
    if (predict(breaker, s->i1_high_a, plan, cycles, &s->trip_high, &s->model, &err) != 0 ||
        predict(breaker, s->i1_low_a, plan, cycles, &s->trip_low, &s->model, &err) != 0) {
        (void)text_copy(s->trouble, sizeof s->trouble, err.text);
        return;
    }
    struct breaker_trip whole = s->trip_high;
    whole.trip_max_s = s->trip_low.trip_max_s;
    whole.cycle_max = s->trip_low.cycle_max;
    s->has_breaker = true;
    breaker_trip_print(s->trip_text, sizeof s->trip_text, &whole, &s->model);
}

static void plan_path(const struct bench_channel *channel, const struct run_request *run, struct run_plan *plan)
{
    struct error err = {{0}};
    struct lead_load load = {.current_a = run->point.current_a,
                             .percent_on = run->point.percent_on,
                             .cycle_s = run->point.cycle_s,
                             .ambient_degc = NAN};
    plan->has_path =
        channel->path_count > 0 && lead_check(channel->path, channel->path_count, &load, &plan->path, &err) == 0;
}

static int plan_one(const struct bench *bench, int channel, const struct unit_plate *plate,
                    const struct run_request *run, double breaker_heat, struct run_plan *plan, struct error *err);

/* Every current of a survey; the plan that stays is that of the one which takes most power. */
static int plan_survey(const struct bench *bench, int channel, const struct unit_plate *plate,
                       const struct run_request *run, double breaker_heat, struct run_plan *plan, struct error *err)
{
    struct survey_plan points[SURVEY_POINTS_MAX];
    struct run_request at = *run, hardest = *run;
    double most_w = 0;
    for (int i = 0; i < run->survey_count; i++) {
        survey_point_at(&run->point, run->survey_a[i], &at.point);
        if (plan_one(bench, channel, plate, &at, breaker_heat, plan, err) != 0)
            return -1;
        points[i] = (struct survey_plan){at.point, plan->load, plan->has_steps, plan->steps.error_pct, plan->bank_w};
        if (plan->load.power_w > most_w) {
            most_w = plan->load.power_w;
            hardest.point = at.point;
        }
    }
    if (plan_one(bench, channel, plate, &hardest, breaker_heat, plan, err) != 0)
        return -1;
    plan->survey_count = run->survey_count;
    memcpy(plan->survey, points, (size_t)run->survey_count * sizeof points[0]);
    double rest_s = run->survey_rest_ns > 0 ? (double)run->survey_rest_ns / ns_per_s
                                            : (double)bench->limits.time_ns[TIME_SURVEY_REST] / ns_per_s;
    plan->least_s = rest_s * (run->survey_count > 1 ? run->survey_count - 1 : 0);
    return 0;
}

int plan_make(const struct bench *bench, int channel, const struct unit_plate *plate, const struct run_request *run,
              double breaker_heat, struct run_plan *plan, struct error *err)
{
    if (run->procedure == PROCEDURE_SURVEY && run->survey_count > 0)
        return plan_survey(bench, channel, plate, run, breaker_heat, plan, err);
    return plan_one(bench, channel, plate, run, breaker_heat, plan, err);
}

static int plan_one(const struct bench *bench, int channel, const struct unit_plate *plate,
                    const struct run_request *run, double breaker_heat, struct run_plan *plan, struct error *err)
{
    const struct bench_channel *c = &bench->channels[channel];
    const struct rating_point *p = &run->point;
    memset(plan, 0, sizeof *plan);
    if (load_point_find(p->process, p->current_a, p->load_voltage_v, &plan->load, err) != 0)
        return -1;
    plan_times(bench, run, plan);
    plan_steps(c, run, plan);
    plan_strike(bench, c, plate, run, plan);
    plan->bank_w = plan->has_steps ? plan->steps.power_w : plan->load.power_w;
    double share = plan->on_goal_s / (plan->on_goal_s + plan->pause_s);
    plan->room_w = (plan->bank_w + plan->load.power_w * (1.0 / PLAN_EFFICIENCY - 1.0)) * share;
    plan_path(c, run, plan);
    plan->supply.start_heat = breaker_heat;
    plan_supply(bench, c, run, plan);
    setup_sheet_make(p, plate, c, plan->load.voltage_v, plan->strikes, &plan->sheet);
    return 0;
}

static void minutes(char *to, size_t cap, double seconds)
{
    if (seconds < 3600.0)
        (void)text_format(to, cap, "%.1f min", seconds / 60.0);
    else
        (void)text_format(to, cap, "%.1f h", seconds / 3600.0);
}

void plan_course(const struct run_request *run, const struct run_plan *plan, char *to, size_t cap)
{
    char on[32], pause[32], least[32];
    minutes(on, sizeof on, plan->on_goal_s);
    minutes(pause, sizeof pause, plan->pause_s);
    minutes(least, sizeof least, plan->least_s);
    switch (run->procedure) {
    case PROCEDURE_SCREEN:
        (void)text_format(to, cap,
                          "One on-load part of %s, decided at its end. From cold it can show a bad unit but never "
                          "prove the plate: the best it earns is \"held\".",
                          on);
        break;
    case PROCEDURE_PROOF:
        if (plan->to_equilibrium)
            (void)text_format(to, cap,
                              "On-load without a pause until equilibrium, at least %s: a 100 %% point cannot be proved "
                              "in one cycle.",
                              least);
        else
            (void)text_format(to, cap,
                              "%d cycle%s: on-load %s (rated time and guard), pause %s. From cold the best it earns is "
                              "\"held\".",
                              run->cycles > 0 ? run->cycles : 1, run->cycles > 1 ? "s" : "", on, pause);
        break;
    case PROCEDURE_SOAK:
        (void)text_format(to, cap, "Cycles of %s on-load and %s pause %s, at least %s%s.", on, pause,
                          plan->to_equilibrium ? "until equilibrium" : "for the time asked for", least,
                          run->go_on_after_cutout ? "; after a cut-out it waits for the reset and goes on" : "");
        break;
    case PROCEDURE_TO_CUTOUT:
        (void)text_format(
            to, cap,
            "On-load until the unit shuts off, %s at most, then the time to reset%s. Past the rated time it "
            "needs the owner's consent and, without known thermal protection, is refused.",
            on, run->repeats > 1 ? ", several times" : "");
        break;
    default:
        (void)text_format(
            to, cap,
            "%d currents. Before each, somebody turns the unit with the load closed (its heat is rested "
            "off), and the unit comes back to the start of the first. Then on-load until it shuts off and "
            "resets, %d times, or to the cap of %s: the unit's own percent-on at that current with its "
            "interval, beside the square law. A survey maps and does not judge.",
            run->survey_count, run->repeats > 0 ? run->repeats : 4, on);
        break;
    }
}
