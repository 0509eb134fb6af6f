/* From what a sensor gives to what it means: thermocouples, platinum resistors, current loops, shunts. Uses the
 * mathematical library: runs before the engine, never inside it; the converted value is what goes on record. */
#ifndef SENSOR_H
#define SENSOR_H

#include "error.h"

enum thermocouple {
    THERMOCOUPLE_B,
    THERMOCOUPLE_E,
    THERMOCOUPLE_J,
    THERMOCOUPLE_K,
    THERMOCOUPLE_N,
    THERMOCOUPLE_R,
    THERMOCOUPLE_S,
    THERMOCOUPLE_T,
    THERMOCOUPLE_COUNT_
};

/* Type by its letter, any case. Returns 0 or -1. */
int thermocouple_parse(const char *letter, enum thermocouple *type);
const char *thermocouple_letter(enum thermocouple type);

/* Range of the reference function in degC. Returns 0 or -1 with err for a type that does not exist. */
int thermocouple_range(enum thermocouple type, double *low_degc, double *high_degc, struct error *err);

/* emf in mV at a temperature, reference junction at 0 degC: the reference functions of ITS-90 (NIST Monograph 175,
 * IEC 60584-1). Returns 0 or -1 with err (temperature out of the function's range, not a number). */
int thermocouple_emf(enum thermocouple type, double temperature_degc, double *emf_mv, struct error *err);

/* Temperature in degC at an emf in mV, reference junction at 0 degC: solved on the reference function itself, to better
 * than 1e-6 degC. Type B is not single-valued below 250 degC: refused there. Returns 0 or -1 with err. */
int thermocouple_temperature(enum thermocouple type, double emf_mv, double *temperature_degc, struct error *err);

/* The same for an emf measured with the reference junction at cold_junction_degc: its emf is added in mV first, since
 * adding degrees would be wrong by the curvature. Returns 0 or -1 with err. */
int thermocouple_compensated(enum thermocouple type, double measured_mv, double cold_junction_degc,
                             double *temperature_degc, struct error *err);

/* Platinum resistor by IEC 60751: R = R0 (1 + A t + B t^2 [+ C (t - 100) t^3 below 0 degC]), -200 to 850 degC. r0_ohm:
 * 100 for Pt100, 1000 for Pt1000. Return 0 or -1 with err. */
int platinum_resistance(double r0_ohm, double temperature_degc, double *resistance_ohm, struct error *err);
int platinum_temperature(double r0_ohm, double resistance_ohm, double *temperature_degc, struct error *err);

/* Value of a 4-20 mA signal: low_value at 4 mA, high_value at 20 mA. Below 3.6 mA and above 21 mA the transmitter says
 * that it is at fault (limits from memory, in wide use): an error. Returns 0 or -1 with err. */
int current_loop_value(double current_ma, double low_value, double high_value, double *value, struct error *err);

/* Current in A through a shunt from its voltage in mV; the sign is kept. A shunt marked 60 mV, 400 A has 0.00015 ohm.
 * Returns 0 or -1 with err. */
int shunt_current(double measured_mv, double resistance_ohm, double *current_a, struct error *err);

#endif
