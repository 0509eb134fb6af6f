#include "cause_scenes.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "harness.h"
#include "map_file.h"
#include "problems.h"

#define SECOND INT64_C(1000000000)

const struct scene scenes[] = {
    {"cut-out, torch switch", CAUSE_THERMAL_CUTOUT, .cuts_out = true},
    {"cut-out, always live, hot start", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MMA, .cuts_out = true,
     .habits = "    hot_start: {factor: 1.3, for_s: 1}\n"},
    {"cut-out, lamp seen", CAUSE_THERMAL_CUTOUT, .cuts_out = true, .lamp = true},
    {"cut-out, voltage reduced", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MMA, .cuts_out = true,
     .habits = "    vrd: {low_v: 12, release_ohm: 200, delay_s: 0.3}\n"},
    {"cut-out, thermostat in primary", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MMA, .cuts_out = true,
     .cutout_more = ", primary: true"},
    {"cut-out, sleeps", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MMA, .cuts_out = true,
     .habits = "    sleep: {after_s: 60, wake_ohm: 50, wake_s: 0.5}\n"},
    {"cut-out, fan on demand", CAUSE_THERMAL_CUTOUT, .cuts_out = true,
     .habits = "    fan: {w: 30, on_demand: true, on_degc: 33, off_degc: 30}\n"},
    {"cut-out after foldback", CAUSE_THERMAL_CUTOUT, .cuts_out = true,
     .habits = "    foldback: {from_degc: 33, per_k: 0.006, least: 0.9}\n"},
    {"cut-out, fan dead", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MMA, .cuts_out = true, .act = ACT_NOTHING,
     .events = {"{do: unit-fan-stop, unit: HQ-0147}"}},
    {"cut-out, tapped mig", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MIG, .cuts_out = true,
     .habits = "    transformer: {sag_per_k: 0.0005}\n"},
    {"cut-out, alternating current", CAUSE_THERMAL_CUTOUT, .unit = SCENE_AC, .cuts_out = true},
    {"cut-out, three phases", CAUSE_THERMAL_CUTOUT, .unit = SCENE_THREE_PHASE, .cuts_out = true},
    {"breaker tripped", CAUSE_SUPPLY_LOST, .act = ACT_EVENT, .events = {"{do: trip-breaker, circuit: c1}"}},
    {"breaker tripped, meter behind it", CAUSE_SUPPLY_LOST, .act = ACT_EVENT, .meter_fed_by_circuit = true,
     .events = {"{do: trip-breaker, circuit: c1}"}},
    {"outage", CAUSE_SUPPLY_LOST, .unit = SCENE_MMA, .act = ACT_EVENT, .events = {"{do: outage, circuit: c1}"}},
    {"lead opened", CAUSE_LOAD_PATH_OPEN, .act = ACT_EVENT, .events = {"{do: lead-open, channel: A}"}},
    {"lead opened, arc loss", CAUSE_LOAD_PATH_OPEN, .act = ACT_EVENT, .habits = "    arc_loss: {after_s: 0.4}\n",
     .events = {"{do: lead-open, channel: A}"}},
    {"lead opened, voltage reduced", CAUSE_LOAD_PATH_OPEN, .unit = SCENE_MMA, .act = ACT_EVENT,
     .habits = "    vrd: {low_v: 12, release_ohm: 200, delay_s: 0.3}\n", .events = {"{do: lead-open, channel: A}"}},
    {"lead burnt", CAUSE_LOAD_PATH_OPEN, .unit = SCENE_MMA, .lead_more = ", k_per_w: 2.2, tau_s: 60, burn_degc: 120"},
    {"lead shorted, anti-stick", CAUSE_LOAD_PATH_SHORT, .unit = SCENE_MMA, .act = ACT_EVENT,
     .habits = "    anti_stick: {below_v: 8, after_s: 1.5}\n", .events = {"{do: lead-short, channel: A}"}},
    {"lead opened, arc loss, fast samples", CAUSE_LOAD_PATH_OPEN, .act = ACT_EVENT, .fast = true,
     .habits = "    arc_loss: {after_s: 0.2}\n", .events = {"{do: lead-open, channel: A}"}},
    {"lead opened, voltage reduced, fast samples", CAUSE_LOAD_PATH_OPEN, .unit = SCENE_MMA, .act = ACT_EVENT,
     .fast = true, .habits = "    vrd: {low_v: 12, release_ohm: 200, delay_s: 0.2}\n",
     .events = {"{do: lead-open, channel: A}"}},
    {"lead shorted, anti-stick, fast samples", CAUSE_LOAD_PATH_SHORT, .unit = SCENE_MMA, .act = ACT_EVENT, .fast = true,
     .habits = "    anti_stick: {below_v: 8, after_s: 1.2}\n", .events = {"{do: lead-short, channel: A}"}},
    {"cut-out, fast samples", CAUSE_THERMAL_CUTOUT, .cuts_out = true, .fast = true},
    {"cut-out, always live, fast samples", CAUSE_THERMAL_CUTOUT, .unit = SCENE_MMA, .cuts_out = true, .fast = true},
    {"under-voltage lockout", CAUSE_SUPPLY_LOW, .act = ACT_EVENT,
     .habits = "    low_voltage: {off_share: 0.85, on_share: 0.9, wait_s: 3}\n",
     .events = {"{do: supply-loop, circuit: c1, ohm: 1.1}", "{do: supply-voltage, circuit: c1, voltage_v: 221}",
                "{do: supply-voltage, circuit: c1, voltage_v: 216}"}},
    {"switched off", CAUSE_SWITCHED_OFF, .unit = SCENE_MMA, .act = ACT_EVENT,
     .events = {"{do: switch-off, unit: HQ-0147}"}},
    {"switched off, and on again", CAUSE_SWITCHED_OFF, .unit = SCENE_MMA, .act = ACT_EVENT, .back_after_s = 240,
     .events = {"{do: switch-off, unit: HQ-0147}", "{do: switch-on, unit: HQ-0147}"}},
    {"unit died", CAUSE_UNIT_FAULT, .act = ACT_EVENT, .events = {"{do: unit-fault, unit: HQ-0147}"}},
    {"anti-stick at the begin", CAUSE_UNIT_PROTECTION, .habits = "    anti_stick: {below_v: 19, after_s: 1.5}\n"},
    {"engine stopped", CAUSE_ENGINE_STOPPED, .unit = SCENE_ENGINE, .act = ACT_EVENT,
     .habits = "    engine: {rated_rpm: 1500, idle_rpm: 900, idle_after_s: 8, speed_up_s: 1}\n",
     .events = {"{do: engine-stop, unit: HQ-0147}"}},
    {"ended by hand", CAUSE_OPERATOR, .act = ACT_OPERATOR},
    {"controller silent", CAUSE_LINK_LOST, .act = ACT_BUS_SILENT},
    {"smoke", CAUSE_BENCH_INTERLOCK, .act = ACT_EVENT, .events = {"{do: smoke, device: bank}"}},
    {"foldback only", CAUSE_NONE, .tells = "thermal",
     .habits = "    foldback: {from_degc: 33, per_k: 0.015, least: 0.8}\n"},
    {"supply sags, transformer", CAUSE_NONE, .tells = "supply-limited", .unit = SCENE_MMA, .act = ACT_EVENT,
     .habits = "    transformer: {sag_per_k: 0}\n", .events = {"{do: supply-voltage, circuit: c1, voltage_v: 212}"}},
    {"phase lost", CAUSE_SUPPLY_LOW, .unit = SCENE_THREE_PHASE, .act = ACT_EVENT,
     .events = {"{do: phase-loss, circuit: c1}"}},
    {"phase lost, unit shuts off", CAUSE_SUPPLY_LOST, .unit = SCENE_THREE_PHASE, .act = ACT_EVENT,
     .habits = "    phase_loss_share: 0\n", .events = {"{do: phase-loss, circuit: c1, phase: a}"}},
    {"phase lost, seen by amperes only", CAUSE_SUPPLY_LOW, .unit = SCENE_THREE_PHASE, .act = ACT_EVENT,
     .no_phase_volts = true, .events = {"{do: phase-loss, circuit: c1, phase: b}"}},
    {"sense wire of the voltage off", CAUSE_NONE, .tells = "sense leads", .act = ACT_EVENT,
     .events = {"{do: sense-off, meter: bank/A.u2}"}},
    {"current sensor off", CAUSE_NONE, .tells = "current sensor", .act = ACT_EVENT,
     .events = {"{do: sense-off, meter: bank/A.i2}"}},
    {"cut-out, engine idles down", CAUSE_THERMAL_CUTOUT, .unit = SCENE_ENGINE, .cuts_out = true,
     .habits = "    engine: {rated_rpm: 1500, idle_rpm: 900, idle_after_s: 8, speed_up_s: 1}\n"},
    {"lift start, believes that it touches", CAUSE_NONE, .tells = "reached",
     .habits = "    lift: {current_a: 20, release_v: 10}\n"},
};

