/* Reads buses, devices and events of a scenario. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "vb_scenario.h"

int vb_scenario_buses(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list)
{
    static const char *const kinds[] = {"modbus-tcp", "modbus-rtu", "text-pty", "text-tcp", NULL};
    int n = vb_yaml_count(y, list);
    if (n > BUSES_MAX)
        return vb_yaml_fail(y, list, "too many buses", NULL);
    for (int i = 0; i < n; i++) {
        yaml_node_t *m = vb_yaml_item(y, list, i);
        struct vb_bus *b = &vb->bus[i];
        vb_yaml_text(y, m, "name", b->name, sizeof b->name, "");
        b->kind = (enum vb_bus_kind)vb_yaml_word(y, m, "kind", kinds, 0);
        b->port = (int)vb_yaml_integer(y, m, "port", 0, 0, 65535);
        vb_yaml_text(y, m, "link", b->link, sizeof b->link, "");
        b->baud = (int)vb_yaml_integer(y, m, "baud", 19200, 300, 4000000);
        vb->bus_count++;
    }
    return y->failed ? -1 : 0;
}

static struct vb_meter_habits habits(struct vb_yaml *y, yaml_node_t *m, double refresh_s)
{
    return (struct vb_meter_habits){
        .refresh_s = vb_yaml_number(y, m, "refresh_s", refresh_s),
        .averaging_s = vb_yaml_number(y, m, "averaging_s", 0),
        .damping_s = vb_yaml_number(y, m, "damping_s", 0),
        .noise = vb_yaml_number(y, m, "noise", 0),
        .noise_of_reading = vb_yaml_number(y, m, "noise_of_reading", 0),
        .offset = vb_yaml_number(y, m, "offset", 0),
        .gain = vb_yaml_number(y, m, "gain", 1),
        .resolution = vb_yaml_number(y, m, "resolution", 0),
    };
}

static void controller(struct vb_yaml *y, yaml_node_t *m, struct vb_controller *k)
{
    static const char *const feeds[] = {"change", "write", "any-frame", NULL};
    yaml_node_t *w = vb_yaml_get(y, m, "watchdog");
    k->has_watchdog = vb_yaml_bool(y, w, "fitted", true);
    k->watchdog_s = (uint16_t)vb_yaml_integer(y, w, "after_s", 5, 0, 65535);
    k->feed = (enum vb_beat_feed)vb_yaml_word(y, w, "fed_by", feeds, 0);
    k->power_up = 1;
    k->key = vb_yaml_bool(y, m, "key_switch", true);
    yaml_node_t *f = vb_yaml_get(y, m, "bank_fan");
    k->fan_spin_s = vb_yaml_number(y, f, "spin_s", 1);
    k->k_per_w = vb_yaml_number(y, f, "k_per_w", 0.004);
    k->k_per_w_still = vb_yaml_number(y, f, "k_per_w_still", 0.05);
    k->air_tau_s = vb_yaml_number(y, f, "tau_s", 30);
    k->own_thermostat_degc = vb_yaml_number(y, m, "thermostat_degc", 300);
}

static int device_channels(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m, struct vb_device *d)
{
    yaml_node_t *list = vb_yaml_get(y, m, "channels");
    d->channel_count = vb_yaml_count(y, list);
    if (d->channel_count > STEPS_MAX)
        return vb_yaml_fail(y, list, "too many channels for one device", NULL);
    for (int i = 0; i < d->channel_count; i++) {
        yaml_node_t *item = vb_yaml_item(y, list, i);
        const char *name = vb_yaml_scalar(y, item);
        d->channels[i] = vbench_channel_find(vb, name);
        if (d->channels[i] < 0)
            return vb_yaml_fail(y, item, "there is no such channel", name);
        vb->channel[d->channels[i]].bank = (int)(d - vb->device);
    }
    return 0;
}

/* Inputs of a scanner, thermometer or multimeter: probes, or "open" for nothing wired. */
static int device_inputs(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m, struct vb_device *d,
                         const struct vb_meter_habits *h)
{
    yaml_node_t *list = vb_yaml_get(y, m, "inputs");
    d->input_count = vb_yaml_count(y, list);
    if (d->input_count > VB_INPUTS)
        return vb_yaml_fail(y, list, "too many inputs", NULL);
    for (int i = 0; i < d->input_count; i++) {
        yaml_node_t *item = vb_yaml_item(y, list, i);
        const char *probe = vb_yaml_scalar(y, item);
        d->inputs[i] = strcmp(probe, "open") == 0 ? -1 : vb_meter_add(vb, d, probe, h);
        if (d->inputs[i] < 0 && strcmp(probe, "open") != 0)
            return vb_yaml_fail(y, item, "no such quantity", probe);
    }
    return 0;
}

