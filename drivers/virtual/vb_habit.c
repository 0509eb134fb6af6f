#include <math.h>

#include "vb_habit.h"

static const int64_t low_hold_ns = 100 * VB_MS; /* undervoltage lasts this long before it counts */
static const int64_t open_again_ns = VB_S;      /* anti-stick lets go after the load was open this long */

void vb_habit_power(struct vbench *vb, struct vb_unit *u)
{
    (void)vb;
    u->stuck_off = u->arc_lost = u->asleep = u->low_lockout = u->lifted = u->had_current = false;
    u->flow_since_ns = u->stick_since_ns = u->gap_since_ns = VB_NEVER;
    u->idle_since_ns = u->low_since_ns = u->wake_since_ns = u->lift_since_ns = VB_NEVER;
    u->touch_since_ns = u->off_since_ns = VB_NEVER;
    u->touched = u->released = false;
}

/* How long a condition has held. */
static int64_t held(const struct vbench *vb, int64_t *since, bool condition)
{
    if (!condition) {
        *since = VB_NEVER;
        return 0;
    }
    if (*since == VB_NEVER)
        *since = vb->tick_ns;
    return vb->tick_ns - *since;
}

static int64_t ns(double s)
{
    return (int64_t)(s * 1e9);
}

static void low_voltage(struct vbench *vb, struct vb_unit *u, int channel)
{
    if (u->low_off <= 0 || u->engine)
        return;
    if (!u->low_lockout) {
        if (held(vb, &u->low_since_ns, u->powered && u->u1_v < u->low_off * u->supply_v) > low_hold_ns) {
            u->low_lockout = true;
            u->low_since_ns = VB_NEVER;
            vb_happen(vb, VBENCH_TRIP_UNDERVOLTAGE, channel);
        }
    } else if (held(vb, &u->low_since_ns, u->u1_v > u->low_on * u->supply_v) > ns(u->low_wait_s)) {
        u->low_lockout = false;
        u->low_since_ns = VB_NEVER;
    }
}

static void anti_stick(struct vbench *vb, struct vb_unit *u, int channel, double ohm)
{
    if (u->stick_s <= 0)
        return;
    if (!u->stuck_off) {
        if (held(vb, &u->stick_since_ns, u->output_on && u->i_a > 5 && u->u_v < u->stick_v) > ns(u->stick_s)) {
            u->stuck_off = true;
            u->stick_since_ns = VB_NEVER;
            vb_happen(vb, VBENCH_TRIP_ANTI_STICK, channel);
        }
    } else if (held(vb, &u->stick_since_ns, isinf(ohm)) > open_again_ns) {
        u->stuck_off = false;
        u->stick_since_ns = VB_NEVER;
    }
}

static void arc_loss(struct vbench *vb, struct vb_unit *u, int channel)
{
    u->had_current = (u->had_current && u->requested) || u->i_a > 5;
    int64_t gap_ns = held(vb, &u->gap_since_ns, u->output_on && u->had_current && u->i_a < 1);
    if (u->arc_loss_s <= 0)
        return;
    if (!u->arc_lost && gap_ns > ns(u->arc_loss_s)) {
        u->arc_lost = true;
        vb_happen(vb, VBENCH_TRIP_ARC_LOSS, channel);
    }
    if (!u->requested)
        u->arc_lost = false;
}

static void sleep_and_wake(struct vbench *vb, struct vb_unit *u, int channel, double ohm)
{
    if (u->sleep_s <= 0)
        return;
    if (!u->asleep) {
        if (held(vb, &u->idle_since_ns, u->powered && u->i_a < 1) > ns(u->sleep_s)) {
            u->asleep = true;
            u->idle_since_ns = VB_NEVER;
            vb_happen(vb, VBENCH_TRIP_SLEEP, channel);
        }
        return;
    }
    bool call = u->always_live ? ohm < u->wake_ohm : u->requested;
    if (held(vb, &u->wake_since_ns, call) > ns(u->wake_s)) {
        u->asleep = false;
        u->wake_since_ns = VB_NEVER;
        vb_stir(vb);
    }
}