const int scene_count = (int)(sizeof scenes / sizeof scenes[0]);

double draw_uniform(struct draw *d, double low, double high)
{
    d->state = d->state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return low + (high - low) * ((double)(d->state >> 11) / 9007199254740992.0);
}

static int pick(struct draw *d, int count)
{
    return (int)draw_uniform(d, 0, count - 1e-9);
}

static void put_unit(struct draw *d)
{
    const struct scene *s = d->scene;
    char *to = d->scenario;
    size_t cap = sizeof d->scenario;
    double trip = s->cuts_out ? draw_uniform(d, 37, 42) : 200;
    text_append(to, cap, "units:\n  - serial: HQ-0147\n");
    switch (s->unit) {
    case SCENE_MIG:
        text_append(to, cap, "    output: cv\n    set_v: %.2f\n    droop_ohm: 0.02\n    no_load_v: 34\n",
                    150 * (0.1433 + 0.024) * draw_uniform(d, 1.01, 1.03));
        break;
    case SCENE_MMA:
        text_append(to, cap, "    set_a: %.1f\n    ref_v: 25.6\n    slope_a_per_v: 0.3\n    no_load_v: 68\n",
                    140 * draw_uniform(d, 1.005, 1.02) * (s->habits && strstr(s->habits, "transformer") ? 1.05 : 1));
        break;
    default:
        text_append(to, cap, "    set_a: %.1f\n    ref_v: 16.4\n    slope_a_per_v: 0.1\n    no_load_v: 72\n",
                    160 * draw_uniform(d, 1.005, 1.02));
        break;
    }
    if (s->unit == SCENE_AC)
        text_append(to, cap, "    ac: true\n");
    if (s->unit == SCENE_THREE_PHASE)
        text_append(to, cap, "    phases: 3\n    supply_v: 400\n");
    text_append(to, cap, "    control: %s\n", s->unit == SCENE_MMA ? "always-live" : "trigger");
    text_append(to, cap, "    losses: {idle_w: %.0f, on_w: 60, per_a_w: 1.5, per_a2_w: 0.012}\n",
                draw_uniform(d, 15, 40));
    text_append(to, cap, "    thermal: {c_a: %.0f, c_b: 4290, g_ab: 14.3, g_fan: 6.43, g_still: 1.5, share_a: 0.7}\n",
                draw_uniform(d, 1500, 2500));
    text_append(to, cap, "    cutout: {trip_degc: %.1f, reset_degc: %.1f%s}\n%s", trip, trip - draw_uniform(d, 5, 9),
                s->cutout_more ? s->cutout_more : "", s->habits ? s->habits : "");
}

