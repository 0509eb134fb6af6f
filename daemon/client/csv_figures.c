#include "csv_figures.h"

#include <math.h>

#include "quantity.h"

int csv_figure(const struct csv *csv, const char *path, size_t row, int column, bool may_lack, double *value,
               struct error *err)
{
    const char *cell = csv_cell(csv, row, column);
    if (!cell[0] && may_lack) {
        *value = NAN;
        return 0;
    }
    if (number_parse(cell, value) != 0 || !isfinite(*value))
        return error_set(err, "%s:%d: %s: \"%.40s\" is no number", path, csv->lines[row], csv->heads[column], cell);
    return 0;
}
