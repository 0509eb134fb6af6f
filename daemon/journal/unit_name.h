/* The name of a unit on record. Makers number their units each for himself, so serial numbers repeat: a unit is told by
 * maker and serial number together. It is called by its serial number alone as long as nobody else's unit has that
 * number, and SERIAL/MAKER from its first plate on where another one had it before. A name is given once and stays:
 * runs, safety tests, baselines and places are kept under it. */
#ifndef UNIT_NAME_H
#define UNIT_NAME_H

#include <sqlite3.h>

#include "error.h"
#include "rating.h"

/* What is asked of the register, prepared by whoever asks: a fleet's import asks for each of its plates. */
extern const char unit_alike_text[], unit_named_text[];

struct unit_queries {
    sqlite3_stmt *alike, *named;
};

/* The name that a plate belongs under: of the unit with this serial number and maker (the maker's capitals and the
 * spaces round it do not count; a maker that either plate leaves out is the same), else a new one. Returns 0; -1 with
 * err where the plate does not say which unit it is, or the name would be too long. */
int unit_name_for(const struct unit_queries *q, const struct unit_plate *plate, char name[NAME_CAP], struct error *err);

/* The name of the unit that a person calls so: by its serial number where only one unit has it, by SERIAL/MAKER, or by
 * its name. Returns 1 found, 0 none, 2 several (err says what to type), -1. */
int unit_name_find(const struct unit_queries *q, const char *called, char name[NAME_CAP], struct error *err);

#endif
