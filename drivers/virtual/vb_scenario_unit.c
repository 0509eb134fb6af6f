/* Reads circuits, units and channels of a scenario. */
#include <math.h>
#include <string.h>

#include "vb_habit.h"
#include "vb_scenario.h"

static int positive(struct vb_yaml *y, yaml_node_t *map, const char *key, double value)
{
    return value > 0 ? 0 : vb_yaml_fail(y, map, "a number above 0 is expected", key);
}

static void breaker(struct vb_yaml *y, yaml_node_t *b, struct vb_circuit *k)
{
    static const char *const curves[] = {"B", "C", "D", NULL};
    static const double multiples[] = {4, 7.5, 15}; /* the middles of the bands of IEC 60898-1 */
    k->has_breaker = b != NULL;
    k->rated_a = vb_yaml_number(y, b, "rated_a", 16);
    int curve = vb_yaml_word(y, b, "curve", curves, 1);
    k->fast_multiple = vb_yaml_number(y, b, "fast_multiple", multiples[curve]);
    /* 1.6 lies between 1.13^2 = 1.28 (must not trip) and 1.45^2 = 2.10 (must trip). */
    k->heat_trip = vb_yaml_number(y, b, "heat_trip", 1.6);
    k->tau_s = vb_yaml_number(y, b, "tau_s", 150);
    k->heat = vb_yaml_number(y, b, "heat", 0);
    if (b && (k->rated_a <= 0 || k->tau_s <= 0))
        vb_yaml_fail(y, b, "rated_a and tau_s must be above 0", "breaker");
}

int vb_scenario_circuits(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list)
{
    int n = vb_yaml_count(y, list);
    if (n > CIRCUITS_MAX)
        return vb_yaml_fail(y, list, "too many circuits", NULL);
    for (int i = 0; i < n; i++) {
        yaml_node_t *m = vb_yaml_item(y, list, i);
        struct vb_circuit *k = &vb->circuit[i];
        vb_yaml_text(y, m, "name", k->name, sizeof k->name, "");
        k->line_v = vb_yaml_number(y, m, "voltage_v", 230);
        k->phases = (int)vb_yaml_integer(y, m, "phases", 1, 1, 3);
        for (int phase = 0; phase < 3; phase++)
            k->phase_share[phase] = 1;
        k->hz = vb_yaml_number(y, m, "hz", 50);
        k->loop_ohm = vb_yaml_number(y, m, "loop_ohm", 0);
        breaker(y, vb_yaml_get(y, m, "breaker"), k);
        vb->circuit_count++;
    }
    return y->failed ? -1 : 0;
}

static void curve(struct vb_yaml *y, yaml_node_t *m, struct vb_unit *u)
{
    static const char *const outputs[] = {"cc", "cv", NULL};
    u->output = (enum vb_output)vb_yaml_word(y, m, "output", outputs, 0);
    u->ac = vb_yaml_bool(y, m, "ac", false);
    u->balance = vb_yaml_number(y, m, "balance", 0.5);
    u->no_load_v = vb_yaml_number(y, m, "no_load_v", u->output == VB_CC ? 65 : 34);
    u->source_ohm = vb_yaml_number(y, m, "source_ohm", 0.05);
    u->set_a = vb_yaml_number(y, m, "set_a", 100);
    u->limit_a = vb_yaml_number(y, m, "limit_a", INFINITY);
    u->ref_v = vb_yaml_number(y, m, "ref_v", 20);
    u->slope_a_per_v = vb_yaml_number(y, m, "slope_a_per_v", 0);
    u->set_v = vb_yaml_number(y, m, "set_v", 24);
    u->droop_ohm = vb_yaml_number(y, m, "droop_ohm", 0.02);
    u->max_a = vb_yaml_number(y, m, "max_a", INFINITY);
    u->rise_s = vb_yaml_number(y, m, "rise_s", 0.03);
    u->up_slope_s = vb_yaml_number(y, m, "up_slope_s", 0);
    yaml_node_t *hot = vb_yaml_get(y, m, "hot_start");
    u->hot_factor = vb_yaml_number(y, hot, "factor", 1);
    u->hot_s = vb_yaml_number(y, hot, "for_s", 0);
    positive(y, m, "set_a", u->set_a);
}

