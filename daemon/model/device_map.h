/* How to talk to a device: bus, addresses, and what its registers or replies mean. Made by the configuration room from
 * YAML, used by the drivers. A value is raw * scale + offset, in double, in that order, in the unit of the map. */
#ifndef DEVICE_MAP_H
#define DEVICE_MAP_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"
#include "power_up.h"
#include "quantity.h"
#include "signals.h"

enum { POINTS_MAX = 160, INVALID_MAX = 8, KEEP_OUT_MAX = 16, LISTEN_MAX = 8, CAPTURES_MAX = 8, TEMPLATE_CAP = 160 };

enum map_protocol { MAP_MODBUS, MAP_TEXT };
enum register_table { TABLE_INPUT, TABLE_HOLDING, TABLE_COIL, TABLE_DISCRETE, TABLE_COUNT_ };
enum value_type {
    TYPE_BIT,
    TYPE_I16,
    TYPE_U16,
    TYPE_I32,
    TYPE_U32,
    TYPE_I64,
    TYPE_U64,
    TYPE_F32,
    TYPE_F64,
    TYPE_COUNT_
};
/* Order of bytes on the wire for values of 32 and 64 bits; abcd is big endian throughout. For 16 bits, badc and dcba
 * swap the two bytes. */
enum word_order { ORDER_ABCD, ORDER_CDAB, ORDER_BADC, ORDER_DCBA, ORDER_COUNT_ };

enum sensor_kind { SENSOR_NONE, SENSOR_THERMOCOUPLE, SENSOR_PT100, SENSOR_PT1000, SENSOR_LOOP, SENSOR_SHUNT };

struct map_point {
    char name[NAME_CAP];
    bool writable; /* access: write; never polled */
    bool block;    /* access: block; the first of many samples, read by a capture only */
    enum latch_kind latch;
    int16_t reset_point; /* LATCH_WRITE: what is written, and which value; -1 none */
    double reset_value;
    enum register_table table;
    uint16_t register_; /* as on the wire, from 0 */
    enum value_type type;
    enum word_order order;
    int8_t bit, bits;     /* bit field inside the register: lowest bit and width; bits 0: whole */
    double scale, offset; /* default 1, 0 */
    char unit[16];        /* as written in the map */
    enum dimension dim;
    double to_base;           /* factor from the map's unit to the dimension's base unit */
    enum dimension value_dim; /* of the value that comes out: dim, or what the sensor makes of it */
    bool has_min, has_max;
    double min, max; /* outside: quality out-of-range */
    int invalid_count;
    uint64_t invalid[INVALID_MAX]; /* raw values that mean "no value", compared in the width of the type */
    enum sensor_kind sensor;
    char thermocouple;              /* K J T N E R S B */
    char cold_junction[NAME_CAP];   /* point of the same device, degC */
    double sensor_low, sensor_high; /* loop: value at 4 and 20 mA; shunt: ohm in sensor_low */
    /* text protocol */
    char query[TEMPLATE_CAP]; /* empty: not asked for; comes by listening */
    char reply[TEMPLATE_CAP]; /* template with {number}, or expression */
    bool reply_is_expression;
    char write[TEMPLATE_CAP];       /* template with {number} */
    char write_reply[TEMPLATE_CAP]; /* expected answer to a write; empty: none */
};

struct map_listen {
    char reply[TEMPLATE_CAP];
    int point_count;
    int points[16]; /* index of the point for each number slot */
};

struct keep_out {
    enum register_table table;
    uint16_t first, last;
};

