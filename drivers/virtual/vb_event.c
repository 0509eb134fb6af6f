/* What the scenario lets happen. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "vb_habit.h"
#include "vb_world.h"

static void do_step(struct vbench *vb, const struct vb_event *e)
{
    struct vb_channel *c = &vb->channel[e->channel];
    struct vb_step *s = &c->step[e->step];
    bool want = vb_bit(c->command, e->step);
    switch (e->action) {
    case VB_DO_WELD:
        s->fault = VB_CONTACT_WELDED;
        break;
    case VB_DO_STICK_OPEN:
        s->fault = VB_CONTACT_STUCK_OPEN;
        s->closed = false;
        break;
    case VB_DO_ELEMENT_OPEN:
        s->element_open = true;
        break;
    default:
        s->fault = VB_CONTACT_SOUND;
        s->element_open = false;
        s->closed = want;
        break;
    }
}

/* Puts another unit on a channel (-1: none); one that hangs elsewhere is taken from there. */
static void rig(struct vbench *vb, int channel, int unit)
{
    struct vb_channel *c = &vb->channel[channel];
    if (c->unit >= 0) {
        struct vb_unit *old = &vb->unit[c->unit];
        old->plug = old->load = -1;
        old->output_on = old->powered = false;
        old->i_a = old->target_a = old->u_v = old->i1_a = old->u1_v = old->p1_w = old->heat_w = old->q_w = 0;
        vb_habit_power(vb, old);
    }
    if (unit >= 0 && vb->unit[unit].plug >= 0)
        vb->channel[vb->unit[unit].plug].unit = -1;
    c->unit = unit;
    if (unit >= 0)
        vb->unit[unit].plug = channel;
}

static void do_channel(struct vbench *vb, const struct vb_event *e)
{
    struct vb_channel *c = &vb->channel[e->channel];
    switch (e->action) {
    case VB_DO_FEEDBACK_STUCK:
        c->stuck_feedback = vb_bank_closed(c);
        c->feedback_stuck = true;
        break;
    case VB_DO_ISOLATE:
    case VB_DO_UNISOLATE:
        c->isolated = e->action == VB_DO_ISOLATE;
        break;
    case VB_DO_LEAD_OPEN:
        c->lead_open = true;
        vb_happen(vb, VBENCH_TRIP_LEAD_OPEN, e->channel);
        break;
    case VB_DO_LEAD_SHORT:
        c->lead_short = true;
        vb_happen(vb, VBENCH_TRIP_LEAD_SHORT, e->channel);
        break;
    case VB_DO_LEAD_MEND:
        c->lead_open = c->lead_short = false;
        break;
    case VB_DO_LEAD_OHM:
        c->lead_ohm = e->value;
        break;
    case VB_DO_RIG:
        rig(vb, e->channel, e->unit);
        break;
    default:
        break;
    }
}

static void do_unit(struct vbench *vb, const struct vb_event *e)
{
    struct vb_unit *u = &vb->unit[e->unit];
    switch (e->action) {
    case VB_DO_SWITCH_OFF:
        u->switched_on = false;
        vb_happen(vb, VBENCH_TRIP_SWITCHED_OFF, u->plug);
        break;
    case VB_DO_SWITCH_ON:
        u->switched_on = true;
        break;
    case VB_DO_UNIT_FAULT:
        u->fault = true;
        vb_happen(vb, VBENCH_TRIP_UNIT_FAULT, u->plug);
        break;
    case VB_DO_UNIT_FAN_STOP:
        u->fan_fault = true;
        break;
    case VB_DO_ENGINE_STOP:
        u->engine_stopped = true;
        vb_happen(vb, VBENCH_TRIP_ENGINE, u->plug);
        break;
    case VB_DO_SET_CURRENT:
        u->set_a = e->value;
        break;
    case VB_DO_SET_VOLTAGE:
        u->set_v = e->value;
        break;
    case VB_DO_INTAKE:
        u->intake_degc = e->value;
        break;
    case VB_DO_WARM:
        u->t_a = u->t_b = e->value;
        break;
    case VB_DO_CORD:
        u->cord_ohm = e->value;
        break;
    default:
        break;
    }
}

