/* The bench as the engine knows it: channels, loads, signals, circuits, limits. Plain data, made by the configuration
 * room, journaled in its canonical encoding, and read back from there when a run is judged again. Indexes are
 * positions in the arrays of struct bench; -1 means "none". All times are nanoseconds. */
#ifndef BENCH_H
#define BENCH_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"
#include "codec.h"
#include "process.h"
#include "signals.h"

/* How a stated uncertainty is to be read. */
enum uncertainty_kind {
    UNC_LIMIT,    /* limits of error: rectangular, u = a / sqrt(3) */
    UNC_EXPANDED, /* expanded, with its coverage factor k */
    UNC_KIND_COUNT_
};

struct uncertainty {
    double of_reading_pct;
    double of_range_pct;
    double range;    /* in the signal's unit */
    double absolute; /* in the signal's unit */
    enum uncertainty_kind kind;
    double k; /* coverage factor of UNC_EXPANDED, usually 2 */
};

enum mean_kind { MEAN_ARITHMETIC, MEAN_RMS, MEAN_KIND_COUNT_ };

struct bench_signal {
    char name[NAME_CAP];
    enum signal_kind kind;
    enum signal_class cls;
    int channel; /* -1: belongs to the bench */
    int device;
    int bus;
    enum dimension dim;
    enum mean_kind mean;
    struct uncertainty uncertainty;
    double correction_gain; /* value = read * gain + offset, from the calibration certificate */
    double correction_offset;
    int64_t refresh_ns;     /* how often the meter makes a new value; 0: each poll */
    int64_t averaging_ns;   /* window it averages over */
    int64_t damping_ns;     /* time constant of its filter */
    int64_t stale_after_ns; /* age at which a reading no longer counts */
    enum latch_kind latch;  /* of a latched peak */
    char certificate[NAME_CAP];
    int64_t calibration_due_utc_s; /* 0: not stated */
};

struct bench_step {
    double resistance_ohm; /* at 20 degC */
    double power_w;        /* continuous rating */
};

/* LOAD_OBSERVED: switched by somebody else, as in a record made elsewhere; on and off are found from the current. No
 * bench is configured with it, hence last. */
enum load_kind { LOAD_STEPPED, LOAD_SETTABLE_RESISTANCE, LOAD_SETTABLE_CURRENT, LOAD_OBSERVED, LOAD_KIND_COUNT_ };

/* One moment of a strike: the steps of mask, or where that is 0 what comes nearest to the resistance. */
struct strike_stage {
    uint32_t mask;
    double resistance_ohm;
    int64_t for_ns; /* 0: there is no such moment */
};

/* What gets units going that do not start on the steps of a rating point: a moment of low resistance, then one that is
 * high enough for the voltage of an arc, then the point's own steps. */
struct bench_strike {
    bool fitted;
    struct strike_stage low, high;
    bool released;       /* where steps open, the torch switch is let go first and held again afterwards */
    int attempts;        /* at most, at each begin of an on-load part */
    int64_t rest_ns;     /* load open between two attempts */
    int64_t within_ns;   /* after the point's own steps have closed the unit has to give ... */
    double started_pct;  /* ... this share of the rated current */
    double start_a;      /* what a unit gives that waits for its arc */
    double arc_v;        /* at and above which it takes it that one burns */
    double overload_pct; /* of a step's continuous rating, for these moments */
};

struct bench_load {
    enum load_kind kind;
    int device;
    int feedback_signal; /* mask of closed steps */
    int step_count;
    struct bench_step steps[STEPS_MAX];
    double lead_resistance_ohm; /* leads between the unit's terminals and the bank, part of the load when u2 is sensed
                                   at the unit */
    double max_power_w;         /* of the channel; 0: sum of steps */
    double max_voltage_v;       /* of elements, contactors and meters */
    double
        breaks_dc_v;   /* voltage at which the contactors may break rated current; 0: none, current must be off first */
    double breaks_a;   /* current that they may break */
    int64_t travel_ns; /* longest time a contactor takes, open or close */
    int64_t contactor_life;                        /* closings that one is made for; 0: not stated */
    int64_t contactors_renewed_utc_s;              /* closings count from then on; 0: all on record */
    bool has_supply_trip;                          /* a second means: opens the unit's supply */
    bool has_trigger;                              /* the bench holds the unit's torch switch */
    bool has_bank_fan;                             /* the daemon switches the bank's fan */
    double max_resistance_ohm, min_resistance_ohm; /* settable kinds */
    double max_current_a;
    struct bench_strike strike;
};

