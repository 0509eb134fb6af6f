/* Contactors, elements and the load controller's own safety. */
#include <math.h>

#include "vb_world.h"

static const int64_t relay_ns = 20 * VB_MS;         /* trigger relay */
static const int64_t supply_travel_ns = 60 * VB_MS; /* supply contactor or shunt trip */
static const double still_air = 2.5;                /* elements rise this much further without the fan */

void vb_bank_command(struct vbench *vb, int channel, unsigned mask)
{
    struct vb_channel *c = &vb->channel[channel];
    mask &= (1u << c->step_count) - 1;
    for (int i = 0; i < c->step_count; i++) {
        struct vb_step *s = &c->step[i];
        bool want = vb_bit(mask, i), had = vb_bit(c->command, i);
        if (want == had)
            continue;
        s->moving = true;
        s->due_ns = vb->now_ns + (want ? c->close_ns : c->open_ns);
        vb_schedule(vb, s->due_ns);
    }
    if (mask != c->command)
        vb_stir(vb);
    c->command = mask;
}

void vb_bank_trigger(struct vbench *vb, int channel, bool on)
{
    struct vb_channel *c = &vb->channel[channel];
    if (c->trigger_command == on)
        return;
    c->trigger_command = on;
    c->trigger_due_ns = vb->now_ns + relay_ns;
    vb_stir(vb);
    vb_schedule(vb, c->trigger_due_ns);
}

void vb_bank_trip(struct vbench *vb, int channel, bool open)
{
    struct vb_channel *c = &vb->channel[channel];
    if (c->trip_command == open)
        return;
    c->trip_command = open;
    c->trip_due_ns = vb->now_ns + supply_travel_ns;
    vb_stir(vb);
    vb_schedule(vb, c->trip_due_ns);
}

/* The watchdog was fed. */
void vb_bank_fed(struct vbench *vb, struct vb_device *d)
{
    struct vb_controller *k = &d->ctl;
    k->fed_ns = vb->now_ns;
    k->alive = true;
    if (k->has_watchdog && k->watchdog_s > 0)
        vb_schedule(vb, k->fed_ns + k->watchdog_s * VB_S);
}

void vb_bank_open_all(struct vbench *vb, struct vb_device *d, enum vbench_trip why)
{
    bool any = false;
    for (int i = 0; i < d->channel_count; i++) {
        struct vb_channel *c = &vb->channel[d->channels[i]];
        any = any || c->command != 0 || c->trigger_command;
        vb_bank_command(vb, d->channels[i], 0);
        vb_bank_trigger(vb, d->channels[i], false);
        c->set_ohm = 0;
        c->set_a = 0;
    }
    if (!any || why == VBENCH_TRIP_NONE)
        return;
    for (int i = 0; i < d->channel_count; i++)
        vb_happen(vb, why, d->channels[i]);
}

static void move_contact(struct vbench *vb, struct vb_channel *c, int i)
{
    struct vb_step *s = &c->step[i];
    bool want = vb_bit(c->command, i);
    s->moving = false;
    c->operations++;
    if (want == s->closed)
        return;
    if (want && s->fault == VB_CONTACT_STUCK_OPEN)
        return;
    if (!want && s->fault == VB_CONTACT_WELDED)
        return;
    if (!want && c->i_a > 1)
        c->broken_live++;
    s->closed = want;
    vb_stir(vb);
}

void vb_bank_contacts(struct vbench *vb)
{
    for (int n = 0; n < vb->channel_count; n++) {
        struct vb_channel *c = &vb->channel[n];
        for (int i = 0; i < c->step_count; i++) {
            struct vb_step *s = &c->step[i];
            if (s->moving && s->due_ns <= vb->tick_ns)
                move_contact(vb, c, i);
            else if (s->moving)
                vb_schedule(vb, s->due_ns);
        }
        if (c->trigger_on != c->trigger_command) {
            if (c->trigger_due_ns <= vb->tick_ns)
                c->trigger_on = c->trigger_command;
            else
                vb_schedule(vb, c->trigger_due_ns);
        }
        bool open = c->trip_command || vb->estop; /* the stop circuit opens the supply too */
        if (c->supply_open == open)
            continue;
        if (vb->estop || c->trip_due_ns <= vb->tick_ns) {
            c->supply_open = open;
            if (open)
                vb_happen(vb, vb->estop ? VBENCH_TRIP_ESTOP : VBENCH_TRIP_SUPPLY_TRIP, n);
            vb_stir(vb);
        } else {
            vb_schedule(vb, c->trip_due_ns);
        }
    }
}