static void heat(struct vb_yaml *y, yaml_node_t *m, struct vb_unit *u)
{
    static const char *const nodes[] = {"a", "b", NULL};
    yaml_node_t *l = vb_yaml_get(y, m, "losses");
    u->idle_w = vb_yaml_number(y, l, "idle_w", 20);
    u->on_w = vb_yaml_number(y, l, "on_w", 60);
    u->volt_loss = vb_yaml_number(y, l, "per_a_w", 1.5);
    u->ohm_loss = vb_yaml_number(y, l, "per_a2_w", 0.012);
    u->power_factor = vb_yaml_number(y, m, "power_factor", 0.75);
    u->cord_ohm = vb_yaml_number(y, m, "cord_ohm", 0);
    yaml_node_t *f = vb_yaml_get(y, m, "fan");
    u->fan_w = vb_yaml_number(y, f, "w", 30);
    u->fan_demand = vb_yaml_bool(y, f, "on_demand", false);
    u->fan_on_degc = vb_yaml_number(y, f, "on_degc", 45);
    u->fan_off_degc = vb_yaml_number(y, f, "off_degc", 38);
    u->fan_run_on_s = vb_yaml_number(y, f, "run_on_s", 30);
    yaml_node_t *t = vb_yaml_get(y, m, "thermal");
    u->c_a = vb_yaml_number(y, t, "c_a", 3000);
    u->c_b = vb_yaml_number(y, t, "c_b", 6000);
    u->g_ab = vb_yaml_number(y, t, "g_ab", 20);
    u->g_fan = vb_yaml_number(y, t, "g_fan", 9);
    u->g_still = vb_yaml_number(y, t, "g_still", 2);
    u->share_a = vb_yaml_number(y, t, "share_a", 0.7);
    u->case_share = vb_yaml_number(y, t, "case_share", 0.8);
    u->exhaust_k_per_w = vb_yaml_number(y, t, "exhaust_k_per_w", 0.03);
    positive(y, t, "c_a", u->c_a);
    yaml_node_t *c = vb_yaml_get(y, m, "cutout");
    u->cutout_fitted = c != NULL;
    u->trip_degc = vb_yaml_number(y, c, "trip_degc", 105);
    u->reset_degc = vb_yaml_number(y, c, "reset_degc", 80);
    u->cutout_senses_b = vb_yaml_word(y, c, "senses", nodes, 0) == 1;
    u->cutout_primary = vb_yaml_bool(y, c, "primary", false);
    u->fault_degc = vb_yaml_number(y, m, "fault_degc", 0);
    u->intake_degc = vb_yaml_number(y, m, "intake_degc", NAN);
}

