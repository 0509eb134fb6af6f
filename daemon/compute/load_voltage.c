#include "load_voltage.h"

#include <stddef.h>

/* mma, tig, mig lines: a welding handbook's page on power source characteristics, which ascribes them to IEC 974. All
 * other lines and all plateaus: from memory of IEC 60974-1, 11.2 (M), marked true in the last column. */
static const struct load_rule rules[PROCESS_COUNT_] = {
    [PROCESS_MMA] = {2, {{0, 600, 20, 0.04, false}, {600, LOAD_NO_END, 44, 0, true}}},
    [PROCESS_TIG] = {2, {{0, 600, 10, 0.04, false}, {600, LOAD_NO_END, 34, 0, true}}},
    [PROCESS_MIG] = {2, {{0, 600, 14, 0.05, false}, {600, LOAD_NO_END, 44, 0, true}}},
    [PROCESS_SAW] = {2, {{0, 600, 20, 0.04, true}, {600, LOAD_NO_END, 44, 0, true}}},
    /* the lower line ends half a volt below the upper one, as the rule is handed down */
    [PROCESS_PLASMA_CUT] = {3, {{0, 165, 80, 0.4, true}, {165, 500, 130, 0.1, true}, {500, LOAD_NO_END, 180, 0, true}}},
    [PROCESS_PLASMA_WELD] = {2, {{0, 600, 25, 0.04, true}, {600, LOAD_NO_END, 49, 0, true}}},
    [PROCESS_PLASMA_GOUGE] = {2, {{0, 300, 100, 0.4, true}, {300, LOAD_NO_END, 220, 0, true}}},
};

const struct load_rule *load_rule_default(enum process process)
{
    if ((int)process < 0 || process >= PROCESS_COUNT_)
        return NULL;
    return &rules[process];
}

int load_rule_voltage(const struct load_rule *rule, double current_a, double *voltage_v, bool *from_memory,
                      struct error *err)
{
    if (!(current_a > 0) || current_a >= LOAD_NO_END)
        return error_set(err, "the welding current must be a number above 0 A");
    for (int i = 0; i < rule->count; i++) {
        const struct load_line *line = &rule->lines[i];
        if (current_a > line->from_a && current_a <= line->to_a) {
            *voltage_v = line->base_v + line->slope_v_per_a * current_a;
            if (from_memory != NULL)
                *from_memory = line->from_memory;
            return 0;
        }
    }
    return error_set(err, "the load voltage rule has no piece for %g A", current_a);
}

int load_voltage(enum process process, double current_a, double *voltage_v, struct error *err)
{
    const struct load_rule *rule = load_rule_default(process);
    if (rule == NULL)
        return error_set(err, "unknown process number %d", (int)process);
    return load_rule_voltage(rule, current_a, voltage_v, NULL, err);
}

int load_point_find(enum process process, double current_a, double plate_voltage_v, struct load_point *point,
                    struct error *err)
{
    const struct load_rule *rule = load_rule_default(process);
    if (rule == NULL)
        return error_set(err, "unknown process number %d", (int)process);
    double voltage_v = 0;
    bool from_memory = false;
    if (load_rule_voltage(rule, current_a, &voltage_v, &from_memory, err) != 0)
        return -1;
    bool from_plate = !__builtin_isnan(plate_voltage_v);
    if (from_plate) {
        if (!(plate_voltage_v > 0) || plate_voltage_v >= LOAD_NO_END)
            return error_set(err, "the load voltage on the plate must be above 0 V");
        voltage_v = plate_voltage_v;
    }
    *point = (struct load_point){
        .current_a = current_a,
        .voltage_v = voltage_v,
        .resistance_ohm = voltage_v / current_a,
        .conductance_s = current_a / voltage_v,
        .power_w = voltage_v * current_a,
        .from_memory = from_memory && !from_plate,
        .from_plate = from_plate,
    };
    return 0;
}
