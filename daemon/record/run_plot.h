/* A run's curves as a plot: current and load voltage with their test-condition bands, temperatures, supply. */
#ifndef RUN_PLOT_H
#define RUN_PLOT_H

#include "plot.h"
#include "run_data.h"

enum { RUN_MARKS_MAX = 12, RUN_TEXT_CAP = 400 };

/* The plot and the storage it points into; refers to data, which must outlive it. */
struct run_plot {
    struct plot plot;
    char title[RUN_TEXT_CAP], subtitle[RUN_TEXT_CAP], footer[RUN_TEXT_CAP];
    char mark_texts[RUN_MARKS_MAX][RUN_TEXT_CAP];
    struct plot_mark marks[RUN_MARKS_MAX];
    struct plot_span *spans;
};

/* Fills p for the stretch from from_s to to_s of the run. Returns 0, or -1 when memory is short. Release with
 * run_plot_fini. */
int run_plot_init(struct run_plot *p, const struct run_data *data, double from_s, double to_s);
void run_plot_fini(struct run_plot *p);

/* Conventional figures shown beside the curves: rated U2 of the point, from the plate, else by the formula; NAN when
 * neither gives one. */
double run_rated_voltage_v(const struct run_data *data);

#endif
