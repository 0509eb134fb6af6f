/* The files as written: structures that the schema tables fill, names not yet resolved. */
#ifndef RAW_H
#define RAW_H

#include "config.h"
#include "rating.h"
#include "schema.h"

struct raw_clock {
    struct at at;
    double rate;
    int64_t epoch_ns; /* -1: not stated */
};

struct raw_journal {
    struct at at;
    struct journal_config journal;
};

struct raw_listen {
    struct at at;
    struct listen_config listen;
};

struct raw_bus {
    struct at at;
    struct bus_config bus;
};

struct raw_device {
    struct at at;
    struct device_config device; /* server -1: not stated */
    char bus[NAME_CAP];
    char map[PATH_CAP];
    char powered_from[NAME_CAP];
    double isolation_v;
};

struct raw_curve_point {
    struct at at;
    double multiple, min_s, max_s;
};

struct raw_breaker {
    struct at at;
    double rated_a;
    int standard; /* -1: not stated */
    char curve;
    struct list points;
};

struct raw_circuit {
    struct at at;
    struct bench_circuit circuit;
    struct raw_breaker breaker;
};

struct raw_path_rating {
    struct at at;
    double current_a, percent_on;
    int64_t cycle_ns;
};

struct raw_path_part {
    struct at at;
    double area_mm2, length_m; /* NAN: no cable */
    double current_a, percent_on;
    int64_t cycle_ns;
    struct raw_path_rating connector, adaptor;
};

struct raw_step {
    struct at at;
    struct bench_step step;
};

struct raw_strike_stage {
    struct at at;
    double resistance_ohm; /* NAN: steps instead */
    struct word_list steps;
    int64_t for_ns;
};

struct raw_strike {
    struct at at;
    struct raw_strike_stage low, high;
    int change;
    struct bench_strike strike; /* the rest of it */
};

struct raw_load {
    struct at at;
    char device[NAME_CAP];
    struct bench_load load;
    char command[NAME_CAP], feedback[NAME_CAP], heartbeat[NAME_CAP], watchdog[NAME_CAP];
    int64_t watchdog_ns;
    struct list steps;
    char supply_trip[NAME_CAP * 2], fan[NAME_CAP * 2]; /* "point" of the load device, or "device.point" */
    double highest_u2_v;
    int u2_at;
    struct raw_strike strike;
};

struct raw_output { /* a point that is written */
    struct at at;
    char device[NAME_CAP], command[NAME_CAP];
};

struct raw_channel_capture {
    struct at at;
    char device[NAME_CAP], name[NAME_CAP];
};

struct raw_remote {
    struct at at;
    char device[NAME_CAP], command[NAME_CAP];
    struct bench_remote remote;
};

struct raw_uncertainty {
    struct at at;
    struct uncertainty u;
    char range[NAME_CAP], absolute[NAME_CAP];
};

struct raw_calibration {
    struct at at;
    char certificate[NAME_CAP];
    int64_t due_utc_s;
    double gain;
    char offset[NAME_CAP];
};

struct raw_signal {
    struct at at;
    char device[NAME_CAP], point[NAME_CAP];
    int cls, mean;          /* -1: by the kind of signal */
    int64_t stale_after_ns; /* -1: by the class */
    int64_t refresh_ns, averaging_ns, damping_ns;
    struct raw_uncertainty uncertainty;
    struct raw_calibration calibration;
};

struct raw_channel {
    struct at at;
    char name[NAME_CAP], circuit[NAME_CAP];
    struct list path;
    struct raw_load load;
    struct raw_output trigger;
    struct raw_channel_capture capture;
    double isolation_v;
    struct raw_remote remote;
    struct list signals;
};

struct raw_outside {
    struct at at;
    char low[NAME_CAP], high[NAME_CAP];
};

struct raw_rule {
    struct at at;
    char name[NAME_CAP], signal[NAME_CAP];
    char above[NAME_CAP], below[NAME_CAP], rising[NAME_CAP];
    struct raw_outside outside;
    int64_t for_ns;
    int while_state; /* -1: always */
    int action;
    bool notify;
    struct word_list channels;
};

struct raw_batch {
    struct at at;
    int lines;
    int64_t bytes, age_ns;
};

struct raw_store {
    struct at at;
    struct store_config store;
    struct raw_batch batch;
};

