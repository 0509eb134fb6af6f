/* Problems of configuration, map and unit files, for people and as JSON. */
#ifndef PROBLEM_PRINT_H
#define PROBLEM_PRINT_H

#include <jansson.h>

#include "problems.h"
#include "screen.h"

void problems_show(const struct screen *s, const struct problems *problems);

/* A list of objects with level, file, line, column, path, text, remedy; NULL when memory is short. */
json_t *problems_to_json(const struct problems *problems);

#endif
