#include "map_check.h"

int64_t bus_gap_ns(const struct bus_config *config)
{
    bool serial = config->kind == BUS_MODBUS_RTU || config->kind == BUS_TEXT_SERIAL ||
                  (config->kind == BUS_IN_PROCESS && config->baud > 0);
    if (!serial || config->kind == BUS_TEXT_SERIAL)
        return config->gap_ns > 0 ? config->gap_ns : 0;
    if (config->gap_ns > 0)
        return config->gap_ns;
    if (config->baud <= 0 || config->baud > 19200)
        return 1750000;
    return INT64_C(38500000000) / config->baud; /* 3.5 characters of 11 bits */
}

int64_t rtu_exchange_ns(const struct bus_config *config, int request_bytes, int answer_bytes)
{
    int64_t baud = config->baud > 0 ? config->baud : 19200;
    return (int64_t)(request_bytes + answer_bytes) * INT64_C(11000000000) / baud + bus_gap_ns(config);
}
