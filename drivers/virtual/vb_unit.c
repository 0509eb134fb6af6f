/* A unit: output characteristic, losses, two thermal nodes, fan, cut-out. Its habits are in vb_habit.c. */
#include <math.h>

#include "vb_habit.h"
#include "vb_world.h"

static const double shorted_ohm = 0.004;
static const double bleed_s = 0.05; /* output capacitors after the output went off */

static struct vb_unit *plugged(struct vbench *vb, int channel)
{
    int u = vb->channel[channel].unit;
    return u < 0 ? NULL : &vb->unit[u];
}

/* The unit whose output feeds a channel's bank: its own, unless the leads were crossed. */
static struct vb_unit *feeder(struct vbench *vb, int channel)
{
    int crossed = vb->channel[channel].crossed;
    return plugged(vb, crossed >= 0 ? crossed : channel);
}

static bool supply_present(const struct vbench *vb, const struct vb_channel *c, const struct vb_unit *u)
{
    if (u->engine)
        return !u->engine_stopped;
    return c->circuit >= 0 && !c->supply_open && vb->circuit[c->circuit].u_v > 0.3 * u->supply_v;
}

static void run_fan(struct vbench *vb, struct vb_unit *u)
{
    bool want = u->powered && !u->asleep;
    if (want && u->fan_demand) {
        if (u->t_a >= u->fan_on_degc || u->i_a > 1)
            u->fan_until_ns = vb->tick_ns + (int64_t)(u->fan_run_on_s * 1e9);
        want = vb->tick_ns <= u->fan_until_ns || (u->fan_on && u->t_a > u->fan_off_degc);
    }
    u->fan_on = want && !u->fan_fault;
}

static void guard_heat(struct vbench *vb, struct vb_unit *u, int channel)
{
    double sensed = u->cutout_senses_b ? u->t_b : u->t_a;
    if (u->fault_degc > 0 && u->t_a >= u->fault_degc && !u->fault) {
        u->fault = true;
        vb_happen(vb, VBENCH_TRIP_UNIT_FAULT, channel);
    }
    if (!u->cutout_fitted)
        return;
    if (!u->cut_out && sensed >= u->trip_degc) {
        u->cut_out = true;
        vb_happen(vb, VBENCH_TRIP_CUTOUT, channel);
    } else if (u->cut_out && sensed <= u->reset_degc) {
        u->cut_out = false;
        vb_stir(vb);
    }
}

void vb_unit_control(struct vbench *vb, int channel)
{
    struct vb_channel *c = &vb->channel[channel];
    struct vb_unit *u = plugged(vb, channel);
    if (!u)
        return;
    bool was_on = u->output_on, was_powered = u->powered;
    guard_heat(vb, u, channel);
    u->powered = u->switched_on && supply_present(vb, c, u) && !(u->cut_out && u->cutout_primary);
    if (u->powered != was_powered) {
        vb_habit_power(vb, u);
        vb_stir(vb);
    }
    u->requested = u->always_live || c->trigger_on;
    bool free = vb_habit_run(vb, u, channel);
    u->output_on = u->powered && u->requested && !u->cut_out && !u->fault && free;
    run_fan(vb, u);
    if (u->output_on != was_on) {
        u->lifted = false;
        vb_stir(vb);
    }
}

/* The remote control's input: it turns the unit, within its ends. */
void vb_unit_remote(struct vbench *vb, int channel, double volts)
{
    struct vb_unit *u = plugged(vb, channel);
    vb->channel[channel].remote_v = volts;
    if (!u || u->remote_high_v == 0)
        return;
    double share = (volts - u->remote_low_v) / (u->remote_high_v - u->remote_low_v);
    share = share < 0 ? 0 : share > 1 ? 1 : share;
    u->set_a = u->remote_low_a + share * (u->remote_high_a - u->remote_low_a);
    vb_stir(vb);
}

/* Current into a resistance, with the output on. */
static double settled_current(const struct vbench *vb, const struct vb_unit *u, double ohm)
{
    double scale = vb_habit_scale(vb, u);
    if (isinf(ohm))
        return 0;
    if (u->output == VB_CV) {
        double amps = u->set_v * scale / (ohm + u->droop_ohm);
        return amps < u->max_a ? amps : u->max_a;
    }
    double set = u->set_a * vb_habit_start(vb, u);
    set = (set < u->limit_a ? set : u->limit_a) * scale;
    double regulated = (set + u->slope_a_per_v * u->ref_v) / (1 + u->slope_a_per_v * ohm);
    double limited = u->no_load_v * scale / (ohm + u->source_ohm);
    return regulated < limited ? regulated : limited;
}

/* The resistance that a settable load in current mode makes of itself, behind its leads. */
static double follow_current(const struct vbench *vb, const struct vb_channel *c, const struct vb_unit *u,
                             double lead_ohm)
{
    double open_v = (u->output == VB_CV ? u->set_v : u->no_load_v) * vb_habit_scale(vb, u);
    double inner = u->output == VB_CV ? u->droop_ohm : u->source_ohm;
    double ohm = open_v / c->set_a - inner - lead_ohm;
    if (u->output == VB_CC && c->set_a >= u->set_a)
        ohm = c->min_ohm;
    return ohm < c->min_ohm ? c->min_ohm : ohm > c->max_ohm ? c->max_ohm : ohm;
}

