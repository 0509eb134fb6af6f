#include "sensor_convert.h"

#include <math.h>

#include "sensor.h"

static int convert_thermocouple(const struct map_point *point, double value_v, double cold_junction_degc,
                                double *converted)
{
    const char letter[2] = {point->thermocouple, '\0'};
    enum thermocouple type;
    /* A map without a cold junction is for a meter that has compensated already: its volts are as against 0 degC. A
     * cold junction that is named but not known gives no value. */
    double cold_degc = point->cold_junction[0] ? cold_junction_degc : 0;
    if (isnan(cold_degc) || thermocouple_parse(letter, &type))
        return -1;
    return thermocouple_compensated(type, value_v * 1000, cold_degc, converted, NULL);
}

int sensor_convert(void *ctx, const struct map_point *point, double value, double cold_junction_degc, double *converted)
{
    (void)ctx;
    switch (point->sensor) {
    case SENSOR_THERMOCOUPLE:
        return convert_thermocouple(point, value, cold_junction_degc, converted);
    case SENSOR_PT100:
        return platinum_temperature(100, value, converted, NULL);
    case SENSOR_PT1000:
        return platinum_temperature(1000, value, converted, NULL);
    case SENSOR_LOOP:
        return current_loop_value(value * 1000, point->sensor_low, point->sensor_high, converted, NULL);
    case SENSOR_SHUNT:
        return shunt_current(value * 1000, point->sensor_low, converted, NULL);
    case SENSOR_NONE:
        *converted = value;
        return 0;
    }
    return -1;
}
