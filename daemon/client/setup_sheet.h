/* The set-up sheet: what has to be seen to on the unit before it is loaded by resistors in place of an arc, by process,
 * kind of output and way of control. Common practice, no published source; the maker's instructions come first. */
#ifndef SETUP_SHEET_H
#define SETUP_SHEET_H

#include "bench.h"
#include "rating.h"

enum { SETUP_LINES_MAX = 24 };

struct setup_sheet {
    int count;
    char lines[SETUP_LINES_MAX][TEXT_CAP];
};

void setup_sheet_make(const struct rating_point *point, const struct unit_plate *plate,
                      const struct bench_channel *channel, double load_voltage_v, bool strikes,
                      struct setup_sheet *sheet);

#endif