static void put_meters(struct draw *d)
{
    const struct scene *s = d->scene;
    char *to = d->scenario;
    size_t cap = sizeof d->scenario;
    double refresh = draw_uniform(d, 0.1, 0.3);
    text_append(to, cap,
                "  - name: bank\n    bus: rack\n    server: 1\n    kind: stepped-bank\n    channels: [A, B]\n%s"
                "    watchdog: {after_s: 10}\n    meters: {refresh_s: %.1f, averaging_s: %.1f, noise_of_reading: %.4f, "
                "gain: %.4f, resolution: 0.01}\n",
                s->unit == SCENE_AC ? "    quantity: rms\n" : "", refresh, refresh, draw_uniform(d, 0.0005, 0.004),
                draw_uniform(d, 0.998, 1.002));
    for (int i = 1; i <= 2; i++)
        text_append(to, cap,
                    "  - {name: supply%d, bus: meters, server: %d, kind: supply-meter, of: c%d%s,\n     meters: "
                    "{refresh_s: 0.5, averaging_s: 0.5, noise_of_reading: %.4f, gain: %.4f}}\n",
                    i, i, i, i == 1 && s->meter_fed_by_circuit ? ", powered_from: c1" : "",
                    draw_uniform(d, 0.0005, 0.003), draw_uniform(d, 0.995, 1.005));
    const char *third = s->lamp ? "A.lamp" : s->unit == SCENE_ENGINE ? "A.engine_speed" : "A.t_case";
    text_append(to, cap,
                "  - name: scanner\n    bus: meters\n    server: 3\n    kind: thermocouple-scanner\n    inputs: "
                "[A.t_intake, A.t_exhaust, %s, B.t_intake, B.t_exhaust, B.t_case, A.t_lead, B.t_lead]\n    meters: "
                "{refresh_s: 1, damping_s: 2, noise: 0.05, resolution: 0.1, offset: %.2f}\n",
                third, s->lamp ? 0 : draw_uniform(d, -0.3, 0.3));
}