/* contents: [{table: holding, first: 107, values: [555, 0, 100]}] */
static int device_contents(struct vb_yaml *y, yaml_node_t *m, struct vb_device *d)
{
    static const char *const tables[] = {"input", "holding", "coil", "discrete", NULL};
    yaml_node_t *list = vb_yaml_get(y, m, "contents");
    for (int i = 0; i < vb_yaml_count(y, list); i++) {
        yaml_node_t *part = vb_yaml_item(y, list, i);
        enum vb_table table = (enum vb_table)vb_yaml_word(y, part, "table", tables, VB_HOLDING);
        int first = (int)vb_yaml_integer(y, part, "first", 0, 0, 65535);
        yaml_node_t *values = vb_yaml_get(y, part, "values");
        for (int n = 0; n < vb_yaml_count(y, values); n++) {
            char *end = NULL;
            const char *text = vb_yaml_scalar(y, vb_yaml_item(y, values, n));
            long value = strtol(text, &end, 0);
            if (end == text || *end || value < 0 || value > 65535 || first + n > 65535)
                return vb_yaml_fail(y, part, "registers hold 0 to 65535", "values");
            if (vb_layout_stored(d, table, first + n, (double)value) != 0)
                return vb_yaml_fail(y, part, "too many registers", "values");
        }
    }
    return 0;
}

static int recorder(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m, struct vb_device *d, const char *of)
{
    yaml_node_t *b = vb_yaml_get(y, m, "buffer");
    const struct vb_recorder_habits h = {.interval_ns = vb_yaml_seconds(y, b, "interval_s", 0.01),
                                         .count = (int)vb_yaml_integer(y, b, "count", 400, 16, VB_SAMPLES),
                                         .before_pct = (int)vb_yaml_integer(y, b, "before_pct", 50, 0, 100),
                                         .noise_u = vb_yaml_number(y, b, "noise_v", 0.05),
                                         .noise_i = vb_yaml_number(y, b, "noise_a", 0.3)};
    if (vb_recorder_add(vb, d, &h, of) != 0)
        return vb_yaml_fail(y, m, "`of` must name a channel, and there are 8 fast meters at most", of);
    return 0;
}

static int one_device(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m, struct vb_device *d)
{
    static const char *const kinds[] = {"stepped-bank",    "settable-load",  "thermocouple-scanner",
                                        "supply-meter",    "dc-shunt-meter", "line-printing-thermometer",
                                        "scpi-multimeter", "text-load",      "fast-meter",
                                        "scpi-recorder",   "registers",      NULL};
    static const char *const quantities[] = {"rms", "mean", NULL};
    vb_yaml_text(y, m, "name", d->name, sizeof d->name, "");
    d->kind = (enum vb_device_kind)vb_yaml_word(y, m, "kind", kinds, 0);
    char bus[NAME_CAP], of[NAME_CAP];
    yaml_node_t *where = vb_yaml_get(y, m, "bus");
    vb_yaml_text(y, m, "bus", bus, sizeof bus, "");
    d->bus = vb_bus_find(vb, bus);
    if (d->bus < 0)
        return vb_yaml_fail(y, where ? where : m, "there is no such bus", bus);
    d->server = (int)vb_yaml_integer(y, m, "server", 1, 1, 247);
    d->answer_ns = vb_yaml_seconds(y, m, "answer_s", 0.002);
    d->powered_from = vb_scenario_circuit(vb, y, m, "powered_from", -1);
    d->keep_first = (int)vb_yaml_integer(y, m, "refuses_from", -1, -1, 65535);
    d->keep_last = (int)vb_yaml_integer(y, m, "refuses_to", d->keep_first, -1, 65535);
    d->mean = vb_yaml_word(y, m, "quantity", quantities, 0) == 1;
    d->interval_ns = vb_yaml_seconds(y, m, "interval_s", 1);
    vb_yaml_text(y, m, "of", of, sizeof of, "");
    struct vb_meter_habits h = habits(y, vb_yaml_get(y, m, "meters"), d->kind <= VB_SETTABLE_LOAD ? 0.1 : 0.5);
    controller(y, m, &d->ctl);
    const char *why = "";
    d->recorder = -1;
    if ((d->kind == VB_FAST_METER || d->kind == VB_SCPI_RECORDER) && recorder(vb, y, m, d, of) != 0)
        return -1;
    if (device_channels(vb, y, m, d) != 0 || device_inputs(vb, y, m, d, &h) != 0)
        return -1;
    if (vb_layout(vb, d, &h, of, &why) != 0)
        return vb_yaml_fail(y, m, why, d->name);
    return y->failed ? -1 : device_contents(y, m, d);
}

