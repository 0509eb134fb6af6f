/* Inside this room: a file that could not be read, as a problem. */
#ifndef TEXT_FILE_H
#define TEXT_FILE_H

#include "error.h"
#include "problems.h"

void text_file_problem(const char *path, const struct error *err, struct problems *problems);

#endif
