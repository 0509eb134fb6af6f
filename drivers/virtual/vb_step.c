#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "vb_world.h"

/* Small steps resolve contactors, slopes and trips; they last for a while after each change. Between changes only
 * heat moves, in minutes, so long steps do. */
static const int64_t fine_ns = 10 * VB_MS;
static const int64_t coarse_ns = 100 * VB_MS;
static const int64_t stirred_ns = 3 * VB_S;

void vb_schedule(struct vbench *vb, int64_t at_ns)
{
    if (at_ns < vb->next_tick_ns)
        vb->next_tick_ns = at_ns > vb->now_ns ? at_ns : vb->now_ns + 1;
}

void vb_stir(struct vbench *vb)
{
    int64_t at = vb->now_ns;
    vb->fine_until_ns = at + stirred_ns;
    vb_schedule(vb, (at / fine_ns + 1) * fine_ns);
}

void vb_happen(struct vbench *vb, enum vbench_trip what, int channel)
{
    int64_t at = vb->now_ns;
    if (vb->happened == VB_HAPPENINGS) {
        memmove(vb->happening, vb->happening + 1, (VB_HAPPENINGS - 1) * sizeof vb->happening[0]);
        vb->happened--;
        vb->forgotten++;
    }
    vb->happening[vb->happened++] = (struct vbench_happening){.at_ns = at, .what = what, .channel = channel};
    for (int c = 0; c < vb->channel_count; c++) {
        if (channel >= 0 && channel != c)
            continue;
        vb->channel[c].last_trip = what;
        vb->channel[c].last_trip_ns = at;
    }
    vb_stir(vb);
}

static void run_events(struct vbench *vb)
{
    vb->next_event_ns = VB_NEVER;
    for (int i = 0; i < vb->event_count; i++) {
        struct vb_event *e = &vb->event[i];
        if (e->done)
            continue;
        if (e->at_ns <= vb->tick_ns) {
            e->done = true;
            vb_event_do(vb, e);
        } else if (e->at_ns < vb->next_event_ns) {
            vb->next_event_ns = e->at_ns;
        }
    }
}

static void warm_room(struct vbench *vb, double dt_s)
{
    double power = 0;
    for (int c = 0; c < vb->channel_count; c++)
        power += vb->channel[c].load_w;
    for (int u = 0; u < vb->unit_count; u++)
        power += vb->unit[u].heat_w;
    double target = vb->room_base + vb->room_k_per_kw * power / 1000;
    vb->room_degc += (target - vb->room_degc) * vb_approach(dt_s, vb->room_tau_s);
}

/* One step: heat by what flowed since the last one, then whatever changes at its end. */
static void tick(struct vbench *vb, int64_t at_ns)
{
    double dt_s = (double)(at_ns - vb->tick_ns) / 1e9;
    vb->dt_s = dt_s;
    vb->tick_ns = vb->now_ns = at_ns;
    vb->next_tick_ns =
        at_ns < vb->fine_until_ns ? (at_ns / fine_ns + 1) * fine_ns : (at_ns / coarse_ns + 1) * coarse_ns;
    warm_room(vb, dt_s);
    vb_bank_heat(vb, dt_s);
    vb_supply_heat(vb, dt_s);
    for (int u = 0; u < vb->unit_count; u++)
        vb_unit_heat(vb, &vb->unit[u], dt_s);
    if (at_ns >= vb->next_event_ns)
        run_events(vb);
    vb_bank_contacts(vb);
    vb_bank_safety(vb);
    for (int c = 0; c < vb->channel_count; c++)
        vb_unit_control(vb, c);
    for (int c = 0; c < vb->channel_count; c++)
        vb_unit_electric(vb, c, dt_s);
    for (int c = 0; c < vb->channel_count; c++)
        vb_unit_power(vb, c);
    vb_supply_solve(vb);
    vb_meter_run(vb, dt_s);
    vb_recorder_run(vb);
    vb_fault_tick(vb);
    vb_text_talk(vb);
    if (vb->next_event_ns != VB_NEVER)
        vb_schedule(vb, vb->next_event_ns);
}

void vbench_start(struct vbench *vb, int64_t now_ns)
{
    if (vb->started)
        return;
    vb->started = true;
    vb->origin_ns = now_ns;
    vb->next_event_ns = 0;
    vb->fine_until_ns = stirred_ns;
    tick(vb, 0);
}

void vbench_advance(struct vbench *vb, int64_t now_ns)
{
    vbench_start(vb, now_ns);
    int64_t until = now_ns - vb->origin_ns;
    while (vb->next_tick_ns <= until)
        tick(vb, vb->next_tick_ns);
    if (until > vb->now_ns)
        vb->now_ns = until;
}

int64_t vbench_elapsed_ns(const struct vbench *vb)
{
    return vb->now_ns;
}

int64_t vbench_epoch_s(const struct vbench *vb)
{
    return vb->epoch_s;
}

double vbench_rate(const struct vbench *vb)
{
    return vb->rate;
}

void vbench_set_rate(struct vbench *vb, double rate)
{
    vb->rate = rate;
}

size_t vbench_happenings(const struct vbench *vb, struct vbench_happening *to, size_t cap)
{
    for (size_t i = 0; i < vb->happened && i < cap; i++)
        to[i] = vb->happening[i];
    return vb->happened;
}

const char *vbench_trip_name(enum vbench_trip trip)
{
    static const char *const names[VBENCH_TRIP_COUNT_] = {
        "none",       "cut-out",      "breaker",    "breaker-fast", "outage",      "lead-open",
        "lead-short", "undervoltage", "anti-stick", "arc-loss",     "unit-fault",  "switched-off",
        "engine",     "watchdog",     "estop",      "bank-hot",     "supply-trip", "sleep",
    };
    return trip < VBENCH_TRIP_COUNT_ ? names[trip] : "?";
}

void vbench_free(struct vbench *vb)
{
    free(vb);
}