int vb_scenario_devices(struct vbench *vb, struct vb_yaml *y, yaml_node_t *list)
{
    int n = vb_yaml_count(y, list);
    if (n > DEVICES_MAX)
        return vb_yaml_fail(y, list, "too many devices", NULL);
    for (int i = 0; i < n; i++)
        if (one_device(vb, y, vb_yaml_item(y, list, i), &vb->device[vb->device_count++]) != 0)
            return -1;
    return 0;
}

/* Which object an action needs, and the key of its value. */
struct action {
    const char *word;
    char object; /* s: channel and step, c: channel, r: channel and unit, k: circuit, u: unit, d: device, m: meter,
                    b: nothing */
    const char *value;
};

static const struct action actions[VB_ACTIONS] = {
    [VB_DO_WELD] = {"weld", 's', NULL},
    [VB_DO_STICK_OPEN] = {"stick-open", 's', NULL},
    [VB_DO_FREE_CONTACT] = {"free-contact", 's', NULL},
    [VB_DO_ELEMENT_OPEN] = {"element-open", 's', NULL},
    [VB_DO_FEEDBACK_STUCK] = {"feedback-stuck", 'c', NULL},
    [VB_DO_FAN_STOP] = {"fan-stop", 'd', NULL},
    [VB_DO_FAN_START] = {"fan-start", 'd', NULL},
    [VB_DO_ESTOP] = {"press-estop", 'b', NULL},
    [VB_DO_ESTOP_RELEASE] = {"release-estop", 'b', NULL},
    [VB_DO_SMOKE] = {"smoke", 'd', NULL},
    [VB_DO_SMOKE_CLEAR] = {"smoke-clear", 'd', NULL},
    [VB_DO_ISOLATE] = {"isolate", 'c', NULL},
    [VB_DO_UNISOLATE] = {"connect", 'c', NULL},
    [VB_DO_OUTAGE] = {"outage", 'k', NULL},
    [VB_DO_SUPPLY_BACK] = {"supply-back", 'k', NULL},
    [VB_DO_SUPPLY] = {"supply-voltage", 'k', "voltage_v"},
    [VB_DO_LOOP] = {"supply-loop", 'k', "ohm"},
    [VB_DO_TRIP_BREAKER] = {"trip-breaker", 'k', NULL},
    [VB_DO_CLOSE_BREAKER] = {"close-breaker", 'k', NULL},
    [VB_DO_PHASE_LOSS] = {"phase-loss", 'k', NULL},
    [VB_DO_PHASE_BACK] = {"phase-back", 'k', NULL},
    [VB_DO_PHASE_VOLTAGE] = {"phase-voltage", 'k', "share"},
    [VB_DO_LEAD_OPEN] = {"lead-open", 'c', NULL},
    [VB_DO_LEAD_SHORT] = {"lead-short", 'c', NULL},
    [VB_DO_LEAD_MEND] = {"lead-mend", 'c', NULL},
    [VB_DO_LEAD_OHM] = {"lead-ohm", 'c', "ohm"},
    [VB_DO_SWITCH_OFF] = {"switch-off", 'u', NULL},
    [VB_DO_SWITCH_ON] = {"switch-on", 'u', NULL},
    [VB_DO_UNIT_FAULT] = {"unit-fault", 'u', NULL},
    [VB_DO_UNIT_FAN_STOP] = {"unit-fan-stop", 'u', NULL},
    [VB_DO_ENGINE_STOP] = {"engine-stop", 'u', NULL},
    [VB_DO_SET_CURRENT] = {"set-current", 'u', "a"},
    [VB_DO_SET_VOLTAGE] = {"set-voltage", 'u', "v"},
    [VB_DO_INTAKE] = {"intake", 'u', "degc"},
    [VB_DO_WARM] = {"warm", 'u', "degc"},
    [VB_DO_CORD] = {"cord-ohm", 'u', "ohm"},
    [VB_DO_RIG] = {"rig", 'r', NULL},
    [VB_DO_ROOM] = {"room", 'b', "degc"},
    [VB_DO_SENSE_OFF] = {"sense-off", 'm', NULL},
    [VB_DO_SENSE_BACK] = {"sense-back", 'm', NULL},
    [VB_DO_METER_OFFSET] = {"meter-offset", 'm', "offset"},
    [VB_DO_POWER_CYCLE] = {"power-cycle", 'd', NULL},
    [VB_DO_CLOCK_JUMP] = {"clock-jump", 'd', "seconds"},
    [VB_DO_KEY_OFF] = {"key-off", 'd', NULL},
    [VB_DO_KEY_ON] = {"key-on", 'd', NULL},
    [VB_DO_BUFFER_FREEZE] = {"buffer-freeze", 'd', NULL},
    [VB_DO_BUFFER_TEAR] = {"buffer-tear", 'd', NULL},
    [VB_DO_BUFFER_SHORTEN] = {"buffer-shorten", 'd', NULL},
    [VB_DO_BUFFER_MEND] = {"buffer-mend", 'd', NULL},
    [VB_DO_PEAK_STICK] = {"peak-stick", 'd', NULL},
    [VB_DO_FAULT] = {"fault", 'b', NULL},
};

