/* Which register of a virtual device means what. The maps in config/maps/ describe the same from the other side; a
 * test holds the two together. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "vb_world.h"

enum { IDENTITY = 21334, BLOCK = 20, BANK_STRIDE = 12, FLAG_STRIDE = 8, BANK_CHANNELS = 8 };

static int vb_layout_cell(struct vb_device *d, struct vb_cell cell)
{
    if (d->cell_count == VB_CELLS_MAX)
        return -1;
    if (cell.scale == 0)
        cell.scale = 1;
    int end = cell.address + (cell.type == VB_BIT ? 1 : vb_cell_width(cell.type));
    if (end > d->extent[cell.table])
        d->extent[cell.table] = end;
    d->cell[d->cell_count++] = cell;
    return 0;
}

static void put(struct vb_device *d, enum vb_table table, int address, enum vb_type type, enum vb_source source,
                int index)
{
    vb_layout_cell(d, (struct vb_cell){.table = table,
                                       .address = (uint16_t)address,
                                       .type = type,
                                       .source = source,
                                       .index = index,
                                       .scale = 1,
                                       .invalid = NAN});
}

struct place {
    int address;
    enum vb_type type;
    enum vb_order order;
    double scale, invalid;
};

/* A measured quantity in the input table. */
static int measure(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char *object,
                   const char *quantity, struct place p)
{
    char probe[2 * NAME_CAP];
    snprintf(probe, sizeof probe, "%s.%s", object, quantity);
    int meter = vb_meter_add(vb, d, probe, h);
    if (meter < 0)
        return -1;
    return vb_layout_cell(d, (struct vb_cell){.table = VB_INPUT,
                                              .address = (uint16_t)p.address,
                                              .type = p.type,
                                              .order = p.order,
                                              .source = VB_METER,
                                              .index = meter,
                                              .scale = p.scale,
                                              .invalid = p.invalid});
}

static void identity(struct vb_device *d, int layout)
{
    put(d, VB_INPUT, 0, VB_U16, VB_CONST, 0);
    d->cell[d->cell_count - 1].value = IDENTITY;
    put(d, VB_INPUT, 1, VB_U16, VB_CONST, 0);
    d->cell[d->cell_count - 1].value = layout;
    put(d, VB_INPUT, 2, VB_U16, VB_CONST, 0);
    d->cell[d->cell_count - 1].value = 1;
    put(d, VB_INPUT, 4, VB_F64, VB_RATE, 0);
    put(d, VB_INPUT, 8, VB_U32, VB_EPOCH, 0);
}

int vb_layout_stored(struct vb_device *d, enum vb_table table, int address, double value)
{
    bool bit = table == VB_COIL || table == VB_DISCRETE;
    return vb_layout_cell(d, (struct vb_cell){.table = table,
                                              .address = (uint16_t)address,
                                              .type = bit ? VB_BIT : VB_U16,
                                              .source = VB_STORED,
                                              .value = value,
                                              .scale = 1});
}

/* What every load controller has. */
static int controller(struct vbench *vb, struct vb_device *d)
{
    const struct vb_meter_habits plain = {.refresh_s = 0.5, .gain = 1, .resolution = 0.1};
    put(d, VB_INPUT, 11, VB_U16, VB_POWER_UP, 0);
    put(d, VB_INPUT, 12, VB_U32, VB_UPTIME, 0);
    put(d, VB_HOLDING, 0, VB_U16, VB_BEAT, 0);
    put(d, VB_HOLDING, 1, VB_U16, VB_WATCHDOG, 0);
    put(d, VB_HOLDING, 2, VB_U16, VB_DROP, 0);
    put(d, VB_HOLDING, 3, VB_U16, VB_POWER_UP, 0);
    put(d, VB_COIL, 0, VB_BIT, VB_FAN, 0);
    put(d, VB_COIL, 1, VB_BIT, VB_BEACON, 0);
    put(d, VB_DISCRETE, 0, VB_BIT, VB_FAN_PROOF, 0);
    put(d, VB_DISCRETE, 1, VB_BIT, VB_ESTOP, 0);
    put(d, VB_DISCRETE, 2, VB_BIT, VB_SMOKE, 0);
    put(d, VB_DISCRETE, 3, VB_BIT, VB_KEY, 0);
    return measure(vb, d, &plain, d->name, "t_bank", (struct place){10, VB_I16, VB_ABCD, 0.1, 32767});
}