static void protections(struct vb_yaml *y, yaml_node_t *m, struct vb_unit *u)
{
    yaml_node_t *v = vb_yaml_get(y, m, "vrd");
    u->vrd_v = v ? vb_yaml_number(y, v, "low_v", 12) : 0;
    u->vrd_release_ohm = vb_yaml_number(y, v, "release_ohm", 200);
    u->vrd_delay_s = vb_yaml_number(y, v, "delay_s", 0.3);
    u->vrd_sense_a = vb_yaml_number(y, v, "sense_a", INFINITY);
    u->vrd_latches = vb_yaml_bool(y, v, "latches", false);
    yaml_node_t *s = vb_yaml_get(y, m, "anti_stick");
    u->stick_s = s ? vb_yaml_number(y, s, "after_s", 1.2) : 0;
    u->stick_v = vb_yaml_number(y, s, "below_v", 10);
    yaml_node_t *a = vb_yaml_get(y, m, "arc_loss");
    u->arc_loss_s = a ? vb_yaml_number(y, a, "after_s", 0.4) : 0;
    yaml_node_t *f = vb_yaml_get(y, m, "foldback");
    u->fold_per_k = f ? vb_yaml_number(y, f, "per_k", 0.02) : 0;
    u->fold_degc = vb_yaml_number(y, f, "from_degc", 90);
    u->fold_min = vb_yaml_number(y, f, "least", 0.5);
    yaml_node_t *l = vb_yaml_get(y, m, "low_voltage");
    u->low_off = l ? vb_yaml_number(y, l, "off_share", 0.85) : 0;
    u->low_on = vb_yaml_number(y, l, "on_share", 0.9);
    u->low_wait_s = vb_yaml_number(y, l, "wait_s", 3);
    yaml_node_t *z = vb_yaml_get(y, m, "sleep");
    u->sleep_s = z ? vb_yaml_number(y, z, "after_s", 120) : 0;
    u->wake_ohm = vb_yaml_number(y, z, "wake_ohm", 50);
    u->wake_s = vb_yaml_number(y, z, "wake_s", 0.5);
    yaml_node_t *t = vb_yaml_get(y, m, "transformer");
    u->transformer = t != NULL;
    u->sag_per_k = vb_yaml_number(y, t, "sag_per_k", 0.0008);
    u->phase_loss_share = vb_yaml_number(y, m, "phase_loss_share", 0.58);
    yaml_node_t *i = vb_yaml_get(y, m, "lift");
    u->lift_a = i ? vb_yaml_number(y, i, "current_a", 20) : 0;
    u->lift_release_v = vb_yaml_number(y, i, "release_v", 10);
    u->lift_touch_v = vb_yaml_number(y, i, "touch_v", 0);
    u->lift_touch_s = vb_yaml_number(y, i, "touch_s", 0.1);
    u->lift_remember_s = vb_yaml_number(y, i, "remember_s", 0);
    yaml_node_t *r = vb_yaml_get(y, m, "remote");
    u->remote_low_v = vb_yaml_number(y, r, "low_v", 0);
    u->remote_low_a = vb_yaml_number(y, r, "low_a", 5);
    u->remote_high_v = r ? vb_yaml_number(y, r, "high_v", 10) : 0;
    u->remote_high_a = vb_yaml_number(y, r, "high_a", 200);
    yaml_node_t *e = vb_yaml_get(y, m, "engine");
    u->engine = e != NULL;
    u->rated_rpm = vb_yaml_number(y, e, "rated_rpm", 3000);
    u->idle_rpm = vb_yaml_number(y, e, "idle_rpm", 0);
    u->idle_after_s = vb_yaml_number(y, e, "idle_after_s", 8);
    u->speed_up_s = vb_yaml_number(y, e, "speed_up_s", 1);
}

int vb_scenario_units(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list)
{
    static const char *const controls[] = {"trigger", "always-live", "remote-contactor", NULL};
    int n = vb_yaml_count(y, list);
    if (n > CHANNELS_MAX)
        return vb_yaml_fail(y, list, "too many units", NULL);
    for (int i = 0; i < n; i++) {
        yaml_node_t *m = vb_yaml_item(y, list, i);
        struct vb_unit *u = &vb->unit[i];
        u->plug = u->load = -1;
        u->switched_on = vb_yaml_bool(y, m, "switched_on", true);
        vb_yaml_text(y, m, "serial", u->serial, sizeof u->serial, "");
        u->always_live = vb_yaml_word(y, m, "control", controls, 0) == 1;
        u->supply_v = vb_yaml_number(y, m, "supply_v", 230);
        u->phases = (int)vb_yaml_integer(y, m, "phases", 1, 1, 3);
        positive(y, m, "supply_v", u->supply_v);
        curve(y, m, u);
        heat(y, m, u);
        protections(y, m, u);
        vb_habit_power(vb, u);
        vb->unit_count++;
    }
    return y->failed ? -1 : 0;
}