/* A wired remote control of a unit's current: an output that the bench writes, a straight line from ampere to it. */
struct bench_remote {
    bool fitted;
    int device;
    double low_out, low_a, high_out, high_a; /* two points of the line, in the output's own unit */
    double safe_out;                         /* written when the load opens */
    int64_t settle_ns;                       /* of the unit, before its current counts */
    double within_pct;                       /* of the current that is wanted */
    int tries;
};

struct path_part {
    bool is_cable;
    double area_mm2;
    double length_m;
    double current_a;  /* rating ... */
    double percent_on; /* ... at this percent-on; 100: continuous */
    double cycle_s;    /* cycle of the rating: 300 or 600 */
};

struct breaker {
    double rated_a;          /* 0: none stated */
    char standard[NAME_CAP]; /* iec-60898-1, ul-489 */
    char curve;              /* B C D; 0 none */
    int point_count;         /* maker's curve as typed in */
    double point_multiple[CURVE_POINTS_MAX];
    double point_min_s[CURVE_POINTS_MAX];
    double point_max_s[CURVE_POINTS_MAX];
};

struct bench_circuit {
    char name[NAME_CAP];
    double voltage_v;
    int phases;
    double frequency_hz;
    double loop_ohm; /* loop and extension resistance; 0: not stated */
    struct breaker breaker;
};

struct bench_device {
    char name[NAME_CAP];
    int bus;
    bool is_load;
    bool has_watchdog;
    int64_t watchdog_ns; /* the controller's own limit between beats */
    int64_t poll_ns;
    int powered_from;      /* circuit it is fed from; -1 none */
    int64_t worst_open_ns; /* worst-case time from a drop to open contacts, as computed for this bench */
};

struct bench_channel {
    char name[NAME_CAP];
    int circuit; /* -1: engine driven or battery */
    struct bench_load load;
    int path_count;
    struct path_part path[PATH_PARTS_MAX];
    int signal[SIG_KIND_COUNT_]; /* the channel's own signal of a kind, else the bench's, else -1 */
    bool u2_at_bank;             /* u2 is sensed at the bank, not at the unit */
    bool has_capture;            /* a meter has a buffer of fast samples for it */
    struct bench_remote remote;
};

/* How long the engine waits for something, or bears it: common practice, no published source, where the configuration's
 * reference does not name one. */
enum bench_time {
    TIME_RECORD,
    TIME_CHANGE,
    TIME_CLOSE,
    TIME_RELEASE,
    TIME_STRAY,
    TIME_READY,
    TIME_HINDRANCE,
    TIME_IDENTITY,
    TIME_ELEMENT,
    TIME_SUPPLY,
    TIME_BEGIN,
    TIME_RATED,
    TIME_REDUCED,
    TIME_METER_DOUBT,
    TIME_EVIDENCE,
    TIME_PROBE_FIRST,
    TIME_PROBE_EVERY,
    TIME_PROBE_HOLD,
    TIME_PROOF_AGE,
    TIME_MESSAGE_AGE,
    TIME_NIGHT,
    TIME_SAFETY_TEST,
    TIME_SURVEY_REST,
    TIME_SURVEY_WAIT,
    TIME_CYCLE,
    TIME_CLOCK_OFF,
    TIME_BREAKER,
    TIME_OPEN_WARN,
    BENCH_TIMES_
};

/* Where it draws its lines, likewise. */
enum bench_level {
    LEVEL_FLOW_A,
    LEVEL_FLOW_PCT,
    LEVEL_IDENTITY_A,
    LEVEL_ELEMENT_LOW,
    LEVEL_ELEMENT_HIGH,
    LEVEL_REDUCED,
    LEVEL_LEAD_RISE,
    LEVEL_LEAD_WARN,
    LEVEL_LEAD_END,
    LEVEL_LOAD_ERROR,
    LEVEL_PATH,
    LEVEL_SURVEY,
    LEVEL_CAPABILITY,
    LEVEL_WAITS_PCT,
    LEVEL_WAITS_V,
    BENCH_LEVELS_
};