static void put_fast_meter(struct draw *d)
{
    if (d->scene->fast)
        text_append(d->scenario, sizeof d->scenario,
                    "  - {name: fast, bus: meters, server: 9, kind: fast-meter, of: A, buffer: {noise_v: 0.1, noise_a: "
                    "0.5}}\n");
}

/* A bench that has lost one signal. Those that no run may do without stay, and so does the one that the scene's own
 * word stands on: without it there is nothing to tell. */
static int draw_missing(struct draw *d)
{
    static const enum signal_kind kinds[] = {SIG_U1,          SIG_I1,      SIG_P1,     SIG_U1_LINE,
                                             SIG_BREAKER_AUX, SIG_U2_PEAK, SIG_U_BANK, SIG_T_EXHAUST,
                                             SIG_T_INTAKE,    SIG_T_CASE,  SIG_OTHER};
    int n = (int)(sizeof kinds / sizeof kinds[0]);
    return (int)kinds[pick(d, n)];
}

void draw_scene(struct draw *d, const struct scene *scene, uint64_t seed)
{
    static const int64_t polls[] = {SECOND / 10, SECOND / 5, SECOND / 2};
    *d = (struct draw){.scene = scene, .state = seed * UINT64_C(0x9e3779b97f4a7c15) + 1};
    d->state ^= d->state >> 29; /* neighbouring seeds have nothing in common */
    d->state *= UINT64_C(0xbf58476d1ce4e5b9);
    d->state ^= d->state >> 32;
    for (int i = 0; i < 3; i++)
        (void)draw_uniform(d, 0, 1);
    d->after_s = draw_uniform(d, 25, 70);
    d->missing = draw_missing(d);
    d->poll_ns = polls[pick(d, 3)];
    char *to = d->scenario;
    size_t cap = sizeof d->scenario;
    bool three = scene->unit == SCENE_THREE_PHASE;
    double volts = (three ? 400 : 230) * draw_uniform(d, 0.99, 1.02);
    text_append(to, cap,
                "scenario: causes\nseed: %llu\nepoch_s: 1767600000\nrate: 1\nroom: {t_degc: %.1f, k_per_kw: 0.3, "
                "tau_s: 600}\ncircuits:\n",
                (unsigned long long)seed, draw_uniform(d, 19, 25));
    for (int i = 1; i <= 2; i++)
        text_append(to, cap, "  - {name: c%d, voltage_v: %.1f, loop_ohm: %.2f, breaker: {rated_a: 32, curve: C}%s}\n",
                    i, volts, draw_uniform(d, 0.1, 0.3), three ? ", phases: 3" : "");
    put_unit(d);
    text_append(
        to, cap,
        "channels:\n  - name: A\n    unit: HQ-0147\n%s    lead: {ohm: %.4f%s}\n    alpha: %.5f\n    steps: &bank "
        "[{ohm: 0.16, power_w: 12000}, {ohm: 0.32, power_w: 6000}, {ohm: 0.64, power_w: 3000}, {ohm: 1.28, "
        "power_w: 1500}, {ohm: 2.56, power_w: 750}]\n  - {name: B, circuit: c2, lead: {ohm: 0.0039}, steps: "
        "*bank}\n",
        scene->unit == SCENE_ENGINE ? "" : "    circuit: c1\n", draw_uniform(d, 0.003, 0.005),
        scene->lead_more ? scene->lead_more : "", draw_uniform(d, 0.00005, 0.0002));
    text_append(to, cap,
                "buses:\n  - {name: rack, kind: modbus-tcp, port: 0}\n  - {name: meters, kind: modbus-tcp, port: "
                "0}\ndevices:\n");
    put_meters(d);
    put_fast_meter(d);
}

