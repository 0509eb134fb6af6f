/* Openings and closings that are not confirmed in time, and what is done about them. */
#include "emit.h"
#include "load_parts.h"

static void drop(struct engine *e, int ch)
{
    int d = bench_channel_of(e, ch)->load.device;
    (void)emit_command(e, COMMAND_DROP, ch, d);
    if (d >= 0)
        e->devices[d].drop_pending = true;
}

static void last_resort(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    int d = bench_channel_of(e, ch)->load.device;
    (void)emit_command(e, COMMAND_BEAT_STOP, ch, d);
    if (d >= 0)
        e->devices[d].beat_stopped = true;
    const char *name = bench_channel_of(e, ch)->name;
    if (bench_channel_of(e, ch)->load.has_supply_trip) {
        emit_command(e, COMMAND_SUPPLY, ch, d)->on = false;
        c->supply_off = true;
        emit_text(e, EVENT_SUPPLY_TRIP, ch, "channel %.47s did not open: the unit's supply is tripped", name);
    }
    emit_text(e, EVENT_ALARM, ch,
              "channel %.47s did not open. The heartbeat of its load controller has stopped. Keep clear, isolate the "
              "unit at its supply.",
              name);
    emit_notify(e, ch, NOTIFY_NOW,
                "Channel %.47s did not open its load. Somebody must come: isolate the unit at its supply.", name);
}

static void escalate(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct load_state *l = &c->load;
    uint32_t mask;
    bool known = load_feedback(e, ch, l->opening_ns, &mask);
    if (!known && load_current_flows(e, ch, l->opening_ns) == 0) {
        /* Nobody sees the contactors but the current is off: the controller's own watchdog does the rest. */
        load_arm(e, ch, load_open_limit_ns(e, ch));
        return;
    }
    load_set_fault(c, INTERLOCK_NOT_OPENED,
                   !known      ? "no feedback that the load has opened"
                   : mask != 0 ? "steps stay closed after the command to open"
                               : "current flows on after the load has opened");
    l->escalation++;
    if (l->escalation <= 2)
        drop(e, ch);
    else if (l->escalation == 3)
        last_resort(e, ch);
    if (l->escalation <= 3)
        load_arm(e, ch, load_open_limit_ns(e, ch));
}

void load_timer(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    switch (c->load.phase) {
    case LOAD_CLOSING:
        if (c->load.changing) {
            emit_text(e, EVENT_NOTE, ch, "the record was too slow for a change under current: the load opens");
            load_open(e, ch, false);
            break;
        }
        load_set_fault(c, INTERLOCK_NOT_CLOSED, "the command to close was not carried out");
        break;
    case LOAD_TRAVEL:
        load_set_fault(c, INTERLOCK_NOT_CLOSED, "no feedback that the steps have closed");
        break;
    case LOAD_TRIGGER:
        load_set_fault(c, INTERLOCK_NOT_CLOSED, "the torch switch was not operated");
        break;
    case LOAD_RELEASING:
        c->load.change_waits = false;
        emit_text(e, EVENT_NOTE, ch, "current flows on with the torch switch released: the contactors break it");
        load_send_open(e, ch);
        break;
    case LOAD_OPENING:
        escalate(e, ch);
        break;
    case LOAD_OPEN:
    case LOAD_ON:
        break;
    }
}

void load_reset(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    struct load_state *l = &c->load;
    if (l->escalation >= 3) {
        int d = bench_channel_of(e, ch)->load.device;
        (void)emit_command(e, COMMAND_BEAT_START, ch, d);
        if (d >= 0)
            e->devices[d].beat_stopped = false;
    }
    if (c->supply_off) {
        emit_command(e, COMMAND_SUPPLY, ch, bench_channel_of(e, ch)->load.device)->on = true;
        c->supply_off = false;
    }
    l->escalation = 0;
    l->fault = INTERLOCK_NONE;
}
