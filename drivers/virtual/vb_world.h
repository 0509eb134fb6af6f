/* The state of a virtual bench, shared by the files of this folder and by nobody else. Names of what stands still
 * (parameters from the scenario) come first in each structure, what moves comes after. */
#ifndef VB_WORLD_H
#define VB_WORLD_H

#include "vb_random.h"
#include "vbench.h"

enum {
    VB_CELLS_MAX = 160,   /* register points of a device */
    VB_METERS_MAX = 1200, /* measured quantities of a bench */
    VB_EVENTS_MAX = 512,
    VB_FAULTS_MAX = 64, /* faults of communication that are active at once */
    VB_HAPPENINGS = 256,
    VB_RING = 64,   /* refreshes in a meter's averaging window */
    VB_PEAKS = 5,   /* slots of a latched peak */
    VB_INPUTS = 16, /* inputs of a scanner or thermometer */
    VB_RECORDERS_MAX = 8,
    VB_SAMPLES = 512, /* of a fast meter's ring */
    VB_LINES = 64     /* lines a talking device keeps until they are fetched */
};

#define VB_MS INT64_C(1000000)
#define VB_S INT64_C(1000000000)
#define VB_NEVER INT64_MAX

struct vb_circuit {
    char name[NAME_CAP];
    double line_v; /* ahead of the breaker */
    int phases;
    double hz, loop_ohm;
    bool has_breaker;
    double rated_a, fast_multiple, heat_trip, tau_s;

    double heat; /* (I/In)^2 through a first-order lag */
    bool breaker_open, outage;
    double phase_share[3]; /* of its rated voltage to neutral that each phase has; 1 */
    double u_v, i_a, p_w;  /* behind the breaker */
};

enum vb_output { VB_CC, VB_CV };

struct vb_unit {
    char serial[NAME_CAP];
    enum vb_output output;
    bool ac;
    double balance; /* share of the positive half-wave */
    bool always_live, transformer, engine;
    double supply_v;
    int phases;
    double set_a, limit_a, ref_v, slope_a_per_v; /* constant current */
    double set_v, droop_ohm, max_a;              /* constant voltage */
    double no_load_v, source_ohm, rise_s, up_slope_s, hot_factor, hot_s;
    double idle_w, on_w, volt_loss, ohm_loss, fan_w, power_factor, cord_ohm;
    double c_a, c_b, g_ab, g_fan, g_still, share_a, case_share, exhaust_k_per_w;
    bool fan_demand;
    double fan_on_degc, fan_off_degc, fan_run_on_s;
    bool cutout_fitted, cutout_senses_b, cutout_primary;
    double trip_degc, reset_degc;
    /* habits */
    double vrd_v, vrd_release_ohm, vrd_delay_s; /* vrd_v 0: none */
    double stick_v, stick_s;                    /* stick_s 0: none */
    double arc_loss_s;                          /* 0: none */
    double fold_degc, fold_per_k, fold_min;     /* fold_per_k 0: none */
    double low_off, low_on, low_wait_s;         /* shares of supply_v; low_off 0: none */
    double sleep_s, wake_ohm, wake_s;           /* sleep_s 0: none */
    double sag_per_k;                           /* loss of voltage per K of node a above 20 degC */
    double phase_loss_share;                    /* output left with a phase missing */
    double lift_a, lift_release_v;              /* lift start; lift_a 0: none ... */
    double lift_touch_v, lift_touch_s;          /* ... wants to see a touch below this for so long; 0: does not */
    double lift_remember_s;                     /* the touch, with the output off */
    double remote_low_v, remote_low_a, remote_high_v, remote_high_a; /* remote control; high_v 0: none */
    bool vrd_latches;                                                /* stays released until the current has stopped */
    double vrd_sense_a;                                              /* the most that it gives while it reduces */
    double idle_rpm, rated_rpm, idle_after_s, speed_up_s;
    double fault_degc; /* the hot part dies at this; 0: never */

    bool switched_on, powered, fault, cut_out, fan_fault, stuck_off, arc_lost, asleep, low_lockout, lifted, touched,
        released;
    bool requested, output_on, fan_on, engine_stopped, had_current;
    int64_t flow_since_ns, stick_since_ns, gap_since_ns, idle_since_ns, low_since_ns, fan_until_ns, wake_since_ns,
        lift_since_ns, touch_since_ns, off_since_ns; /* VB_NEVER: not running */
    int plug, load; /* channels: where its mains plug is, and whose bank its leads go to; -1 none */
    double i_a, target_a, u_v, i1_a, p1_w, u1_v, heat_w, q_w, rpm, fold;
    double t_a, t_b, t_exhaust, intake_degc; /* intake NAN: the room's air */
};