/* A buffer of fast samples around an event. Indexes are those of points, -1 none. */
struct map_capture {
    char name[NAME_CAP];
    int arm_point; /* written: begin to watch for the event */
    double arm_value;
    int trigger_point; /* written by the daemon: this is the event. -1: the device sees it by itself */
    double trigger_value;
    int state_point;
    double armed, ready; /* its values while it waits for the event, and once the buffer is whole */
    bool has_filling;    /* ... and from the event until then, where the device tells the three apart */
    double filling;
    int interval_point;           /* time between samples as the device says it ... */
    int64_t interval_ns;          /* ... or as the map does */
    int count_point, count;       /* samples of a signal, likewise */
    double before_pct;            /* share of the buffer that lies before the event */
    int age_point;                /* time since the event */
    int number_point;             /* changes with every capture */
    int samples[CAPTURE_SIGNALS]; /* block points */
};

enum beat_kind { BEAT_COUNTER, BEAT_TOGGLE };

struct device_map {
    char name[NAME_CAP];
    enum map_protocol protocol;
    int max_block;         /* registers a request; default 125 */
    int max_block_bits;    /* bits a request; default 2000 */
    int max_gap;           /* unread registers that a block may bridge */
    int64_t turnaround_ns; /* silence that the device needs before the next request */
    int64_t answer_ns;     /* longest answer time; 0: the bus's timeout */
    int keep_out_count;
    struct keep_out keep_out[KEEP_OUT_MAX];
    int point_count;
    struct map_point points[POINTS_MAX];
    /* identity: what must be read, and equal, before the device is trusted */
    int identity_count;
    int identity_points[8];
    double identity_values[8];
    int virtual_point, rate_point, epoch_point, power_up_point; /* -1: the map has none */
    enum power_up_kind power_up_kind;
    /* load controllers */
    int drop_all_point; /* writing drop_all_value opens every step of every channel; -1 none */
    double drop_all_value;
    int beat_point; /* -1: none */
    enum beat_kind beat_kind;
    int watchdog_point; /* holds the watchdog's limit in s; -1 none */
    double safe_value;  /* a steps point's value with all steps open */
    /* text */
    char line_end[8]; /* default CR LF */
    bool echo;
    char identify_query[TEMPLATE_CAP], identify_reply[TEMPLATE_CAP];
    char error_query[TEMPLATE_CAP], error_none[TEMPLATE_CAP];
    char out_of_range[4][32]; /* words that mean over or under range */
    int listen_count;
    struct map_listen listen[LISTEN_MAX];
    int capture_count;
    struct map_capture captures[CAPTURES_MAX];
};

enum bus_kind { BUS_MODBUS_TCP, BUS_MODBUS_RTU, BUS_TEXT_SERIAL, BUS_TEXT_TCP, BUS_IN_PROCESS, BUS_KIND_COUNT_ };
enum parity { PARITY_NONE, PARITY_EVEN, PARITY_ODD };

struct bus_config {
    char name[NAME_CAP];
    enum bus_kind kind;
    char address[PATH_CAP]; /* host:port, numeric */
    char port[PATH_CAP];    /* device path */
    int baud;
    enum parity parity;
    int data_bits, stop_bits;
    int64_t timeout_ns; /* answer; real time, never scaled */
    int64_t gap_ns;     /* silence between frames; 0: by the standard */
    bool rs485;
    char record[PATH_CAP]; /* file for all bytes that pass; empty: none */
};

struct device_config {
    char name[NAME_CAP];
    int bus;
    int server; /* Modbus server address */
    int64_t poll_ns;
    int64_t answer_ns; /* longest answer time; 0: from map or bus */
    int map;           /* index into the maps of the configuration */
    bool is_load;
};

/* What a channel writes to its load device and meters: indexes of points in that device's map, -1 none. */
struct load_points {
    int device;
    int command; /* mask of steps, or set value */
    int trigger_device, trigger;
    int supply_device, supply; /* written 1: trip (open) the unit's supply, 0: allow */
    int fan_device, fan;
    int peak_device, peak;       /* point of the latched peak that COMMAND_PEAK_RESET lets go */
    int capture_device, capture; /* index in that device's map */
    int remote_device, remote;   /* written with what stands for the unit's current */
};

/* Where a signal comes from. */
struct signal_source {
    int device;
    int point;
};

#endif
