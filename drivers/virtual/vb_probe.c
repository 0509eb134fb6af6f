/* Quantities by name: OBJECT.QUANTITY, where the object is a channel, a circuit, a load device or "room". */
#include <math.h>
#include <string.h>

#include "vb_world.h"

enum vb_probe_kind {
    P_I2,
    P_I2_MEAN,
    P_U2,
    P_U2_MEAN,
    P_U2_PEAK,
    P_U_BANK,
    P_U1,
    P_U1_A,
    P_U1_B,
    P_U1_C,
    P_I1,
    P_I1_A,
    P_I1_B,
    P_I1_C,
    P_P1,
    P_T_A,
    P_T_CASE,
    P_T_EXHAUST,
    P_T_INTAKE,
    P_T_LEAD,
    P_LAMP,
    P_RPM,
    CHANNEL_PROBES,
    P_CIRCUIT_U = CHANNEL_PROBES,
    P_CIRCUIT_U_A,
    P_CIRCUIT_U_B,
    P_CIRCUIT_U_C,
    P_CIRCUIT_LINE,
    P_CIRCUIT_I,
    P_CIRCUIT_I_A,
    P_CIRCUIT_I_B,
    P_CIRCUIT_I_C,
    P_CIRCUIT_P,
    P_CIRCUIT_AUX,
    P_CIRCUIT_PF,
    P_CIRCUIT_HZ,
    CIRCUIT_PROBES,
    P_T_BANK = CIRCUIT_PROBES,
    P_FAN,
    P_BEACON,
    DEVICE_PROBES,
    P_ROOM = DEVICE_PROBES
};

static const char *const channel_names[] = {
    "i2",     "i2_mean",   "u2",       "u2_mean", "u2_peak", "u_bank",       "u1", "u1_a",
    "u1_b",   "u1_c",      "i1",       "i1_a",    "i1_b",    "i1_c",         "p1", "t_a",
    "t_case", "t_exhaust", "t_intake", "t_lead",  "lamp",    "engine_speed",
};
static const char *const circuit_names[] = {
    "u1", "u1_a", "u1_b", "u1_c", "u1_line", "i1", "i1_a", "i1_b", "i1_c", "p1", "aux", "pf", "hz",
};

static const char *const device_names[] = {"t_bank", "fan", "beacon"};

static int name_index(const char *const *names, int count, const char *name)
{
    for (int i = 0; i < count; i++)
        if (strcmp(names[i], name) == 0)
            return i;
    return -1;
}

static int named(const char *name, size_t size, const char *object)
{
    return strlen(name) == size && memcmp(name, object, size) == 0;
}

int vb_probe_parse(const struct vbench *vb, const char *text, struct vb_probe *probe)
{
    const char *dot = strchr(text, '.');
    if (!dot)
        return -1;
    size_t size = (size_t)(dot - text);
    for (int i = 0; i < vb->channel_count; i++) {
        if (!named(vb->channel[i].name, size, text))
            continue;
        int k = name_index(channel_names, CHANNEL_PROBES, dot + 1);
        *probe = (struct vb_probe){.kind = (uint8_t)k, .index = i};
        return k < 0 ? -1 : 0;
    }
    for (int i = 0; i < vb->circuit_count; i++) {
        if (!named(vb->circuit[i].name, size, text))
            continue;
        int k = name_index(circuit_names, CIRCUIT_PROBES - CHANNEL_PROBES, dot + 1);
        *probe = (struct vb_probe){.kind = (uint8_t)(CHANNEL_PROBES + k), .index = i};
        return k < 0 ? -1 : 0;
    }
    for (int i = 0; i < vb->device_count; i++) {
        if (!named(vb->device[i].name, size, text))
            continue;
        int k = name_index(device_names, DEVICE_PROBES - CIRCUIT_PROBES, dot + 1);
        *probe = (struct vb_probe){.kind = (uint8_t)(CIRCUIT_PROBES + k), .index = i};
        return k < 0 ? -1 : 0;
    }
    if (strcmp(text, "room.t") == 0) {
        *probe = (struct vb_probe){.kind = P_ROOM};
        return 0;
    }
    return -1;
}

/* A DC instrument on AC shows the difference of the half-waves. */
static double mean(const struct vb_unit *u, double value)
{
    return u && u->ac ? value * (2 * u->balance - 1) : value;
}

/* A load of constant power takes from each phase by its voltage: what three carried, two must when one is gone. */
static double share_of_phase(const struct vb_circuit *k, int phase, double amps)
{
    double sum = k->phase_share[0] + k->phase_share[1] + k->phase_share[2];
    if (k->phases != 3)
        return phase == 0 ? amps : 0;
    return sum > 0 ? amps * 3 * k->phase_share[phase] / sum : 0;
}

static double volts_of_phase(const struct vb_circuit *k, int phase, double volts)
{
    if (k->phases != 3)
        return phase == 0 ? volts : 0;
    return k->phase_share[phase] * volts / sqrt(3);
}