static int device_named(const struct config *c, const char *name)
{
    for (int i = 0; i < c->bench.device_count; i++)
        if (strcmp(c->bench.devices[i].name, name) == 0)
            return i;
    return -1;
}

static int point_named(const struct device_map *m, const char *name)
{
    for (int i = 0; i < m->point_count; i++)
        if (strcmp(m->points[i].name, name) == 0)
            return i;
    return -1;
}

/* Three-phase supply with volts and amperes of each phase. */
static void wire_phases(struct config *c, bool amperes_only)
{
    static const struct {
        enum signal_kind kind, like;
        const char *point;
    } phases[] = {{SIG_U1_A, SIG_U1, "voltage_a"}, {SIG_U1_B, SIG_U1, "voltage_b"}, {SIG_U1_C, SIG_U1, "voltage_c"},
                  {SIG_I1_A, SIG_I1, "current_a"}, {SIG_I1_B, SIG_I1, "current_b"}, {SIG_I1_C, SIG_I1, "current_c"}};
    struct bench *b = &c->bench;
    int meter = device_named(c, "supply1");
    for (int i = 0; i < b->circuit_count; i++) {
        b->circuits[i].voltage_v = 400;
        b->circuits[i].phases = 3;
    }
    for (size_t i = 0; i < sizeof phases / sizeof phases[0]; i++) {
        struct bench_signal *s = &b->signals[b->signal_count];
        *s = b->signals[b->channels[0].signal[phases[i].like]];
        s->kind = phases[i].kind;
        text_copy(s->name, sizeof s->name, phases[i].point);
        c->signal_sources[b->signal_count] =
            (struct signal_source){meter, point_named(&c->maps[c->devices[meter].map], phases[i].point)};
        if (amperes_only && phases[i].like == SIG_U1)
            continue;
        b->channels[0].signal[phases[i].kind] = b->signal_count++;
    }
}

/* One more device, with a map of its own. */
static void wire_fast_meter(struct config *c)
{
    struct bench *b = &c->bench;
    struct problems problems = {0};
    struct error err;
    char path[PATH_CAP], *text = NULL;
    size_t size = 0;
    int d = b->device_count++, like = device_named(c, "supply1");
    struct device_map *maps = realloc(c->maps, (size_t)(c->map_count + 1) * sizeof *maps);
    ck_assert_ptr_nonnull(maps);
    c->maps = maps;
    ck_assert_int_eq(config_file_read(harness_source_path(path, "config/maps/fast-meter.yaml"), &text, &size, &err), 0);
    ck_assert_int_eq(map_load_text("fast-meter.yaml", text, size, &maps[c->map_count], &problems), 0);
    b->devices[d] = b->devices[like];
    c->devices[d] = c->devices[like];
    text_copy(b->devices[d].name, sizeof b->devices[d].name, "fast");
    text_copy(c->devices[d].name, sizeof c->devices[d].name, "fast");
    c->devices[d].server = 9;
    c->devices[d].map = c->map_count++;
    c->load_points[0].capture_device = d;
    c->load_points[0].capture = 0;
    b->channels[0].has_capture = true;
    free(text);
    problems_free(&problems);
}