enum vb_contact_fault { VB_CONTACT_SOUND, VB_CONTACT_WELDED, VB_CONTACT_STUCK_OPEN };

struct vb_step {
    double ohm_20, power_w;
    bool closed, moving, element_open;
    enum vb_contact_fault fault;
    int64_t due_ns;
    double t_degc;
};

struct vb_channel {
    char name[NAME_CAP];
    int unit, circuit, bank, crossed; /* crossed: channel whose unit the leads really come from; -1 own */
    bool u2_at_bank;
    int step_count;
    struct vb_step step[STEPS_MAX];
    int64_t close_ns, open_ns;
    double rise_k, step_tau_s, alpha; /* of the elements: at rated power, with the fan */
    bool settable;
    double min_ohm, max_ohm, max_a, slew_s;
    double lead_ohm, lead_k_per_w, lead_tau_s, lead_alpha, burn_degc;

    unsigned command, stuck_feedback;
    bool feedback_stuck, isolated, trigger_command, trigger_on, trip_command, supply_open, lead_open, lead_short;
    int64_t trigger_due_ns, trip_due_ns;
    double set_ohm, set_a, now_ohm, remote_v;
    unsigned operations, broken_live;
    double t_lead, i_a, u_unit, u_bank, load_ohm, load_w;
    double peak[VB_PEAKS];
    int64_t peak_slot_ns;
    enum vbench_trip last_trip;
    int64_t last_trip_ns;
};

enum vb_device_kind {
    VB_STEPPED_BANK,
    VB_SETTABLE_LOAD,
    VB_SCANNER,
    VB_SUPPLY_METER,
    VB_SHUNT_METER,
    VB_THERMOMETER,
    VB_MULTIMETER,
    VB_TEXT_LOAD,
    VB_FAST_METER,
    VB_SCPI_RECORDER,
    VB_REGISTERS /* plain registers with the scenario's contents, to try a client on */
};

enum vb_beat_feed { VB_FED_BY_CHANGE, VB_FED_BY_WRITE, VB_FED_BY_ANY };

/* The load controller's part of a device: bank, settable load, text load. */
struct vb_controller {
    enum vb_beat_feed feed;
    bool has_watchdog;
    double k_per_w, k_per_w_still, air_tau_s, own_thermostat_degc, fan_spin_s;

    bool alive; /* the beat is */
    int64_t fed_ns;
    uint16_t beat, watchdog_s, drop, power_up;
    int64_t started_ns;
    bool fan_command, fan_fault, beacon, smoke, key;
    double fan_speed, t_air;
};

enum vb_table { VB_INPUT, VB_HOLDING, VB_COIL, VB_DISCRETE };
enum vb_type { VB_BIT, VB_I16, VB_U16, VB_I32, VB_U32, VB_I64, VB_F32, VB_F64 };
enum vb_order { VB_ABCD, VB_CDAB, VB_BADC, VB_DCBA };

/* What stands behind a register; `index` is a meter or a channel. */
enum vb_source {
    VB_CONST,
    VB_STORED, /* keeps what is written */
    VB_METER,
    VB_EMF, /* a meter in degC as the emf of a type K couple against the room's air, mV */
    VB_RATE,
    VB_EPOCH,
    VB_CLOCK,
    VB_POWER_UP,
    VB_BEAT,
    VB_WATCHDOG,
    VB_DROP,
    VB_FAN,
    VB_FAN_PROOF,
    VB_BEACON,
    VB_ESTOP,
    VB_SMOKE,
    VB_KEY,
    VB_STEPS,
    VB_FEEDBACK,
    VB_TRIGGER,
    VB_TRIP,
    VB_ISOLATED,
    VB_SUPPLY_OPEN,
    VB_LAMP,
    VB_AUX,
    VB_OPERATIONS,
    VB_REMOTE,
    VB_SET_OHM,
    VB_SET_A,
    VB_UPTIME,
    VB_BUFFER_STATE,
    VB_BUFFER_NUMBER,
    VB_BUFFER_INTERVAL,
    VB_BUFFER_COUNT,
    VB_BUFFER_AGE,
    VB_PEAK_HELD,
    VB_PEAK_READ,
    VB_BUFFER_ARM,
    VB_BUFFER_TRIGGER,
    VB_PEAK_RESET
};

