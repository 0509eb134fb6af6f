/* Conventional load voltage: the voltage that stands for the arc when a welding power source is rated and tested at a
 * current, by process, and the resistance and power that follow from it. Verdict path: + - * / and comparison only. */
#ifndef LOAD_VOLTAGE_H
#define LOAD_VOLTAGE_H

#include <stdbool.h>

#include "error.h"
#include "process.h"

enum { LOAD_LINES_MAX = 3 };

/* A straight piece U2 = base + slope * I2, valid above from_a up to and with to_a. */
struct load_line {
    double from_a, to_a; /* to_a of the last piece is LOAD_NO_END */
    double base_v;
    double slope_v_per_a;
    bool from_memory; /* not seen in a publication: confirm against the standard before relying on it */
};

#define LOAD_NO_END 1e30

/* The pieces of one process in rising order of current. */
struct load_rule {
    int count;
    struct load_line lines[LOAD_LINES_MAX];
};

/* What the unit sees at a rating point. */
struct load_point {
    double current_a;
    double voltage_v;      /* U2 */
    double resistance_ohm; /* U2 / I2, at the unit's terminals */
    double conductance_s;  /* I2 / U2 */
    double power_w;        /* U2 * I2 */
    bool from_memory;      /* the piece that was used is */
    bool from_plate;       /* U2 is the plate's, not the rule's */
};

/* The rule of a process as usually ascribed to IEC 60974-1, 11.2. NULL for a process that does not exist. The lines of
 * mma, tig and mig are quoted by published handbooks; plateaus, saw and the plasma processes are from memory. */
const struct load_rule *load_rule_default(enum process process);

/* Voltage in V of a rule at a current in A (above 0, finite). Returns 0 or -1 with err. */
int load_rule_voltage(const struct load_rule *rule, double current_a, double *voltage_v, bool *from_memory,
                      struct error *err);

/* Conventional load voltage in V by the default rule. Returns 0 or -1 with err. */
int load_voltage(enum process process, double current_a, double *voltage_v, struct error *err);

/* The whole load point. plate_voltage_v: U2 as printed on the plate, which wins over the rule; NAN when the plate gives
 * none. Returns 0 or -1 with err (current or voltage not above 0, unknown process). */
int load_point_find(enum process process, double current_a, double plate_voltage_v, struct load_point *point,
                    struct error *err);

#endif