struct raw_notify {
    struct at at;
    struct notify_config notify;
    int about;
};

struct raw_record {
    struct at at;
    struct record_config record;
};

struct raw_unattended {
    struct at at;
    struct unattended_config unattended;
};

struct raw_stale {
    struct at at;
    int64_t ns[CLASS_COUNT_];
};

struct raw_frozen {
    struct at at;
    int64_t doubt_ns, open_ns;
};

struct raw_settle {
    struct at at;
    int64_t ns[PROCESS_COUNT_];
};

struct raw_no_load {
    struct at at;
    double dc_peak_v, ac_rms_v, ac_rms_s_v, plasma_v;
};

struct raw_times {
    struct at at;
    int64_t ns[BENCH_TIMES_];
};

struct raw_levels {
    struct at at;
    double value[BENCH_LEVELS_];
};

struct raw_limits {
    struct at at;
    struct bench_limits limits;
    struct raw_stale stale;
    struct raw_frozen frozen;
    struct raw_settle settle;
    struct raw_no_load no_load;
    struct raw_times times;
    struct raw_levels levels;
};

struct raw_bench {
    struct at at;
    char bench[NAME_CAP];
    struct raw_clock clock;
    struct raw_journal journal;
    struct raw_listen listen;
    struct list buses, devices, circuits, channels, signals, rules, stores, notify;
    struct raw_output beacon;
    struct raw_limits limits;
    struct raw_record record;
    struct raw_unattended unattended;
};

struct raw_sensor {
    struct at at;
    char thermocouple;
    char cold_junction[NAME_CAP];
    bool pt100, pt1000;
    char loop_low[NAME_CAP], loop_high[NAME_CAP];
    double shunt_ohm;
};

struct raw_point {
    struct at at;
    char name[NAME_CAP];
    char note[TEXT_CAP];
    struct map_point point;
    int table, type, order; /* -1: not stated */
    int register_;
    int bit, bits;
    int access;
    double min, max;
    struct raw_list invalid;
    struct raw_sensor sensor;
    int latch; /* -1: none stated */
    char reset[NAME_CAP];
    double reset_value;
    char reply[TEMPLATE_CAP], expression[TEMPLATE_CAP];
};

struct raw_keep_out {
    struct at at;
    int table, first, last;
};

struct raw_point_value {
    struct at at;
    char point[NAME_CAP];
    double value;
};

struct raw_beat {
    struct at at;
    char point[NAME_CAP];
    int kind;
};

struct raw_exchange {
    struct at at;
    char query[TEMPLATE_CAP], reply[TEMPLATE_CAP];
};

struct raw_listening {
    struct at at;
    char reply[TEMPLATE_CAP];
    struct word_list points;
};

struct raw_capture {
    struct at at;
    char name[NAME_CAP];
    struct raw_point_value arm, trigger;
    char state[NAME_CAP], interval_point[NAME_CAP], count_point[NAME_CAP], age[NAME_CAP], number[NAME_CAP];
    double armed, ready, filling; /* filling NAN: not told apart */
    int64_t interval_ns;
    int count;
    double before_pct;
    char samples[CAPTURE_SIGNALS][NAME_CAP];
};

struct raw_map {
    struct at at;
    char note[TEXT_CAP];
    struct device_map map; /* all that needs no resolving */
    int protocol, order;
    struct list points, keep_out, identity, listen, captures;
    int power_up_kind;
    char virtual_point[NAME_CAP], rate[NAME_CAP], epoch[NAME_CAP], power_up[NAME_CAP], watchdog[NAME_CAP];
    struct raw_point_value drop_all;
    struct raw_beat beat;
    int line_end;
    struct raw_exchange identify, errors;
    struct word_list out_of_range;
};

struct raw_rating {
    struct at at;
    struct rating_point point;
    int64_t cycle_ns;
};

struct raw_unit {
    struct at at;
    struct unit_plate plate;
    struct list ratings;
};

extern const struct object bench_object, map_object, unit_object;

/* schema_strike.c: fills load.strike from what the file says, and adds what is wrong with it. */
void build_strike(struct raw_load *load, struct problems *problems);

/* Tables that are used by another file's. */
extern const struct object bus_object, device_object, circuit_object, channel_object, signal_object, output_object,
    rule_object, limits_object, store_object, notify_object, strike_object, times_object, levels_object, remote_object;

#endif