struct vb_cell {
    enum vb_table table;
    uint16_t address;
    enum vb_type type;
    enum vb_order order;
    enum vb_source source;
    int index;
    double value;   /* of VB_CONST and VB_STORED */
    double scale;   /* raw = value / scale */
    double invalid; /* raw when there is no value; NAN for floats */
    bool stuck;
    double stuck_raw;
};

/* A fast meter on a channel. */
struct vb_recorder {
    int channel;
    int64_t interval_ns;
    int count, before_pct;
    double noise_u, noise_i;

    int state, left;
    uint16_t number;
    unsigned at;
    int64_t next_ns, event_ns;
    double level;   /* current since the last event */
    double peak[2]; /* that stays until it is reset, and that each reading lets go */
    bool stuck, tears, is_short, peak_sticks;
    struct vb_random random;
    double ring[2][VB_SAMPLES], kept[2][VB_SAMPLES]; /* volts and amperes */
};

struct vb_device {
    char name[NAME_CAP];
    enum vb_device_kind kind;
    int bus, server;
    int powered_from; /* circuit; -1: its own supply */
    int64_t answer_ns;
    int extent[4];             /* addresses of each table that answer */
    int keep_first, keep_last; /* input registers that refuse to be read; -1 none */
    int channel_count, channels[STEPS_MAX];
    int cell_count;
    struct vb_cell cell[VB_CELLS_MAX];
    struct vb_controller ctl;
    int input_count, inputs[VB_INPUTS]; /* meters */
    int64_t interval_ns, next_line_ns, clock_jump_ns;
    unsigned lines;
    bool frozen;
    int recorder; /* -1: none */
    bool mean;    /* its meters show means, not r.m.s. */
};

enum vb_bus_kind { VB_MODBUS_TCP, VB_MODBUS_RTU, VB_TEXT_PTY, VB_TEXT_TCP, VB_BUS_KINDS };

struct vb_line {
    int64_t sent_ns;
    char text[120];
};

struct vb_bus {
    char name[NAME_CAP];
    enum vb_bus_kind kind;
    int port;
    char link[PATH_CAP];
    int baud;
    bool gone;
    int line_first, line_count; /* ring of spontaneous lines; the oldest falls out when full */
    struct vb_line line[VB_LINES];
    char queued_error[64];
};

/* Communication that goes wrong, from at_ns until until_ns. */
enum vb_fault_kind {
    VB_SILENCE,
    VB_LATE,
    VB_WRONG_CRC,
    VB_TRUNCATED,
    VB_EXCEPTION,
    VB_WRONG_SERVER,
    VB_NOISE,
    VB_GONE,
    VB_FROZEN,
    VB_STUCK,
    VB_DRIBBLE,
    VB_FAULT_KINDS
};

struct vb_fault {
    enum vb_fault_kind kind;
    int bus, device; /* device -1: every device of the bus */
    int64_t from_ns, until_ns;
    int64_t delay_ns;
    int code, share_pct, address, table;
    bool applied;
};

struct vb_probe {
    uint8_t kind; /* enum vb_probe_kind */
    int index;
};

struct vb_meter {
    char name[NAME_CAP];
    struct vb_probe probe;
    int64_t refresh_ns, averaging_ns, damping_ns;
    double resolution, noise, noise_of_reading, offset, gain;
    int powered_from;

    bool frozen, started;
    double filtered, integral, shown;
    double ring[VB_RING];
    unsigned ring_at, ring_filled;
    int64_t next_ns, last_ns;
    struct vb_random random;
};

