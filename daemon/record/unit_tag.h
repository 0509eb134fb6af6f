/* The tag that is tied to a checked unit: one small page, read from arm's length, in black and white. */
#ifndef UNIT_TAG_H
#define UNIT_TAG_H

#include <stddef.h>

#include "capacity.h"
#include "error.h"

struct unit_tag {
    char to[NAME_CAP]; /* hire, service, quarantine */
    char serial[NAME_CAP], asset[NAME_CAP], maker[NAME_CAP], model[NAME_CAP];
    char who[NAME_CAP];
    char date[NAME_CAP], due[NAME_CAP]; /* as printed; due empty: none */
    char basis[TEXT_CAP];               /* what it rests on: run and verdict; may be empty */
    char note[TEXT_CAP];
    char site[TEXT_CAP];
};

/* Writes the tag as a PDF page of 105 mm by 74 mm (A7, landscape), through a temporary name. Returns 0 or -1. */
int unit_tag_write(const struct unit_tag *tag, const char *path, struct error *err);

/* What stands first and largest on it: "TO HIRE", "TO SERVICE: DO NOT HIRE OUT", "QUARANTINE: DO NOT USE". */
const char *unit_tag_order(const struct unit_tag *tag);

#endif
