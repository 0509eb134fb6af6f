/* Figures out of a CSV file's cells. */
#ifndef CSV_FIGURES_H
#define CSV_FIGURES_H

#include <stdbool.h>

#include "csv.h"

/* The number in a cell. may_lack: an empty cell is NAN, a reading that is not there. Returns 0 or -1 with err, which
 * names file, line and column. */
int csv_figure(const struct csv *csv, const char *path, size_t row, int column, bool may_lack, double *value,
               struct error *err);

#endif