void draw_edit(struct config *c, void *draw)
{
    struct draw *d = draw;
    struct bench *b = &c->bench;
    struct bench_channel *a = &b->channels[0];
    const struct scene *s = d->scene;
    int bank = device_named(c, "bank");
    int idle = device_named(c, "supply2"); /* of the channel that stands by */
    b->rate = 1;
    b->devices[idle].poll_ns = c->devices[idle].poll_ns = 5 * SECOND;
    b->devices[bank].poll_ns = c->devices[bank].poll_ns = d->poll_ns;
    b->limits.stale_ns[CLASS_SAFETY] = 2 * SECOND;
    b->limits.stale_ns[CLASS_JUDGEMENT] = 10 * SECOND;
    b->limits.beat_ns = SECOND / 2;
    b->limits.lease_ns = 3 * SECOND;
    b->limits.u1_open_pct = 40; /* the unit's own lockout comes first */
    b->limits.recover_cap_ns = 12 * 60 * SECOND;
    if (s->fast)
        wire_fast_meter(c);
    if (s->meter_fed_by_circuit)
        b->devices[device_named(c, "supply1")].powered_from = 0;
    int third = a->signal[SIG_T_CASE];
    if (s->lamp) {
        a->signal[SIG_THERMAL_LAMP] = third;
        b->signals[third].kind = SIG_THERMAL_LAMP;
        a->signal[SIG_T_CASE] = -1;
    }
    if (s->unit == SCENE_ENGINE) {
        a->signal[SIG_ENGINE_SPEED] = third;
        b->signals[third].kind = SIG_ENGINE_SPEED;
        a->signal[SIG_T_CASE] = a->signal[SIG_U1] = a->signal[SIG_I1] = a->signal[SIG_U1_LINE] = -1;
        a->signal[SIG_BREAKER_AUX] = -1;
        a->circuit = -1;
    }
    if (s->unit == SCENE_AC)
        for (int i = 0; i < b->signal_count; i++)
            if (b->signals[i].kind == SIG_I2 || b->signals[i].kind == SIG_U2 || b->signals[i].kind == SIG_U_BANK)
                b->signals[i].mean = MEAN_RMS;
    if (s->unit == SCENE_THREE_PHASE)
        wire_phases(c, s->no_phase_volts);
    if (d->missing != SIG_OTHER)
        a->signal[d->missing] = -1;
}

void draw_point(const struct draw *d, struct rating_point *p)
{
    const struct scene *s = d->scene;
    *p = (struct rating_point){.process = PROCESS_TIG,
                               .output = s->unit == SCENE_AC ? OUTPUT_AC : OUTPUT_DC,
                               .control = CONTROL_TRIGGER,
                               .supply_v = s->unit == SCENE_THREE_PHASE ? 400 : 230,
                               .phases = s->unit == SCENE_ENGINE        ? 0
                                         : s->unit == SCENE_THREE_PHASE ? 3
                                                                        : 1,
                               .frequency_hz = 50,
                               .percent_on = 35,
                               .current_a = 160,
                               .load_voltage_v = NAN,
                               .no_load_v = 72,
                               .i1max_a = NAN,
                               .i1eff_a = NAN,
                               .ambient_degc = 40,
                               .cycle_s = 600};
    if (s->unit == SCENE_MMA) {
        p->process = PROCESS_MMA;
        p->control = CONTROL_ALWAYS_LIVE;
        p->current_a = 140;
        p->no_load_v = 68;
    } else if (s->unit == SCENE_MIG) {
        p->process = PROCESS_MIG;
        p->current_a = 150;
        p->no_load_v = 34;
    }
}