static void channel_flags(struct vb_device *d, int position, int channel)
{
    int base = FLAG_STRIDE * (1 + position);
    put(d, VB_DISCRETE, base, VB_BIT, VB_ISOLATED, channel);
    put(d, VB_DISCRETE, base + 1, VB_BIT, VB_SUPPLY_OPEN, channel);
    put(d, VB_DISCRETE, base + 2, VB_BIT, VB_LAMP, channel);
    put(d, VB_DISCRETE, base + 3, VB_BIT, VB_AUX, channel);
    put(d, VB_COIL, base, VB_BIT, VB_TRIGGER, channel);
    put(d, VB_COIL, base + 1, VB_BIT, VB_TRIP, channel);
}

static int stepped_bank(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char **why)
{
    *why = "1 to 8 channels are expected";
    if (d->channel_count < 1 || d->channel_count > BANK_CHANNELS)
        return -1;
    identity(d, 1);
    int bad = controller(vb, d);
    for (int i = 0; i < d->channel_count; i++) {
        int n = d->channels[i], base = BLOCK + BANK_STRIDE * i;
        const char *name = vb->channel[n].name;
        const char *amps = d->mean ? "i2_mean" : "i2", *volts = d->mean ? "u2_mean" : "u2";
        put(d, VB_INPUT, base, VB_U16, VB_FEEDBACK, n);
        bad |= measure(vb, d, h, name, amps, (struct place){base + 1, VB_I32, VB_ABCD, 0.01, 0x7fffffff});
        bad |= measure(vb, d, h, name, volts, (struct place){base + 3, VB_I16, VB_ABCD, 0.01, 32767});
        bad |= measure(vb, d, h, name, "u_bank", (struct place){base + 4, VB_I16, VB_ABCD, 0.01, 32767});
        bad |= measure(vb, d, h, name, "u2_peak", (struct place){base + 5, VB_I16, VB_ABCD, 0.01, 32767});
        put(d, VB_INPUT, base + 6, VB_U32, VB_OPERATIONS, n);
        put(d, VB_HOLDING, 10 + i, VB_U16, VB_STEPS, n);
        bad |= vb_layout_cell(d, (struct vb_cell){.table = VB_HOLDING,
                                                  .address = (uint16_t)(20 + i),
                                                  .type = VB_U16,
                                                  .source = VB_REMOTE,
                                                  .index = n,
                                                  .scale = 0.01});
        channel_flags(d, i, n);
    }
    /* The controller is built for four channels at least: those not fitted read 0. */
    for (int t = VB_INPUT; t <= VB_DISCRETE; t++) {
        const int four[] = {BLOCK + 4 * BANK_STRIDE, 24, 5 * FLAG_STRIDE, 5 * FLAG_STRIDE};
        if (d->extent[t] < four[t])
            d->extent[t] = four[t];
    }
    *why = "too many meters";
    return bad;
}

static int settable_load(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char **why)
{
    *why = "one channel is expected";
    if (d->channel_count != 1)
        return -1;
    identity(d, 2);
    int n = d->channels[0], bad = controller(vb, d);
    const char *name = vb->channel[n].name;
    put(d, VB_INPUT, 20, VB_U16, VB_FEEDBACK, n);
    bad |= measure(vb, d, h, name, "i2", (struct place){22, VB_F32, VB_CDAB, 1, NAN});
    bad |= measure(vb, d, h, name, "u2", (struct place){24, VB_F32, VB_CDAB, 1, NAN});
    bad |= measure(vb, d, h, name, "u2_peak", (struct place){26, VB_F32, VB_CDAB, 1, NAN});
    vb_layout_cell(d, (struct vb_cell){.table = VB_HOLDING,
                                       .address = 10,
                                       .type = VB_U32,
                                       .order = VB_CDAB,
                                       .source = VB_SET_OHM,
                                       .index = n,
                                       .scale = 0.0001});
    vb_layout_cell(d, (struct vb_cell){.table = VB_HOLDING,
                                       .address = 12,
                                       .type = VB_I32,
                                       .order = VB_CDAB,
                                       .source = VB_SET_A,
                                       .index = n,
                                       .scale = 0.01});
    channel_flags(d, 0, n);
    *why = "too many meters";
    return bad;
}

static int scanner(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char **why)
{
    const struct vb_meter_habits plain = {.refresh_s = 1, .gain = 1, .resolution = 0.01};
    *why = "too many meters";
    identity(d, 3);
    for (int i = 0; i < 8; i++) {
        bool emf = i >= 6;
        bool wired = i < d->input_count && d->inputs[i] >= 0;
        vb_layout_cell(d, (struct vb_cell){.table = VB_INPUT,
                                           .address = (uint16_t)(BLOCK + i),
                                           .type = VB_I16,
                                           .source = !wired ? VB_CONST
                                                     : emf  ? VB_EMF
                                                            : VB_METER,
                                           .index = wired ? d->inputs[i] : 0,
                                           .value = NAN,
                                           .scale = emf ? 0.001 : 0.1,
                                           .invalid = 32767});
    }
    (void)h;
    return measure(vb, d, &plain, "room", "t", (struct place){10, VB_I16, VB_ABCD, 0.01, 32767});
}