static void do_circuit(struct vbench *vb, const struct vb_event *e)
{
    struct vb_circuit *k = &vb->circuit[e->circuit];
    enum vbench_trip why = VBENCH_TRIP_NONE;
    switch (e->action) {
    case VB_DO_OUTAGE:
        k->outage = true;
        why = VBENCH_TRIP_OUTAGE;
        break;
    case VB_DO_SUPPLY_BACK:
        k->outage = false;
        break;
    case VB_DO_SUPPLY:
        k->line_v = e->value;
        break;
    case VB_DO_LOOP:
        k->loop_ohm = e->value;
        break;
    case VB_DO_TRIP_BREAKER:
        k->breaker_open = true;
        why = VBENCH_TRIP_BREAKER;
        break;
    case VB_DO_CLOSE_BREAKER:
        k->breaker_open = false;
        break;
    case VB_DO_PHASE_LOSS:
        k->phase_share[e->phase] = 0;
        break;
    case VB_DO_PHASE_VOLTAGE:
        k->phase_share[e->phase] = e->value;
        break;
    default:
        k->phase_share[e->phase] = 1;
        break;
    }
    for (int c = 0; c < vb->channel_count && why != VBENCH_TRIP_NONE; c++)
        if (vb->channel[c].circuit == e->circuit)
            vb_happen(vb, why, c);
}

static void power_cycle(struct vbench *vb, struct vb_device *d)
{
    struct vb_controller *k = &d->ctl;
    vb_bank_open_all(vb, d, VBENCH_TRIP_NONE);
    k->power_up = 1;
    k->beat = 0;
    k->alive = false;
    k->fan_command = k->beacon = false;
    k->started_ns = vb->now_ns;
    vb_recorder_power_cycle(vb, d);
}

static void do_device(struct vbench *vb, const struct vb_event *e)
{
    struct vb_controller *k = &vb->device[e->device].ctl;
    switch (e->action) {
    case VB_DO_FAN_STOP:
    case VB_DO_FAN_START:
        k->fan_fault = e->action == VB_DO_FAN_STOP;
        break;
    case VB_DO_SMOKE:
    case VB_DO_SMOKE_CLEAR:
        k->smoke = e->action == VB_DO_SMOKE;
        break;
    case VB_DO_KEY_ON:
    case VB_DO_KEY_OFF:
        k->key = e->action == VB_DO_KEY_ON;
        break;
    case VB_DO_BUFFER_FREEZE:
    case VB_DO_BUFFER_TEAR:
    case VB_DO_BUFFER_SHORTEN:
    case VB_DO_BUFFER_MEND:
    case VB_DO_PEAK_STICK:
        vb_recorder_do(vb, e);
        break;
    case VB_DO_CLOCK_JUMP:
        vb->device[e->device].clock_jump_ns += (int64_t)(e->value * 1e9);
        break;
    default:
        power_cycle(vb, &vb->device[e->device]);
        break;
    }
}

static void do_meter(struct vbench *vb, const struct vb_event *e)
{
    struct vb_meter *m = &vb->meter[e->meter];
    if (e->action == VB_DO_METER_OFFSET)
        m->offset = e->value;
    else
        m->gain = e->action == VB_DO_SENSE_OFF ? 0 : 1; /* a wire fell off: nothing is seen */
}

static void do_bench(struct vbench *vb, const struct vb_event *e)
{
    switch (e->action) {
    case VB_DO_ESTOP:
        vb->estop = true;
        for (int i = 0; i < vb->device_count; i++)
            vb_bank_open_all(vb, &vb->device[i], VBENCH_TRIP_ESTOP);
        break;
    case VB_DO_ESTOP_RELEASE:
        vb->estop = false;
        break;
    case VB_DO_ROOM:
        vb->room_base = e->value;
        break;
    default:
        if (vb->fault_count < VB_FAULTS_MAX) {
            struct vb_fault f = e->fault;
            f.from_ns += vb->now_ns;
            f.until_ns = f.until_ns == VB_NEVER ? VB_NEVER : f.until_ns + vb->now_ns;
            vb->fault[vb->fault_count++] = f;
        }
        break;
    }
}

void vb_event_do(struct vbench *vb, struct vb_event *e)
{
    if (e->action <= VB_DO_ELEMENT_OPEN)
        do_step(vb, e);
    else if (e->channel >= 0)
        do_channel(vb, e);
    else if (e->circuit >= 0)
        do_circuit(vb, e);
    else if (e->unit >= 0)
        do_unit(vb, e);
    else if (e->meter >= 0)
        do_meter(vb, e);
    else if (e->device >= 0)
        do_device(vb, e);
    else
        do_bench(vb, e);
    vb_stir(vb);
}

int vbench_do(struct vbench *vb, const char *text, struct vbench_error *err)
{
    struct vb_event e;
    if (vb_event_parse(vb, text, &e, err) != 0)
        return -1;
    vb_event_do(vb, &e);
    return 0;
}