static void record_peak(struct vbench *vb, struct vb_channel *c)
{
    /* Half-second slots: a latched peak reaches back two seconds at least. */
    if (vb->tick_ns >= c->peak_slot_ns + 500 * VB_MS) {
        c->peak_slot_ns = vb->tick_ns / (500 * VB_MS) * (500 * VB_MS);
        for (int i = VB_PEAKS - 1; i > 0; i--)
            c->peak[i] = c->peak[i - 1];
        c->peak[0] = 0;
    }
    if (c->u_unit > c->peak[0])
        c->peak[0] = c->u_unit;
}

static void put_volts(struct vb_channel *c, const struct vb_unit *u, double bank_ohm)
{
    c->i_a = u->i_a;
    c->u_unit = u->u_v;
    if (c->lead_open || c->lead_short || c->isolated)
        c->u_bank = 0;
    else
        c->u_bank = isinf(bank_ohm) ? u->u_v : u->i_a * bank_ohm;
}

void vb_unit_electric(struct vbench *vb, int channel, double dt_s)
{
    struct vb_channel *c = &vb->channel[channel];
    struct vb_unit *u = feeder(vb, channel);
    double bank_ohm = vb_bank_ohm(c);
    double lead_ohm = c->lead_ohm * (1 + c->lead_alpha * (c->t_lead - 20));
    if (u && c->settable && c->set_a > 0 && c->step[0].closed && !c->step[0].element_open)
        bank_ohm = follow_current(vb, c, u, lead_ohm);
    c->load_ohm = c->lead_open || c->isolated ? INFINITY : c->lead_short ? shorted_ohm : bank_ohm + lead_ohm;
    if (!u) {
        c->i_a = c->u_unit = c->u_bank = 0;
        record_peak(vb, c);
        return;
    }
    u->load = channel;
    if (isinf(c->load_ohm)) {
        u->i_a = u->target_a = 0;
        u->flow_since_ns = VB_NEVER;
        double open_v = u->output_on ? vb_habit_open_volts(vb, u) : 0;
        if (u->output_on)
            u->u_v = open_v;
        else
            u->u_v -= u->u_v * vb_approach(dt_s, bleed_s);
    } else {
        /* What was aimed at since the last step is reached first, then a new aim is taken. */
        u->i_a += (u->target_a - u->i_a) * vb_approach(dt_s, u->rise_s);
        if (u->output_on && u->flow_since_ns == VB_NEVER)
            u->flow_since_ns = vb->tick_ns;
        if (!u->output_on)
            u->flow_since_ns = VB_NEVER;
        u->target_a = u->output_on ? settled_current(vb, u, c->load_ohm) : 0;
        if (vb_habit_limits(u, c->load_ohm))
            u->target_a = fmin(vb_habit_open_volts(vb, u) / c->load_ohm, u->vrd_sense_a);
        double off = u->target_a - u->i_a;
        if (off < 1e-9 && off > -1e-9)
            u->i_a = u->target_a;
        u->u_v = u->i_a * c->load_ohm;
    }
    put_volts(c, u, bank_ohm);
    record_peak(vb, c);
}

/* Losses and supply power for the current that flows now. */
void vb_unit_power(struct vbench *vb, int channel)
{
    struct vb_unit *u = plugged(vb, channel);
    if (!u)
        return;
    double i = u->i_a;
    double active = (u->output_on ? u->on_w : 0) + u->volt_loss * i + u->ohm_loss * i * i;
    double standing = u->powered ? (u->asleep ? u->idle_w / 4 : u->idle_w) : 0;
    u->q_w = active + standing / 2;
    u->heat_w = active + standing + (u->fan_on ? u->fan_w : 0);
    u->p1_w = u->engine ? 0 : u->u_v * i + u->heat_w;
}

/* Two nodes by the midpoint rule. */
void vb_unit_heat(struct vbench *vb, struct vb_unit *u, double dt_s)
{
    double q = u->q_w;
    double air = isnan(u->intake_degc) ? vb->room_degc : u->intake_degc;
    double g = u->fan_on ? u->g_fan : u->g_still;
    if (u->c_b <= 0) {
        double half = u->t_a + dt_s / 2 * (q - g * (u->t_a - air)) / u->c_a;
        u->t_a += dt_s * (q - g * (half - air)) / u->c_a;
        u->t_b = u->t_a;
    } else {
        double qa = q * u->share_a, qb = q - qa;
        double through = u->g_ab * (u->t_a - u->t_b);
        double ha = u->t_a + dt_s / 2 * (qa - through) / u->c_a;
        double hb = u->t_b + dt_s / 2 * (qb + through - g * (u->t_b - air)) / u->c_b;
        through = u->g_ab * (ha - hb);
        u->t_a += dt_s * (qa - through) / u->c_a;
        u->t_b += dt_s * (qb + through - g * (hb - air)) / u->c_b;
    }
    double carried = u->fan_on ? u->g_fan * (u->t_b - air) * u->exhaust_k_per_w : 0.3 * (u->t_b - air);
    u->t_exhaust += (air + carried - u->t_exhaust) * vb_approach(dt_s, 15);
}