/* Limits of the interlocks and of the judgement. Those marked M are from memory and configurable. */
struct bench_limits {
    double t_bank_max_degc;
    double t_lead_max_degc;
    double over_power_pct;          /* of a step's or channel's rating */
    double u1_void_pct;             /* M: supply further off than this voids a cycle (5) */
    int64_t u1_void_after_ns;       /* ... when it stays so for this long at a stretch, though the mean holds */
    double u1_open_pct;             /* supply further off than this opens the load */
    int64_t max_on_load_ns;         /* hard cap of one on-load part */
    double band_high_pct;           /* M: test-condition band, +10 ... */
    double band_low_pct;            /* M: ... -2 */
    double drift_limit_k_per_h;     /* M: 2 */
    int64_t drift_window_ns;        /* M: 60 min */
    double cold_within_k;           /* exhaust within this of ambient counts as cold */
    int64_t cold_rest_ns;           /* no load for this long counts as cold */
    int64_t stale_ns[CLASS_COUNT_]; /* loss borne per class */
    int64_t frozen_doubt_ns, frozen_open_ns; /* the same value, to the bit, where it ought to move: told; and opened */
    int64_t guard_on_load_ns;                /* beyond the rated on-time, before a hold is accepted */
    int64_t settle_ns[PROCESS_COUNT_];       /* start transients, out of the band, in the heat */
    int64_t setting_cap_ns;
    int64_t recover_cap_ns; /* wait for a reset at most this long */
    int64_t fan_run_on_ns;
    int64_t beat_ns;  /* interval of the heartbeat */
    int64_t lease_ns; /* how long a renewal lasts */
    int64_t journal_warn_ns, journal_refuse_ns, journal_open_ns;
    double u0_dc_peak_v, u0_ac_rms_v, u0_ac_rms_s_v, u0_plasma_v; /* M: no-load voltage limits */
    int cutouts_per_night;                                        /* M: 3 */
    double altitude_m;                                            /* of the bench; above 1000 is harsh */
    double repeatability_pct;                                     /* of the bench itself */
    double bank_max_power_w;                                      /* all channels together; 0: no limit */
    double bank_mean_power_w; /* ... in the mean over a cycle, by what the room is rid of; 0: no limit */
    int64_t time_ns[BENCH_TIMES_];
    double level[BENCH_LEVELS_]; /* %, A, V or W */
};

enum rule_sense { RULE_ABOVE, RULE_BELOW, RULE_OUTSIDE, RULE_RISING, RULE_SENSE_COUNT_ };
enum rule_action { RULE_NOTE, RULE_FLAG, RULE_END, RULE_OPEN, RULE_ACTION_COUNT_ };

struct bench_rule {
    char name[NAME_CAP];
    int channel; /* -1: all */
    char signal[NAME_CAP];
    enum rule_sense sense;
    double low, high; /* above and rising use high, below uses low */
    int64_t for_ns;
    char while_state[NAME_CAP]; /* empty: always */
    enum rule_action action;
    bool notify;
};

struct bench {
    char name[NAME_CAP];
    bool virtual_bench; /* every device said so; rate other than 1 is allowed */
    double rate;
    int device_count;
    struct bench_device devices[DEVICES_MAX];
    int bus_count;
    char bus_names[BUSES_MAX][NAME_CAP];
    int circuit_count;
    struct bench_circuit circuits[CIRCUITS_MAX];
    int channel_count;
    struct bench_channel channels[CHANNELS_MAX];
    int signal_count;
    struct bench_signal signals[SIGNALS_MAX];
    int rule_count;
    struct bench_rule rules[RULES_MAX];
    struct bench_limits limits;
};

const char *load_kind_name(enum load_kind kind);
const char *rule_sense_name(enum rule_sense sense);
const char *rule_action_name(enum rule_action action);

/* The limits that hold where the configuration says nothing. */
void bench_limits_default(struct bench_limits *limits);

/* Canonical encoding with a version number in front. bench_encode gives the size needed with bytes NULL. Decoding
 * checks every index and count; returns 0 or -1. */
size_t bench_encode(const struct bench *b, uint8_t *bytes, size_t cap);
int bench_decode(struct bench *b, const uint8_t *bytes, size_t size);

/* Index of a channel or circuit by name, -1 when there is none. */
int bench_channel_find(const struct bench *b, const char *name);
int bench_circuit_find(const struct bench *b, const char *name);

#endif