/* What the load controller does of its own accord: watchdog, stop circuit, its hard-wired thermostat. */
void vb_bank_safety(struct vbench *vb)
{
    for (int i = 0; i < vb->device_count; i++) {
        struct vb_device *d = &vb->device[i];
        struct vb_controller *k = &d->ctl;
        if (d->channel_count == 0)
            continue;
        if (k->has_watchdog && k->watchdog_s > 0 && k->alive) {
            int64_t due = k->fed_ns + k->watchdog_s * VB_S;
            if (vb->tick_ns >= due) {
                k->alive = false;
                vb_bank_open_all(vb, d, VBENCH_TRIP_WATCHDOG);
            } else {
                vb_schedule(vb, due);
            }
        }
        if (vb->estop)
            vb_bank_open_all(vb, d, VBENCH_TRIP_NONE);
        if (k->own_thermostat_degc > 0 && k->t_air >= k->own_thermostat_degc)
            vb_bank_open_all(vb, d, VBENCH_TRIP_BANK_HOT);
    }
}

unsigned vb_bank_closed(const struct vb_channel *c)
{
    unsigned mask = 0;
    for (int i = 0; i < c->step_count; i++)
        mask |= (c->step[i].closed ? 1u : 0u) << i;
    return mask;
}

unsigned vb_bank_feedback(const struct vb_channel *c)
{
    return c->feedback_stuck ? c->stuck_feedback : vb_bank_closed(c);
}

static double step_ohm(const struct vb_channel *c, const struct vb_step *s)
{
    return s->ohm_20 * (1 + c->alpha * (s->t_degc - 20));
}

double vb_bank_ohm(const struct vb_channel *c)
{
    if (c->settable)
        return c->step[0].closed && !c->step[0].element_open && c->now_ohm > 0 ? c->now_ohm : INFINITY;
    double siemens = 0;
    for (int i = 0; i < c->step_count; i++)
        if (c->step[i].closed && !c->step[i].element_open)
            siemens += 1 / step_ohm(c, &c->step[i]);
    return siemens > 0 ? 1 / siemens : INFINITY;
}

static void heat_channel(struct vbench *vb, struct vb_channel *c, double fan, double dt_s)
{
    double slow = 1 + (still_air - 1) * (1 - fan);
    for (int i = 0; i < c->step_count; i++) {
        struct vb_step *s = &c->step[i];
        bool on = s->closed && !s->element_open && !c->settable;
        double watts = on ? c->u_bank * c->u_bank / step_ohm(c, s) : 0;
        double target = vb->room_degc + (s->power_w > 0 ? watts / s->power_w : 0) * c->rise_k * slow;
        s->t_degc += (target - s->t_degc) * vb_approach(dt_s, c->step_tau_s * slow);
    }
    if (c->settable && c->set_ohm > 0)
        c->now_ohm += (c->set_ohm - c->now_ohm) * vb_approach(dt_s, c->slew_s);
    double ohm = c->lead_ohm * (1 + c->lead_alpha * (c->t_lead - 20));
    double target = vb->room_degc + c->i_a * c->i_a * ohm * c->lead_k_per_w;
    c->t_lead += (target - c->t_lead) * vb_approach(dt_s, c->lead_tau_s);
    c->load_w = c->u_bank * c->i_a;
}

void vb_bank_heat(struct vbench *vb, double dt_s)
{
    for (int i = 0; i < vb->device_count; i++) {
        struct vb_device *d = &vb->device[i];
        struct vb_controller *k = &d->ctl;
        if (d->channel_count == 0)
            continue;
        double spin = k->fan_command && !k->fan_fault ? 1 : 0;
        k->fan_speed += (spin - k->fan_speed) * vb_approach(dt_s, k->fan_spin_s);
        double watts = 0;
        for (int n = 0; n < d->channel_count; n++) {
            struct vb_channel *c = &vb->channel[d->channels[n]];
            heat_channel(vb, c, k->fan_speed, dt_s);
            watts += c->load_w;
            if (c->burn_degc > 0 && !c->lead_open && c->t_lead >= c->burn_degc) {
                c->lead_open = true;
                vb_happen(vb, VBENCH_TRIP_LEAD_OPEN, d->channels[n]);
            }
        }
        double k_per_w = k->k_per_w * k->fan_speed + k->k_per_w_still * (1 - k->fan_speed);
        k->t_air += (vb->room_degc + watts * k_per_w - k->t_air) * vb_approach(dt_s, k->air_tau_s);
    }
}
