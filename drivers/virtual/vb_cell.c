/* Registers: values to bytes on the wire and back, in this bench's own words. */
#include <math.h>
#include <string.h>

#include "vb_world.h"

int vb_cell_width(enum vb_type type)
{
    switch (type) {
    case VB_I32:
    case VB_U32:
    case VB_F32:
        return 2;
    case VB_I64:
    case VB_F64:
        return 4;
    default:
        return 1;
    }
}

static double channel_value(const struct vbench *vb, const struct vb_cell *cell)
{
    const struct vb_channel *c = &vb->channel[cell->index];
    switch (cell->source) {
    case VB_STEPS:
        return c->command;
    case VB_FEEDBACK:
        return vb_bank_feedback(c);
    case VB_TRIGGER:
        return c->trigger_command;
    case VB_TRIP:
        return c->trip_command;
    case VB_ISOLATED:
        return c->isolated;
    case VB_SUPPLY_OPEN:
        return c->supply_open;
    case VB_LAMP:
        return c->unit >= 0 && vb->unit[c->unit].cut_out && vb->unit[c->unit].powered;
    case VB_AUX:
        return c->circuit < 0 || !vb->circuit[c->circuit].breaker_open;
    case VB_OPERATIONS:
        return c->operations;
    case VB_REMOTE:
        return c->remote_v;
    case VB_SET_OHM:
        return c->set_ohm;
    case VB_SET_A:
        return c->set_a;
    default:
        return NAN;
    }
}

double vb_cell_value(const struct vbench *vb, const struct vb_device *d, const struct vb_cell *cell)
{
    const struct vb_controller *k = &d->ctl;
    switch (cell->source) {
    case VB_CONST:
    case VB_STORED:
        return cell->value;
    case VB_METER:
        return vb_meter_value(vb, cell->index);
    case VB_EMF:
        return vb_emf_k(vb_meter_value(vb, cell->index)) - vb_emf_k(vb->room_degc);
    case VB_RATE:
        return vb->rate;
    case VB_EPOCH:
        return (double)vb->epoch_s;
    case VB_CLOCK:
        /* Whole seconds, as a clock register counts them. NOLINTNEXTLINE(bugprone-integer-division) */
        return (double)((vb->now_ns + d->clock_jump_ns) / VB_S + vb->epoch_s);
    case VB_POWER_UP:
        return k->power_up;
    case VB_BEAT:
        return k->beat;
    case VB_WATCHDOG:
        return k->watchdog_s;
    case VB_DROP:
        return k->drop;
    case VB_FAN:
        return k->fan_command;
    case VB_FAN_PROOF:
        return k->fan_speed > 0.5;
    case VB_BEACON:
        return k->beacon;
    case VB_ESTOP:
        return vb->estop;
    case VB_SMOKE:
        return k->smoke;
    case VB_KEY:
        return k->key;
    case VB_UPTIME:
        /* Whole seconds. NOLINTNEXTLINE(bugprone-integer-division) */
        return (double)((vb->now_ns - k->started_ns) / VB_S);
    default:
        return cell->source >= VB_BUFFER_STATE ? vb_recorder_value(vb, cell) : channel_value(vb, cell);
    }
}

static void limits(enum vb_type type, double *low, double *high)
{
    static const double lows[] = {0, -32768, 0, -2147483648.0, 0, -0x1p63};
    static const double highs[] = {1, 32767, 65535, 2147483647.0, 4294967295.0, 0x1.fffffffffffffp62};
    *low = lows[type];
    *high = highs[type];
}

/* The bit pattern of a value in a type, right-aligned. */
static uint64_t pattern(enum vb_type type, double raw)
{
    if (type == VB_F32) {
        float f = (float)raw;
        uint32_t bits;
        memcpy(&bits, &f, sizeof bits);
        return bits;
    }
    if (type == VB_F64) {
        uint64_t bits;
        memcpy(&bits, &raw, sizeof bits);
        return bits;
    }
    return (uint64_t)(int64_t)(raw < 0 ? raw - 0.5 : raw + 0.5);
}

/* Lays bytes, most significant first, out in the order of a meter: words swapped, bytes in each word swapped. */
static void order_bytes(uint8_t *bytes, int registers, enum vb_order order)
{
    if (order == VB_CDAB || order == VB_DCBA)
        for (int i = 0; i < registers / 2; i++)
            for (int b = 0; b < 2; b++) {
                uint8_t *x = &bytes[2 * i + b], *y = &bytes[2 * (registers - 1 - i) + b], z = *x;
                *x = *y;
                *y = z;
            }
    if (order == VB_BADC || order == VB_DCBA)
        for (int i = 0; i < registers; i++) {
            uint8_t z = bytes[2 * i];
            bytes[2 * i] = bytes[2 * i + 1];
            bytes[2 * i + 1] = z;
        }
}

