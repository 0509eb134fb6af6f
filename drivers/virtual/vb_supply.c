/* Supply circuits: constant-power loads behind a loop resistance, and breakers that heat and keep their heat. */
#include <math.h>

#include "vb_world.h"

static double phase_factor(int phases)
{
    return phases == 3 ? sqrt(3) : 1;
}

/* Current that a unit draws at a voltage, line current per phase. */
static double draw(const struct vb_unit *u, double volts)
{
    return u->p1_w / (u->power_factor * phase_factor(u->phases) * volts);
}

static void dead(struct vbench *vb, int circuit)
{
    struct vb_circuit *k = &vb->circuit[circuit];
    k->u_v = 0;
    k->i_a = 0;
    k->p_w = 0;
    for (int c = 0; c < vb->channel_count; c++) {
        if (vb->channel[c].circuit != circuit || vb->channel[c].unit < 0)
            continue;
        struct vb_unit *u = &vb->unit[vb->channel[c].unit];
        u->u1_v = 0;
        u->i1_a = 0;
    }
}

static void solve(struct vbench *vb, int circuit)
{
    struct vb_circuit *k = &vb->circuit[circuit];
    double floor_v = 0.4 * k->line_v, drop = k->loop_ohm * phase_factor(k->phases);
    double volts = k->u_v > floor_v ? k->u_v : k->line_v;
    /* Current rises as the voltage sags; the sag is a few percent, so a few rounds settle it. */
    for (int round = 0; round < 6; round++) {
        double amps = 0, watts = 0;
        for (int c = 0; c < vb->channel_count; c++) {
            const struct vb_channel *ch = &vb->channel[c];
            if (ch->circuit != circuit || ch->unit < 0)
                continue;
            struct vb_unit *u = &vb->unit[ch->unit];
            if (ch->supply_open) {
                u->u1_v = 0;
                u->i1_a = 0;
                continue;
            }
            double at_plug = volts - u->cord_ohm * phase_factor(u->phases) * u->i1_a;
            u->u1_v = at_plug > floor_v ? at_plug : floor_v;
            u->i1_a = draw(u, u->u1_v);
            amps += u->i1_a;
            watts += u->p1_w;
        }
        volts = k->line_v - drop * amps;
        volts = volts > floor_v ? volts : floor_v;
        k->i_a = amps;
        k->p_w = watts;
    }
    k->u_v = volts;
}

static void trip(struct vbench *vb, int circuit, enum vbench_trip why)
{
    vb->circuit[circuit].breaker_open = true;
    for (int c = 0; c < vb->channel_count; c++)
        if (vb->channel[c].circuit == circuit)
            vb_happen(vb, why, c);
}

void vb_supply_solve(struct vbench *vb)
{
    for (int i = 0; i < vb->circuit_count; i++) {
        struct vb_circuit *k = &vb->circuit[i];
        bool alive = !k->breaker_open && !k->outage && k->line_v > 0;
        if (alive) {
            solve(vb, i);
            if (k->has_breaker && k->i_a >= k->fast_multiple * k->rated_a) {
                trip(vb, i, VBENCH_TRIP_BREAKER_FAST);
                alive = false;
            }
        }
        if (!alive)
            dead(vb, i);
    }
}

void vb_supply_heat(struct vbench *vb, double dt_s)
{
    for (int i = 0; i < vb->circuit_count; i++) {
        struct vb_circuit *k = &vb->circuit[i];
        if (!k->has_breaker)
            continue;
        double load = k->i_a / k->rated_a;
        k->heat += (load * load - k->heat) * vb_approach(dt_s, k->tau_s);
        if (!k->breaker_open && k->heat >= k->heat_trip) {
            trip(vb, i, VBENCH_TRIP_BREAKER);
            dead(vb, i);
        }
    }
}

void vb_supply_reset(struct vb_circuit *c, bool open)
{
    c->breaker_open = open;
}
