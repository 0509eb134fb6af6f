#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "vb_scenario.h"

static int look_up(struct vb_yaml *y, yaml_node_t *map, const char *key, int missing, const char *names, size_t stride,
                   int count)
{
    yaml_node_t *v = vb_yaml_get(y, map, key);
    if (!v)
        return missing;
    const char *text = vb_yaml_scalar(y, v);
    for (int i = 0; i < count; i++)
        if (strcmp(names + stride * (size_t)i, text) == 0)
            return i;
    vb_yaml_fail(y, v, "there is none of this name above", key);
    return -2;
}

int vb_scenario_channel(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing)
{
    return look_up(y, map, key, missing, vb->channel[0].name, sizeof vb->channel[0], vb->channel_count);
}

int vb_scenario_circuit(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing)
{
    return look_up(y, map, key, missing, vb->circuit[0].name, sizeof vb->circuit[0], vb->circuit_count);
}

int vb_scenario_device(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing)
{
    return look_up(y, map, key, missing, vb->device[0].name, sizeof vb->device[0], vb->device_count);
}

int vb_scenario_unit(struct vbench *vb, struct vb_yaml *y, yaml_node_t *map, const char *key, int missing)
{
    return look_up(y, map, key, missing, vb->unit[0].serial, sizeof vb->unit[0], vb->unit_count);
}

static int events(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list)
{
    int n = vb_yaml_count(y, list);
    if (n > VB_EVENTS_MAX)
        return vb_yaml_fail(y, list, "too many events", NULL);
    for (int i = 0; i < n; i++)
        if (vb_scenario_event(vb, y, vb_yaml_item(y, list, i), &vb->event[vb->event_count++]) != 0)
            return -1;
    return 0;
}

/* Everything starts at the temperature of the room, with the mains on. */
static void settle(struct vbench *vb)
{
    vb->room_degc = vb->room_base;
    for (int i = 0; i < vb->circuit_count; i++)
        vb->circuit[i].u_v = vb->circuit[i].line_v;
    for (int i = 0; i < vb->unit_count; i++) {
        struct vb_unit *u = &vb->unit[i];
        double air = isnan(u->intake_degc) ? vb->room_base : u->intake_degc;
        u->t_a = u->t_b = u->t_exhaust = air;
        u->rpm = u->engine ? u->rated_rpm : 0;
        u->fold = 1;
        u->u1_v = u->engine ? 0 : u->supply_v;
    }
    for (int c = 0; c < vb->channel_count; c++) {
        vb->channel[c].t_lead = vb->room_base;
        vb->channel[c].load_ohm = INFINITY;
        for (int s = 0; s < STEPS_MAX; s++)
            vb->channel[c].step[s].t_degc = vb->room_base;
    }
    for (int d = 0; d < vb->device_count; d++)
        vb->device[d].ctl.t_air = vb->room_base;
}

static int load(struct vbench *vb, struct vb_yaml *y)
{
    yaml_node_t *root = vb_yaml_root(y);
    vb_yaml_text(y, root, "scenario", vb->name, sizeof vb->name, "unnamed");
    vb->seed = (uint64_t)vb_yaml_integer(y, root, "seed", 1, 0, INT64_MAX);
    /* Lies in the past, so that no stamp is ever ahead of the wall clock. */
    vb->epoch_s = vb_yaml_integer(y, root, "epoch_s", 1767225600, 0, UINT32_MAX);
    vb->rate = vb_yaml_number(y, root, "rate", 1);
    yaml_node_t *room = vb_yaml_get(y, root, "room");
    vb->room_base = vb_yaml_number(y, room, "t_degc", 22);
    vb->room_k_per_kw = vb_yaml_number(y, room, "k_per_kw", 0);
    vb->room_tau_s = vb_yaml_number(y, room, "tau_s", 1800);
    vb->line_random = vb_random_stream(vb->seed, "lines");
    if (vb->rate <= 0 || vb->rate > 100000)
        return vb_yaml_fail(y, root, "a rate above 0 is expected", "rate");
    if (vb_scenario_circuits(vb, y, vb_yaml_get(y, root, "circuits")) != 0 ||
        vb_scenario_units(vb, y, vb_yaml_get(y, root, "units")) != 0 ||
        vb_scenario_channels(vb, y, vb_yaml_get(y, root, "channels")) != 0 ||
        vb_scenario_buses(vb, y, vb_yaml_get(y, root, "buses")) != 0 ||
        vb_scenario_devices(vb, y, vb_yaml_get(y, root, "devices")) != 0 ||
        events(vb, y, vb_yaml_get(y, root, "events")) != 0)
        return -1;
    settle(vb);
    return y->failed ? -1 : vb_yaml_all_used(y);
}

int vb_scenario_load(struct vbench *vb, const char *text, size_t size, struct vbench_error *err)
{
    struct vb_yaml y;
    int result = vb_yaml_parse(&y, text, size);
    if (result == 0)
        result = load(vb, &y);
    if (result != 0 && err)
        snprintf(err->text, sizeof err->text, "%s", y.error);
    vb_yaml_free(&y);
    return result;
}

int vb_event_parse(struct vbench *vb, const char *text, struct vb_event *event, struct vbench_error *err)
{
    struct vb_yaml y;
    int result = vb_yaml_parse(&y, text, strlen(text));
    if (result == 0)
        result = vb_scenario_event(vb, &y, vb_yaml_root(&y), event);
    if (result == 0)
        result = vb_yaml_all_used(&y);
    if (result != 0 && err)
        snprintf(err->text, sizeof err->text, "%s", y.error);
    vb_yaml_free(&y);
    return result;
}