static int supply_meter(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char *of,
                        const char **why)
{
    static const char *const names[] = {"u1",   "i1",   "p1",   "pf",   "hz",   "u1_line",
                                        "u1_a", "u1_b", "u1_c", "i1_a", "i1_b", "i1_c"};
    *why = "`of` must name a circuit";
    identity(d, 4);
    put(d, VB_INPUT, 10, VB_U32, VB_CLOCK, 0);
    for (int i = 0; i < 12; i++) {
        int address = i < 6 ? 20 + 2 * i : 40 + 2 * (i - 6);
        if (measure(vb, d, h, of, names[i], (struct place){address, VB_F32, VB_ABCD, 1, NAN}) != 0)
            return -1;
    }
    return 0;
}

static int shunt_meter(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char *of,
                       const char **why)
{
    *why = "`of` must name a channel";
    identity(d, 5);
    int bad = measure(vb, d, h, of, "i2_mean", (struct place){20, VB_I32, VB_CDAB, 0.001, 0x7fffffff});
    bad |= measure(vb, d, h, of, "u2_mean", (struct place){22, VB_I32, VB_BADC, 0.001, 0x7fffffff});
    /* 60 mV at 400 A, in hundredths of a millivolt. */
    bad |= measure(vb, d, h, of, "i2_mean", (struct place){24, VB_I16, VB_ABCD, 0.01 / (60.0 / 400), 32767});
    bad |= measure(vb, d, h, of, "i2_mean", (struct place){26, VB_F32, VB_DCBA, 1, NAN});
    return bad;
}

static int fast_meter(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char *of,
                      const char **why)
{
    static const struct {
        int address;
        enum vb_type type;
        enum vb_source source;
        double scale;
    } cells[] = {{10, VB_U16, VB_BUFFER_STATE, 1},       {11, VB_U16, VB_BUFFER_NUMBER, 1},
                 {12, VB_U16, VB_BUFFER_INTERVAL, 1e-4}, {13, VB_U16, VB_BUFFER_COUNT, 1},
                 {14, VB_U32, VB_BUFFER_AGE, 0.001},     {24, VB_I16, VB_PEAK_HELD, 0.01},
                 {26, VB_I16, VB_PEAK_READ, 0.01}};
    *why = "`of` must name a channel";
    identity(d, 6);
    for (size_t i = 0; i < sizeof cells / sizeof cells[0]; i++) {
        put(d, VB_INPUT, cells[i].address, cells[i].type, cells[i].source, d->recorder);
        d->cell[d->cell_count - 1].scale = cells[i].scale;
    }
    put(d, VB_HOLDING, 0, VB_U16, VB_BUFFER_ARM, d->recorder);
    put(d, VB_HOLDING, 1, VB_U16, VB_BUFFER_TRIGGER, d->recorder);
    put(d, VB_HOLDING, 2, VB_U16, VB_PEAK_RESET, d->recorder);
    d->extent[VB_INPUT] = 700 + VB_SAMPLES;
    int bad = measure(vb, d, h, of, "u2", (struct place){20, VB_I16, VB_ABCD, 0.01, 32767});
    return bad | measure(vb, d, h, of, "i2", (struct place){22, VB_I32, VB_ABCD, 0.01, 0x7fffffff});
}

/* Its inputs are volts and amperes; the buffer goes by words. */
static int scpi_recorder(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *h, const char *of,
                         const char **why)
{
    static const char *const quantities[] = {"u2", "i2"};
    *why = "`of` must name a channel";
    for (int i = 0; i < 2; i++) {
        char probe[2 * NAME_CAP];
        snprintf(probe, sizeof probe, "%s.%s", of, quantities[i]);
        d->inputs[i] = vb_meter_add(vb, d, probe, h);
        if (d->inputs[i] < 0)
            return -1;
    }
    d->input_count = 2;
    return 0;
}

int vb_layout(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *habits, const char *of,
              const char **why)
{
    switch (d->kind) {
    case VB_STEPPED_BANK:
        return stepped_bank(vb, d, habits, why);
    case VB_SETTABLE_LOAD:
        return settable_load(vb, d, habits, why);
    case VB_SCANNER:
        return scanner(vb, d, habits, why);
    case VB_SUPPLY_METER:
        return supply_meter(vb, d, habits, of, why);
    case VB_SHUNT_METER:
        return shunt_meter(vb, d, habits, of, why);
    case VB_FAST_METER:
        return fast_meter(vb, d, habits, of, why);
    case VB_SCPI_RECORDER:
        return scpi_recorder(vb, d, habits, of, why);
    default:
        return 0;
    }
}