void vb_cell_encode(const struct vbench *vb, const struct vb_device *d, const struct vb_cell *cell, uint8_t *bytes)
{
    double value = vb_cell_value(vb, d, cell);
    double raw = cell->stuck ? cell->stuck_raw : value / cell->scale;
    if (isnan(raw))
        raw = cell->invalid;
    if (cell->type != VB_F32 && cell->type != VB_F64) {
        double low, high;
        limits(cell->type, &low, &high);
        raw = isnan(raw) ? 0 : raw < low ? low : raw > high ? high : raw;
    }
    int n = vb_cell_width(cell->type);
    uint64_t bits = pattern(cell->type, raw);
    for (int i = 0; i < 2 * n; i++)
        bytes[i] = (uint8_t)(bits >> (8 * (2 * n - 1 - i)));
    order_bytes(bytes, n, cell->order);
}

static double decode(const struct vb_cell *cell, const uint8_t *from)
{
    uint8_t bytes[8] = {0};
    int n = vb_cell_width(cell->type);
    memcpy(bytes, from, 2 * (size_t)n);
    order_bytes(bytes, n, cell->order);
    uint64_t bits = 0;
    for (int i = 0; i < 2 * n; i++)
        bits = bits << 8 | bytes[i];
    float f;
    double g;
    uint32_t low = (uint32_t)bits;
    switch (cell->type) {
    case VB_I16:
        return (int16_t)bits;
    case VB_I32:
        return (int32_t)bits;
    case VB_I64:
        return (double)(int64_t)bits;
    case VB_F32:
        memcpy(&f, &low, sizeof f);
        return (double)f;
    case VB_F64:
        memcpy(&g, &bits, sizeof g);
        return g;
    default:
        return (double)bits;
    }
}

enum { EXCEPTION_ADDRESS = 2, EXCEPTION_VALUE = 3, EXCEPTION_FAILURE = 4 };

static bool may_close(const struct vbench *vb, const struct vb_device *d)
{
    const struct vb_controller *k = &d->ctl;
    if (vb->estop || (k->own_thermostat_degc > 0 && k->t_air >= k->own_thermostat_degc))
        return false;
    return !k->has_watchdog || k->watchdog_s == 0 || k->alive;
}

static int write_channel(struct vbench *vb, struct vb_device *d, const struct vb_cell *cell, double value)
{
    struct vb_channel *c = &vb->channel[cell->index];
    bool closing = cell->source == VB_STEPS ? ((unsigned)value & ~c->command) != 0 : value != 0;
    switch (cell->source) {
    case VB_STEPS:
        if (value >= (double)(1u << c->step_count))
            return EXCEPTION_VALUE;
        if (closing && !may_close(vb, d))
            return EXCEPTION_FAILURE;
        vb_bank_command(vb, cell->index, (unsigned)value);
        return 0;
    case VB_TRIGGER:
        if (closing && !may_close(vb, d))
            return EXCEPTION_FAILURE;
        vb_bank_trigger(vb, cell->index, closing);
        return 0;
    case VB_TRIP:
        vb_bank_trip(vb, cell->index, closing);
        return 0;
    case VB_REMOTE:
        vb_unit_remote(vb, cell->index, value);
        return 0;
    case VB_SET_OHM:
    case VB_SET_A:
        if (!(value >= 0) || (cell->source == VB_SET_A && value > c->max_a))
            return EXCEPTION_VALUE;
        if (closing && !may_close(vb, d))
            return EXCEPTION_FAILURE;
        c->set_ohm = cell->source == VB_SET_OHM ? value : 0;
        c->set_a = cell->source == VB_SET_A ? value : 0;
        if (c->set_ohm > 0) {
            c->set_ohm = c->set_ohm < c->min_ohm ? c->min_ohm : c->set_ohm > c->max_ohm ? c->max_ohm : c->set_ohm;
            if (!c->step[0].closed)
                c->now_ohm = c->set_ohm;
        }
        vb_bank_command(vb, cell->index, closing ? 1 : 0);
        vb_stir(vb);
        return 0;
    default:
        return EXCEPTION_ADDRESS;
    }
}

int vb_cell_write(struct vbench *vb, struct vb_device *d, struct vb_cell *cell, const uint8_t *bytes)
{
    struct vb_controller *k = &d->ctl;
    double raw = decode(cell, bytes);
    uint16_t word = raw >= 0 && raw <= 65535 ? (uint16_t)raw : 0;
    switch (cell->source) {
    case VB_STORED:
        cell->value = raw;
        return 0;
    case VB_BEAT:
        if (word != k->beat || k->feed != VB_FED_BY_CHANGE)
            vb_bank_fed(vb, d);
        k->beat = word;
        return 0;
    case VB_WATCHDOG:
        k->watchdog_s = word;
        if (k->alive)
            k->fed_ns = vb->now_ns;
        vb_stir(vb);
        return 0;
    case VB_DROP:
        /* Acts when written, and reads back as the last value. */
        k->drop = word;
        if (word != 0)
            vb_bank_open_all(vb, d, VBENCH_TRIP_NONE);
        return 0;
    case VB_POWER_UP:
        k->power_up = word;
        return 0;
    case VB_FAN:
        k->fan_command = raw != 0;
        return 0;
    case VB_BEACON:
        k->beacon = raw != 0;
        return 0;
    case VB_BUFFER_ARM:
    case VB_BUFFER_TRIGGER:
    case VB_PEAK_RESET:
        vb_recorder_write(vb, cell, raw);
        return 0;
    default:
        return write_channel(vb, d, cell, raw * cell->scale);
    }
}
