/* Sensors whose meter gives volts, ohms or amperes: into what they measure, before the engine sees them. */
#ifndef SENSOR_CONVERT_H
#define SENSOR_CONVERT_H

#include "device_map.h"

/* In the shape of bus_sink.convert (drivers/bus.h): value in the base unit of the point's dimension; returns 0, or -1
 * when there is no value (no cold junction, a broken sensor, outside of the sensor's function). */
int sensor_convert(void *ctx, const struct map_point *point, double value, double cold_junction_degc,
                   double *converted);

#endif
