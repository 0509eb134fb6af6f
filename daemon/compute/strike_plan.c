#include "strike_plan.h"

#include "step_choice.h"

/* How far a combination may miss a resistance that was asked for, on the harmless side: common practice, no published
 * source. */
static const double slack = 1.02;

const char *strike_moment_name(enum strike_moment moment)
{
    static const char *const names[] = {"low resistance", "high resistance", "the point's own load"};
    return names[moment];
}

bool strike_is_wanted(const struct bench_load *load, const struct run_request *run)
{
    if (!load->strike.fitted || run->strike == STRIKE_LEFT_OUT)
        return false;
    return run->strike == STRIKE_USED || run->point.strike;
}

double no_load_limit_v(const struct bench_limits *limits, const struct rating_point *point, bool s_marked)
{
    switch (point->process) {
    case PROCESS_PLASMA_CUT:
    case PROCESS_PLASMA_WELD:
    case PROCESS_PLASMA_GOUGE:
        return limits->u0_plasma_v;
    default:
        break;
    }
    if (point->output == OUTPUT_AC)
        return s_marked ? limits->u0_ac_rms_s_v : limits->u0_ac_rms_v;
    return limits->u0_dc_peak_v;
}

double highest_no_load_v(const struct bench_limits *limits, const struct rating_point *point, bool s_marked)
{
    return point->no_load_v > 0 ? point->no_load_v : no_load_limit_v(limits, point, s_marked);
}

static double ohm_of(const struct strike_wish *w, uint32_t mask)
{
    double g = step_conductance(w->load->steps, w->load->step_count, mask, w->temperature_factor, w->lead_ohm);
    return g > 0 ? 1 / g : 0;
}

/* Some of the point's steps, none that is not: the lowest resistance that is not below the one wanted. */
static uint32_t high_mask(const struct strike_wish *w, double wanted_ohm)
{
    uint32_t best = 0;
    double best_ohm = 0;
    for (uint32_t m = w->final_mask; m != 0; m = (m - 1) & w->final_mask) {
        double ohm = ohm_of(w, m);
        if (m != w->final_mask && ohm * slack >= wanted_ohm && (best == 0 || ohm < best_ohm)) {
            best = m;
            best_ohm = ohm;
        }
    }
    return best;
}

/* The steps of `within` and others beside them: the highest resistance that is not above the one wanted. */
static uint32_t low_mask(const struct strike_wish *w, uint32_t within, double wanted_ohm)
{
    uint32_t all = (UINT32_C(1) << w->load->step_count) - 1, others = all & ~within, best = 0;
    double best_ohm = 0;
    for (uint32_t m = others; m != 0; m = (m - 1) & others) {
        double ohm = ohm_of(w, m | within);
        if (ohm <= wanted_ohm * slack && ohm > best_ohm) {
            best = m | within;
            best_ohm = ohm;
        }
    }
    return best;
}

static int choose_mask(const struct strike_wish *w, enum strike_moment moment, const struct strike_stage *stage,
                       uint32_t within, uint32_t *mask, struct error *err)
{
    bool low = moment == STRIKE_LOW;
    *mask = stage->mask;
    if (stage->mask == 0)
        *mask = low ? low_mask(w, within, stage->resistance_ohm) : high_mask(w, stage->resistance_ohm);
    if (*mask == 0)
        return error_set(err, "no steps %s make the strike's %s of %.4g ohm",
                         low ? "beside those that stay closed" : "among those of this point",
                         strike_moment_name(moment), stage->resistance_ohm);
    if (low && (within & ~*mask) != 0)
        return error_set(err, "the strike's low resistance lacks steps that are closed after it: the circuit would be "
                              "broken in between. Give a resistance instead of steps");
    if (!low && ((*mask & ~w->final_mask) != 0 || *mask == w->final_mask))
        return error_set(err, "the strike's high resistance is to be some of this point's steps and not all, so that "
                              "what follows only closes. Give a resistance instead of steps");
    return 0;
}

static int add_steps(const struct strike_wish *w, struct strike_plan *plan, struct error *err)
{
    const struct bench_strike *s = &w->load->strike;
    uint32_t high = w->final_mask, low = 0;
    if (s->high.for_ns > 0 && choose_mask(w, STRIKE_HIGH, &s->high, 0, &high, err) != 0)
        return -1;
    if (s->low.for_ns > 0 && choose_mask(w, STRIKE_LOW, &s->low, high, &low, err) != 0)
        return -1;
    if (low != 0 && low != high)
        plan->moves[plan->count++] =
            (struct strike_move){.moment = STRIKE_LOW, .mask = low, .ohm = ohm_of(w, low), .for_ns = s->low.for_ns};
    if (s->high.for_ns > 0)
        plan->moves[plan->count++] =
            (struct strike_move){.moment = STRIKE_HIGH, .mask = high, .ohm = ohm_of(w, high), .for_ns = s->high.for_ns};
    plan->moves[plan->count++] =
        (struct strike_move){.moment = STRIKE_FINAL, .mask = w->final_mask, .ohm = ohm_of(w, w->final_mask)};
    for (int i = 1; i < plan->count; i++)
        plan->moves[i].opens = (plan->moves[i - 1].mask & ~plan->moves[i].mask) != 0;
    return 0;
}