/* Mean of the three voltages between lines; the phases stay 120 degrees apart. */
static double volts_between_lines(const struct vb_circuit *k, double volts)
{
    double sum = 0;
    if (k->phases != 3)
        return volts;
    for (int i = 0; i < 3; i++) {
        double a = k->phase_share[i], b = k->phase_share[(i + 1) % 3];
        sum += sqrt(a * a + b * b + a * b);
    }
    return volts * sum / (3 * sqrt(3));
}

static double of_unit(const struct vbench *vb, const struct vb_channel *c, int kind)
{
    static const struct vb_circuit none = {.phases = 1, .phase_share = {1, 1, 1}};
    if (c->unit < 0)
        return kind >= P_T_A && kind <= P_T_INTAKE ? vb->room_degc : 0;
    const struct vb_unit *u = &vb->unit[c->unit];
    const struct vb_circuit *k = c->circuit >= 0 ? &vb->circuit[c->circuit] : &none;
    double air = isnan(u->intake_degc) ? vb->room_degc : u->intake_degc;
    switch (kind) {
    case P_U1:
        return volts_between_lines(k, u->u1_v);
    case P_U1_A:
    case P_U1_B:
    case P_U1_C:
        return volts_of_phase(k, kind - P_U1_A, u->u1_v);
    case P_I1:
        return u->i1_a;
    case P_I1_A:
    case P_I1_B:
    case P_I1_C:
        return share_of_phase(k, kind - P_I1_A, u->i1_a);
    case P_P1:
        return u->u1_v > 0 ? u->p1_w : 0;
    case P_T_A:
        return u->t_a;
    case P_T_CASE:
        return air + u->case_share * (u->t_b - air);
    case P_T_EXHAUST:
        return u->t_exhaust;
    case P_T_INTAKE:
        return air;
    case P_LAMP:
        return u->cut_out && u->powered ? 1 : 0;
    case P_RPM:
        return u->rpm;
    default:
        return NAN;
    }
}

static double of_channel(const struct vbench *vb, const struct vb_channel *c, int kind)
{
    int from = c->crossed >= 0 ? vb->channel[c->crossed].unit : c->unit;
    const struct vb_unit *u = from >= 0 ? &vb->unit[from] : NULL;
    double sensed = c->u2_at_bank ? c->u_bank : c->u_unit;
    double peak = 0;
    switch (kind) {
    case P_I2:
        return c->i_a;
    case P_I2_MEAN:
        return mean(u, c->i_a);
    case P_U2:
        return sensed;
    case P_U2_MEAN:
        return mean(u, sensed);
    case P_U2_PEAK:
        for (int i = 0; i < VB_PEAKS; i++)
            peak = c->peak[i] > peak ? c->peak[i] : peak;
        return peak;
    case P_U_BANK:
        return c->u_bank;
    case P_T_LEAD:
        return c->t_lead;
    default:
        return of_unit(vb, c, kind);
    }
}

static double of_circuit(const struct vb_circuit *k, int kind)
{
    double va;
    switch (kind) {
    case P_CIRCUIT_U:
        return volts_between_lines(k, k->u_v);
    case P_CIRCUIT_U_A:
    case P_CIRCUIT_U_B:
    case P_CIRCUIT_U_C:
        return volts_of_phase(k, kind - P_CIRCUIT_U_A, k->u_v);
    case P_CIRCUIT_LINE:
        return k->outage ? 0 : k->line_v;
    case P_CIRCUIT_I:
        return k->i_a;
    case P_CIRCUIT_I_A:
    case P_CIRCUIT_I_B:
    case P_CIRCUIT_I_C:
        return share_of_phase(k, kind - P_CIRCUIT_I_A, k->i_a);
    case P_CIRCUIT_P:
        return k->p_w;
    case P_CIRCUIT_AUX:
        return k->breaker_open ? 0 : 1;
    case P_CIRCUIT_PF:
        va = k->u_v * k->i_a * (k->phases == 3 ? sqrt(3) : 1);
        return va > 0 ? k->p_w / va : 0;
    default:
        return k->outage ? 0 : k->hz;
    }
}

static double of_device(const struct vb_controller *k, int kind)
{
    return kind == P_T_BANK ? k->t_air : kind == P_FAN ? k->fan_speed : k->beacon;
}

double vb_probe_value(const struct vbench *vb, struct vb_probe probe)
{
    if (probe.kind < CHANNEL_PROBES)
        return of_channel(vb, &vb->channel[probe.index], probe.kind);
    if (probe.kind < CIRCUIT_PROBES)
        return of_circuit(&vb->circuit[probe.index], probe.kind);
    if (probe.kind < DEVICE_PROBES)
        return of_device(&vb->device[probe.index].ctl, probe.kind);
    return vb->room_degc;
}

double vbench_probe(const struct vbench *vb, const char *text)
{
    struct vb_probe probe;
    return vb_probe_parse(vb, text, &probe) == 0 ? vb_probe_value(vb, probe) : NAN;
}