static int steps(struct vb_yaml *y, yaml_node_t *list, struct vb_channel *c)
{
    c->step_count = vb_yaml_count(y, list);
    if (c->step_count > STEPS_MAX)
        return vb_yaml_fail(y, list, "too many steps", NULL);
    for (int i = 0; i < c->step_count; i++) {
        yaml_node_t *m = vb_yaml_item(y, list, i);
        c->step[i].ohm_20 = vb_yaml_number(y, m, "ohm", 0);
        c->step[i].power_w = vb_yaml_number(y, m, "power_w", 6000);
        positive(y, m, "ohm", c->step[i].ohm_20);
    }
    return 0;
}

static void settable(struct vb_yaml *y, yaml_node_t *m, struct vb_channel *c)
{
    if (!m)
        return;
    c->settable = true;
    c->step_count = 1;
    c->step[0].power_w = vb_yaml_number(y, m, "power_w", 12000);
    c->min_ohm = vb_yaml_number(y, m, "min_ohm", 0.02);
    c->max_ohm = vb_yaml_number(y, m, "max_ohm", 20);
    c->max_a = vb_yaml_number(y, m, "max_a", 400);
    c->slew_s = vb_yaml_number(y, m, "slew_s", 0.05);
}

static void lead(struct vb_yaml *y, yaml_node_t *m, struct vb_channel *c)
{
    c->lead_ohm = vb_yaml_number(y, m, "ohm", 0.004);
    c->lead_k_per_w = vb_yaml_number(y, m, "k_per_w", 0.3);
    c->lead_tau_s = vb_yaml_number(y, m, "tau_s", 600);
    c->lead_alpha = vb_yaml_number(y, m, "alpha", 0.0039);
    c->burn_degc = vb_yaml_number(y, m, "burn_degc", 0);
    positive(y, m, "tau_s", c->lead_tau_s);
}

int vb_scenario_channels(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list)
{
    int n = vb_yaml_count(y, list);
    if (n > CHANNELS_MAX)
        return vb_yaml_fail(y, list, "too many channels", NULL);
    for (int i = 0; i < n; i++)
        vb_yaml_text(y, vb_yaml_item(y, list, i), "name", vb->channel[i].name, NAME_CAP, "");
    vb->channel_count = n;
    for (int i = 0; i < n && !y->failed; i++) {
        yaml_node_t *m = vb_yaml_item(y, list, i);
        struct vb_channel *c = &vb->channel[i];
        c->bank = -1;
        c->last_trip_ns = -1;
        c->unit = vb_scenario_unit(vb, y, m, "unit", -1);
        c->circuit = vb_scenario_circuit(vb, y, m, "circuit", -1);
        c->crossed = vb_scenario_channel(vb, y, m, "leads_to_unit_of", -1);
        c->u2_at_bank = vb_yaml_bool(y, m, "u2_at_bank", false);
        c->isolated = vb_yaml_bool(y, m, "isolated", false);
        c->close_ns = vb_yaml_seconds(y, m, "close_s", 0.06);
        c->open_ns = vb_yaml_seconds(y, m, "open_s", 0.04);
        c->rise_k = vb_yaml_number(y, m, "element_rise_k", 350);
        c->step_tau_s = vb_yaml_number(y, m, "element_tau_s", 60);
        c->alpha = vb_yaml_number(y, m, "alpha", 0.00013);
        steps(y, vb_yaml_get(y, m, "steps"), c);
        settable(y, vb_yaml_get(y, m, "settable"), c);
        lead(y, vb_yaml_get(y, m, "lead"), c);
        if (c->unit < 0)
            continue;
        if (vb->unit[c->unit].plug >= 0)
            return vb_yaml_fail(y, m, "this unit is on another channel already", "unit");
        vb->unit[c->unit].plug = i;
    }
    return y->failed ? -1 : 0;
}
