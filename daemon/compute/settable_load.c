#include "settable_load.h"

static bool near_enough(double wanted, double present)
{
    double off = wanted > present ? wanted - present : present - wanted;
    return present > 0 && off <= 0.01 * present;
}

static int choose_current(const struct settable_wish *w, struct step_choice *choice, double *setting, struct error *err)
{
    if (w->load->max_current_a > 0 && w->current_a > w->load->max_current_a)
        return error_set(err, "the load takes %.0f A at most, the point needs %.0f A", w->load->max_current_a,
                         w->current_a);
    *setting = w->current_a;
    choice->resistance_ohm = w->voltage_v / w->current_a;
    choice->bank_resistance_ohm = choice->resistance_ohm - w->lead_resistance_ohm;
    choice->power_w = w->voltage_v * w->current_a;
    return 0;
}

static int choose_resistance(const struct settable_wish *w, struct step_choice *choice, double *setting,
                             struct error *err)
{
    const struct bench_load *l = w->load;
    double ohm = 1 / w->target_conductance_s - w->lead_resistance_ohm;
    if (near_enough(ohm, w->present))
        ohm = w->present;
    if (!(ohm >= l->min_resistance_ohm) || !(ohm <= l->max_resistance_ohm))
        return error_set(err, "the load can be set from %.4g to %.4g ohm, the point needs %.4f ohm with leads of %.4f",
                         l->min_resistance_ohm, l->max_resistance_ohm, 1 / w->target_conductance_s,
                         w->lead_resistance_ohm);
    *setting = ohm;
    choice->bank_resistance_ohm = ohm;
    choice->resistance_ohm = ohm + w->lead_resistance_ohm;
    double load_v = w->voltage_v * ohm / choice->resistance_ohm;
    choice->power_w = load_v * load_v / ohm;
    return 0;
}

int settable_choose(const struct settable_wish *w, struct step_choice *choice, double *setting, struct error *err)
{
    *choice = (struct step_choice){.mask = 1};
    if (!(w->target_conductance_s > 0) || !(w->current_a > 0) || !(w->voltage_v > 0) || !(w->lead_resistance_ohm >= 0))
        return error_set(err, "conductance, current and voltage of the point must be above 0");
    int rc = w->load->kind == LOAD_SETTABLE_CURRENT ? choose_current(w, choice, setting, err)
                                                    : choose_resistance(w, choice, setting, err);
    if (rc != 0)
        return rc;
    choice->conductance_s = 1 / choice->resistance_ohm;
    choice->error_pct = 100 * (choice->conductance_s / w->target_conductance_s - 1);
    if (w->load->kind == LOAD_SETTABLE_CURRENT)
        choice->error_pct = 0; /* the unit makes the voltage */
    choice->best_error_pct = choice->error_pct;
    choice->movements = w->present > 0 ? 0 : 1;
    if (w->load->max_power_w > 0 && choice->power_w > w->load->max_power_w)
        return error_set(err, "the load takes %.0f W, the point needs %.0f W", w->load->max_power_w, choice->power_w);
    return 0;
}

bool settable_fits(enum load_kind kind, enum process process)
{
    return kind != LOAD_SETTABLE_CURRENT || process == PROCESS_MIG || process == PROCESS_SAW;
}