enum vb_action {
    VB_DO_WELD,
    VB_DO_STICK_OPEN,
    VB_DO_FREE_CONTACT,
    VB_DO_ELEMENT_OPEN,
    VB_DO_FEEDBACK_STUCK,
    VB_DO_FAN_STOP,
    VB_DO_FAN_START,
    VB_DO_ESTOP,
    VB_DO_ESTOP_RELEASE,
    VB_DO_SMOKE,
    VB_DO_SMOKE_CLEAR,
    VB_DO_ISOLATE,
    VB_DO_UNISOLATE,
    VB_DO_OUTAGE,
    VB_DO_SUPPLY_BACK,
    VB_DO_SUPPLY,
    VB_DO_LOOP,
    VB_DO_TRIP_BREAKER,
    VB_DO_CLOSE_BREAKER,
    VB_DO_PHASE_LOSS,
    VB_DO_PHASE_BACK,
    VB_DO_PHASE_VOLTAGE,
    VB_DO_LEAD_OPEN,
    VB_DO_LEAD_SHORT,
    VB_DO_LEAD_MEND,
    VB_DO_LEAD_OHM,
    VB_DO_SWITCH_OFF,
    VB_DO_SWITCH_ON,
    VB_DO_UNIT_FAULT,
    VB_DO_UNIT_FAN_STOP,
    VB_DO_ENGINE_STOP,
    VB_DO_SET_CURRENT,
    VB_DO_SET_VOLTAGE,
    VB_DO_INTAKE,
    VB_DO_WARM,
    VB_DO_CORD,
    VB_DO_RIG,
    VB_DO_ROOM,
    VB_DO_SENSE_OFF,
    VB_DO_SENSE_BACK,
    VB_DO_METER_OFFSET,
    VB_DO_POWER_CYCLE,
    VB_DO_CLOCK_JUMP,
    VB_DO_KEY_OFF,
    VB_DO_KEY_ON,
    VB_DO_BUFFER_FREEZE,
    VB_DO_BUFFER_TEAR,
    VB_DO_BUFFER_SHORTEN,
    VB_DO_BUFFER_MEND,
    VB_DO_PEAK_STICK,
    VB_DO_FAULT,
    VB_ACTIONS
};

struct vb_event {
    int64_t at_ns;
    enum vb_action action;
    int channel, circuit, device, unit, meter, step, phase;
    double value;
    struct vb_fault fault;
    bool done;
};

struct vbench {
    char name[NAME_CAP];
    uint64_t seed;
    int64_t epoch_s;
    double rate;
    double room_base, room_k_per_kw, room_tau_s;

    bool started, estop;
    int64_t origin_ns, now_ns, tick_ns, next_tick_ns, fine_until_ns, next_event_ns;
    double room_degc, dt_s; /* dt_s: length of the step being made */
    int circuit_count, unit_count, channel_count, bus_count, device_count, meter_count, event_count, fault_count;
    struct vb_circuit circuit[CIRCUITS_MAX];
    struct vb_unit unit[CHANNELS_MAX];
    struct vb_channel channel[CHANNELS_MAX];
    struct vb_bus bus[BUSES_MAX];
    struct vb_device device[DEVICES_MAX];
    struct vb_meter meter[VB_METERS_MAX];
    int recorder_count;
    struct vb_recorder recorder[VB_RECORDERS_MAX];
    struct vb_event event[VB_EVENTS_MAX];
    struct vb_fault fault[VB_FAULTS_MAX];
    struct vb_random line_random; /* of faults that strike by chance */
    size_t happened, forgotten;   /* kept, and fallen out of the list before them */
    struct vbench_happening happening[VB_HAPPENINGS];
};

/* vb_scenario.c */
int vb_scenario_load(struct vbench *vb, const char *text, size_t size, struct vbench_error *err);
int vb_event_parse(struct vbench *vb, const char *text, struct vb_event *event, struct vbench_error *err);

/* vb_step.c */
void vb_stir(struct vbench *vb); /* something changed: small steps for a while */
void vb_happen(struct vbench *vb, enum vbench_trip what, int channel);
void vb_schedule(struct vbench *vb, int64_t at_ns);

/* vb_event.c */
void vb_event_do(struct vbench *vb, struct vb_event *event);

/* vb_bank.c: contactors, elements, controllers */
void vb_bank_command(struct vbench *vb, int channel, unsigned mask);
void vb_bank_trigger(struct vbench *vb, int channel, bool on);
void vb_bank_trip(struct vbench *vb, int channel, bool open);
void vb_bank_fed(struct vbench *vb, struct vb_device *d);
void vb_bank_open_all(struct vbench *vb, struct vb_device *d, enum vbench_trip why);
void vb_bank_contacts(struct vbench *vb);
void vb_bank_safety(struct vbench *vb);
void vb_bank_heat(struct vbench *vb, double dt_s);
double vb_bank_ohm(const struct vb_channel *c);
unsigned vb_bank_closed(const struct vb_channel *c);
unsigned vb_bank_feedback(const struct vb_channel *c);

/* vb_unit.c */
void vb_unit_control(struct vbench *vb, int channel);
void vb_unit_remote(struct vbench *vb, int channel, double volts);
void vb_unit_electric(struct vbench *vb, int channel, double dt_s);
void vb_unit_power(struct vbench *vb, int channel);
void vb_unit_heat(struct vbench *vb, struct vb_unit *u, double dt_s);