static int add_setting(const struct strike_wish *w, const struct strike_stage *stage, enum strike_moment moment,
                       struct strike_plan *plan, struct error *err)
{
    const struct bench_load *l = w->load;
    double ohm = stage->resistance_ohm - w->lead_ohm;
    if (stage->for_ns <= 0)
        return 0;
    if (moment == STRIKE_LOW && ohm < l->min_resistance_ohm)
        ohm = l->min_resistance_ohm; /* as low as it goes */
    if (!(ohm <= l->max_resistance_ohm) || !(ohm > 0))
        return error_set(err, "the strike's %s of %.4g ohm cannot be set", strike_moment_name(moment),
                         stage->resistance_ohm);
    plan->moves[plan->count++] = (struct strike_move){
        .moment = moment, .mask = 1, .setting = ohm, .ohm = ohm + w->lead_ohm, .for_ns = stage->for_ns};
    return 0;
}

static int add_settings(const struct strike_wish *w, struct strike_plan *plan, struct error *err)
{
    const struct bench_strike *s = &w->load->strike;
    if (w->load->kind == LOAD_SETTABLE_CURRENT)
        return error_set(err, "a load that is set to a current has no low and high resistance: no strike on it");
    if (add_setting(w, &s->low, STRIKE_LOW, plan, err) != 0 || add_setting(w, &s->high, STRIKE_HIGH, plan, err) != 0)
        return -1;
    plan->moves[plan->count++] = (struct strike_move){
        .moment = STRIKE_FINAL, .mask = 1, .setting = w->final_setting, .ohm = w->final_setting + w->lead_ohm};
    return 0;
}

/* The unit may start at any moment and give all it has: its rated current, as far as its no-load voltage goes. */
static int check_power(const struct strike_wish *w, const struct strike_move *m, struct error *err)
{
    const struct bench_load *l = w->load;
    double volts = w->current_a * m->ohm < w->u0_v ? w->current_a * m->ohm : w->u0_v;
    double bank_v = volts * (m->ohm - w->lead_ohm) / m->ohm;
    double share = l->kind == LOAD_STEPPED ? l->strike.overload_pct / 100 : 1;
    for (int i = 0; i < l->step_count && l->kind == LOAD_STEPPED; i++) {
        double watts = bank_v * bank_v / l->steps[i].resistance_ohm;
        if ((m->mask >> i & 1u) && watts > l->steps[i].power_w * share)
            return error_set(err,
                             "at the strike's %s step %d may see %.0f V and take %.0f W for a moment: that is %.0f %% "
                             "of its rating, %.0f %% are allowed",
                             strike_moment_name(m->moment), i + 1, bank_v, watts, 100 * watts / l->steps[i].power_w,
                             100 * share);
    }
    double watts = bank_v * bank_v / (m->ohm - w->lead_ohm);
    if (l->max_power_w > 0 && watts > l->max_power_w * share)
        return error_set(err, "at the strike's %s the load may take %.0f W for a moment, its limit is %.0f W",
                         strike_moment_name(m->moment), watts, l->max_power_w * share);
    return 0;
}

static int check_opening(const struct strike_wish *w, struct error *err)
{
    const struct bench_load *l = w->load;
    if (l->strike.released && w->triggered)
        return 0;
    if (l->strike.released)
        return error_set(err, "the strike opens steps with the torch switch released, but this output is not switched "
                              "by the bench's torch switch");
    if (!(l->breaks_dc_v >= w->u0_v) || !(l->breaks_a >= w->current_a))
        return error_set(err,
                         "the strike opens steps while current flows, up to %.0f A at %.0f V: the contactors may break "
                         "%.0f A at %.0f V. Have the torch switch released meanwhile, or strike by the high resistance "
                         "alone",
                         w->current_a, w->u0_v, l->breaks_a, l->breaks_dc_v);
    return 0;
}

int strike_plan_make(const struct strike_wish *w, struct strike_plan *plan, struct error *err)
{
    *plan = (struct strike_plan){0};
    if (!w->load->strike.fitted)
        return error_set(err, "the channel has no strike");
    if (!(w->current_a > 0) || !(w->u0_v > 0) || !(w->lead_ohm >= 0) || w->final_mask == 0)
        return error_set(err, "current, no-load voltage and steps of the point must be known");
    int rc = w->load->kind == LOAD_STEPPED ? add_steps(w, plan, err) : add_settings(w, plan, err);
    if (rc != 0)
        return rc;
    for (int i = 0; i < plan->count; i++) {
        const struct strike_move *m = &plan->moves[i];
        if (m->opens && check_opening(w, err) != 0)
            return -1;
        if (m->moment != STRIKE_FINAL && check_power(w, m, err) != 0)
            return -1;
    }
    return 0;
}

int64_t strike_plan_ns(const struct strike_plan *plan, const struct bench_load *load)
{
    int64_t ns = 0;
    for (int i = 0; i < plan->count; i++)
        ns += plan->moves[i].for_ns + load->travel_ns;
    return ns;
}