/* Lift start: a touch first, where the unit wants to see one, then a voltage that no touch has. */
static void lift(struct vbench *vb, struct vb_unit *u)
{
    if (u->lift_a <= 0 || u->lifted)
        return;
    if (held(vb, &u->off_since_ns, !u->output_on) > ns(u->lift_remember_s))
        u->touched = false;
    bool touch = u->output_on && u->i_a > 1 && u->u_v < u->lift_touch_v;
    u->touched = held(vb, &u->touch_since_ns, touch) >= ns(u->lift_touch_s) || u->touched;
    if (u->lift_touch_v > 0 && !u->touched)
        return;
    bool away = u->output_on && u->i_a > 1 && u->u_v > u->lift_release_v;
    if (held(vb, &u->lift_since_ns, away) > 50 * VB_MS) {
        u->lifted = true;
        u->flow_since_ns = vb->tick_ns;
        vb_stir(vb);
    }
}

/* A voltage-reducing device that once released stays so until the current has stopped. */
static void latch_release(struct vb_unit *u, double ohm)
{
    bool low = u->output_on && ohm <= u->vrd_release_ohm;
    u->released = u->vrd_latches && u->output_on && (low || (u->released && u->i_a > 1));
}

static void engine_speed(struct vbench *vb, struct vb_unit *u, double ohm)
{
    if (!u->engine)
        return;
    double target = u->rated_rpm;
    bool idle = !(u->requested && isfinite(ohm)) && u->i_a < 1;
    if (u->idle_rpm > 0 && held(vb, &u->idle_since_ns, idle) > ns(u->idle_after_s))
        target = u->idle_rpm;
    if (u->engine_stopped || !u->switched_on)
        target = 0;
    u->rpm += (target - u->rpm) * vb_approach(vb->dt_s, u->speed_up_s);
    if (fabs(target - u->rpm) > 1)
        vb_stir(vb);
}

bool vb_habit_run(struct vbench *vb, struct vb_unit *u, int channel)
{
    double ohm = u->load >= 0 ? vb->channel[u->load].load_ohm : INFINITY;
    low_voltage(vb, u, channel);
    anti_stick(vb, u, channel, ohm);
    arc_loss(vb, u, channel);
    sleep_and_wake(vb, u, channel, ohm);
    lift(vb, u);
    latch_release(u, ohm);
    engine_speed(vb, u, ohm);
    u->fold = 1;
    if (u->fold_per_k > 0 && u->t_a > u->fold_degc) {
        u->fold = 1 - u->fold_per_k * (u->t_a - u->fold_degc);
        if (u->fold < u->fold_min)
            u->fold = u->fold_min;
    }
    return !u->low_lockout && !u->stuck_off && !u->arc_lost && !u->asleep;
}

double vb_habit_start(const struct vbench *vb, const struct vb_unit *u)
{
    if (u->lift_a > 0 && !u->lifted)
        return u->lift_a / u->set_a;
    if (u->flow_since_ns == VB_NEVER)
        return 1;
    double s = (double)(vb->tick_ns - u->flow_since_ns) / 1e9;
    double factor = 1;
    if (s < u->up_slope_s)
        factor = s / u->up_slope_s;
    if (s < u->hot_s)
        factor *= u->hot_factor;
    return factor;
}

double vb_habit_scale(const struct vbench *vb, const struct vb_unit *u)
{
    double scale = u->fold;
    if (u->transformer && !u->engine) {
        scale *= u->u1_v / u->supply_v;
        scale *= 1 - u->sag_per_k * (u->t_a - 20);
    }
    if (u->engine)
        scale *= u->rpm / u->rated_rpm;
    int circuit = u->plug >= 0 ? vb->channel[u->plug].circuit : -1;
    for (int k = 0; circuit >= 0 && u->phases == 3 && k < 3; k++)
        if (vb->circuit[circuit].phase_share[k] < 0.5)
            return scale * u->phase_loss_share;
    return scale > 0 ? scale : 0;
}

double vb_habit_open_volts(const struct vbench *vb, const struct vb_unit *u)
{
    double open = u->no_load_v * (u->transformer || u->engine ? vb_habit_scale(vb, u) : 1);
    if (u->vrd_v <= 0)
        return open;
    bool just_broke = u->had_current &&
                      (u->gap_since_ns == VB_NEVER || (double)(vb->tick_ns - u->gap_since_ns) / 1e9 < u->vrd_delay_s);
    return just_broke ? open : u->vrd_v;
}

bool vb_habit_limits(const struct vb_unit *u, double ohm)
{
    return u->output_on && u->vrd_v > 0 && ohm > u->vrd_release_ohm && !u->released;
}