/* vb_supply.c */
void vb_supply_solve(struct vbench *vb);
void vb_supply_heat(struct vbench *vb, double dt_s);
void vb_supply_reset(struct vb_circuit *c, bool open);

/* vb_meter.c */
void vb_meter_run(struct vbench *vb, double dt_s);
double vb_meter_value(const struct vbench *vb, int meter); /* NAN: none */

/* vb_probe.c */
int vb_probe_parse(const struct vbench *vb, const char *text, struct vb_probe *probe);
double vb_probe_value(const struct vbench *vb, struct vb_probe probe);

/* vb_layout.c: fills the register cells of a device */
struct vb_meter_habits {
    double refresh_s, averaging_s, damping_s, noise, noise_of_reading, offset, gain, resolution;
};
int vb_layout(struct vbench *vb, struct vb_device *d, const struct vb_meter_habits *habits, const char *of,
              const char **why);

/* vb_recorder.c */
struct vb_recorder_habits {
    int64_t interval_ns;
    int count, before_pct;
    double noise_u, noise_i;
};
int vb_recorder_add(struct vbench *vb, struct vb_device *d, const struct vb_recorder_habits *h, const char *of);
void vb_recorder_run(struct vbench *vb);
double vb_recorder_value(const struct vbench *vb, const struct vb_cell *cell);
void vb_recorder_write(struct vbench *vb, const struct vb_cell *cell, double value);
void vb_recorder_power_cycle(struct vbench *vb, const struct vb_device *d);
int vb_recorder_length(const struct vbench *vb, const struct vb_device *d);
bool vb_recorder_registers(struct vbench *vb, struct vb_device *d, unsigned first, unsigned count, uint8_t *to);
bool vb_recorder_list(struct vbench *vb, struct vb_device *d, int row, int first, int count, char *reply, size_t cap);
void vb_recorder_do(struct vbench *vb, const struct vb_event *e);

/* A register of its own; 0, or -1 when the device is full. */
int vb_layout_stored(struct vb_device *d, enum vb_table table, int address, double value);

/* Makes a meter on a probe ("A.i2"); its index, or -1. */
int vb_meter_add(struct vbench *vb, struct vb_device *d, const char *probe, const struct vb_meter_habits *habits);

/* vb_emf.c: emf of a type K couple in mV */
double vb_emf_k(double t_degc);

/* vb_cell.c: registers to values and back */
double vb_cell_value(const struct vbench *vb, const struct vb_device *d, const struct vb_cell *cell);
int vb_cell_width(enum vb_type type);
void vb_cell_encode(const struct vbench *vb, const struct vb_device *d, const struct vb_cell *cell, uint8_t *bytes);
int vb_cell_write(struct vbench *vb, struct vb_device *d, struct vb_cell *cell, const uint8_t *bytes);

/* vb_modbus.c: what a server answers to a PDU; returns the size of the answer, 0 for none */
size_t vb_modbus_answer(struct vbench *vb, struct vb_device *d, const uint8_t *pdu, size_t size, uint8_t *answer,
                        size_t cap);

/* vb_text.c */
bool vb_text_answer(struct vbench *vb, struct vb_device *d, const char *line, char *reply, size_t cap);
void vb_text_talk(struct vbench *vb);

/* vb_fault.c: the fault that strikes this transaction now, or NULL */
const struct vb_fault *vb_fault_now(struct vbench *vb, int bus, int device);
void vb_fault_tick(struct vbench *vb);
bool vb_bus_gone(const struct vbench *vb, int bus); /* its adapter has vanished */
struct vb_device *vb_device_at(struct vbench *vb, int bus, int server);
bool vb_device_dead(const struct vbench *vb, const struct vb_device *d);
int vb_bus_find(const struct vbench *vb, const char *name);

/* Bit i of a mask. (Not (mask >> i) & 1: gcc 12 -O2 was seen to lose the & 1 of that when it becomes a bool.) */
static inline bool vb_bit(unsigned mask, int i)
{
    return (mask & (1u << i)) != 0;
}

/* First-order approach in one step of dt: the Pade form of 1 - exp(-dt/tau), which needs no libm. */
static inline double vb_approach(double dt_s, double tau_s)
{
    double a = dt_s / (tau_s + dt_s / 2);
    return a < 1 ? a : 1;
}

#endif
