/* Unit files: the rating plate of a unit as somebody typed it in. */
#ifndef UNIT_FILE_H
#define UNIT_FILE_H

#include <stddef.h>

#include "problems.h"
#include "rating.h"

/* Reads and checks a unit file. Returns 0, or -1 when there is any error; warnings and hints are added either way. */
int unit_file_load(const char *path, struct unit_plate *plate, struct problems *problems);
int unit_file_load_text(const char *name, const char *text, size_t size, struct unit_plate *plate,
                        struct problems *problems);

/* The plate as a unit file that loads again to the same plate. Caller frees; NULL out of memory. */
char *unit_file_print(const struct unit_plate *plate);

#endif