static int fault(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m, struct vb_fault *f)
{
    static const char *const kinds[] = {"silence", "late", "wrong-crc", "truncated", "exception", "wrong-server",
                                        "noise",   "gone", "frozen",    "stuck",     "dribble",   NULL};
    static const char *const tables[] = {"input", "holding", "coil", "discrete", NULL};
    char bus[NAME_CAP];
    f->kind = (enum vb_fault_kind)vb_yaml_word(y, m, "kind", kinds, 0);
    f->device = vb_scenario_device(vb, y, m, "device", -1);
    vb_yaml_text(y, m, "bus", bus, sizeof bus, "");
    f->bus = f->device >= 0 ? vb->device[f->device].bus : vb_bus_find(vb, bus);
    f->from_ns = 0;
    f->until_ns = vb_yaml_seconds(y, m, "for_s", 0);
    if (f->until_ns == 0)
        f->until_ns = VB_NEVER;
    f->delay_ns = vb_yaml_seconds(y, m, "delay_s", 1);
    f->code = (int)vb_yaml_integer(y, m, "code", 4, 1, 255);
    f->share_pct = (int)vb_yaml_integer(y, m, "share_pct", 100, 0, 100);
    f->table = vb_yaml_word(y, m, "table", tables, 0);
    f->address = (int)vb_yaml_integer(y, m, "register", 0, 0, 65535);
    if (f->bus < 0)
        return vb_yaml_fail(y, m, "a fault needs a device or a bus", NULL);
    if (f->device < 0 && (f->kind == VB_FROZEN || f->kind == VB_STUCK))
        return vb_yaml_fail(y, m, "this fault needs a device", NULL);
    return 0;
}

/* The meter on a probe; of a device when one is named. */
static int find_meter(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m)
{
    char name[2 * NAME_CAP];
    vb_yaml_text(y, m, "meter", name, sizeof name, "");
    for (int i = 0; i < vb->meter_count; i++)
        if (strcmp(vb->meter[i].name, name) == 0)
            return i;
    vb_yaml_fail(y, m, "a meter as DEVICE/PROBE is expected", "meter");
    return -2;
}

int vb_scenario_event(struct vbench *vb, struct vb_yaml *y, yaml_node_t *m, struct vb_event *e)
{
    const char *words[VB_ACTIONS + 1] = {0};
    for (int i = 0; i < VB_ACTIONS; i++)
        words[i] = actions[i].word;
    int which = vb_yaml_word(y, m, "do", words, -1);
    *e = (struct vb_event){.channel = -1, .circuit = -1, .device = -1, .unit = -1, .meter = -1};
    if (which < 0)
        return vb_yaml_fail(y, m, "what to do is missing", "do");
    const struct action *a = &actions[which];
    e->action = (enum vb_action)which;
    e->at_ns = vb_yaml_seconds(y, m, "at_s", 0);
    if (a->object == 's' || a->object == 'c' || a->object == 'r')
        e->channel = vb_scenario_channel(vb, y, m, "channel", -2);
    if (a->object == 's')
        e->step = (int)vb_yaml_integer(y, m, "step", 0, 0, STEPS_MAX - 1);
    if (a->object == 'k') {
        static const char *const phases[] = {"a", "b", "c", NULL};
        e->circuit = vb_scenario_circuit(vb, y, m, "circuit", -2);
        e->phase = vb_yaml_word(y, m, "phase", phases, 2);
    }
    if (a->object == 'u')
        e->unit = vb_scenario_unit(vb, y, m, "unit", -2);
    if (a->object == 'r') /* without a unit: the channel is cleared */
        e->unit = vb_scenario_unit(vb, y, m, "unit", -1);
    if (a->object == 'd')
        e->device = vb_scenario_device(vb, y, m, "device", -2);
    if (a->object == 'm')
        e->meter = find_meter(vb, y, m);
    if (e->channel == -2 || e->circuit == -2 || e->unit == -2 || e->device == -2)
        return vb_yaml_fail(y, m, "this needs the name of a channel, circuit, unit or device", a->word);
    if (a->value)
        e->value = vb_yaml_number(y, m, a->value, 0);
    if (e->action == VB_DO_FAULT)
        fault(vb, y, m, &e->fault);
    return y->failed ? -1 : 0;
}
