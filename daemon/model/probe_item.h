/* One point as a probe of a device shows it, to whoever writes a map. */
#ifndef PROBE_ITEM_H
#define PROBE_ITEM_H

#include "capacity.h"
#include "signals.h"

struct probe_item {
    int point; /* index in the map */
    char name[NAME_CAP];
    char raw[TEXT_CAP]; /* registers in hexadecimal, "1" or "0" for a bit, or the reply as it came */
    double value;       /* in the unit of the map (a converted sensor: of its quantity); NAN when there is none */
    char unit[16];
    enum quality quality;
    char note[TEXT_CAP]; /* why there is no good value; empty otherwise */
};

#endif
