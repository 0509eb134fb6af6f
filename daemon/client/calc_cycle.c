/* calc cycle FILE.csv: the four times of a record and its percent-on. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "calc.h"
#include "csv.h"
#include "csv_figures.h"
#include "cycle.h"
#include "load_voltage.h"
#include "sliding.h"

static const double ns_per_s = 1e9;

struct cycle_job {
    struct calc calc;
    struct csv csv;
    int time, current, voltage, commanded; /* columns; -1: not there */
    double current_a, voltage_v, cycle_s;
    struct cycle_setup setup;
};

static int64_t nanoseconds(double s)
{
    return (int64_t)(s * ns_per_s + (s < 0 ? -0.5 : 0.5));
}

static int set_up(struct cycle_job *job, const struct arguments *args, struct error *err)
{
    enum process process = PROCESS_TIG;
    const char *name = argument_text(args, "--process", NULL);
    job->current_a = argument_number(args, "--current", NAN);
    job->voltage_v = argument_number(args, "--voltage", NAN);
    job->cycle_s = argument_number(args, "--cycle", 600.0);
    if (!(job->cycle_s > 0.0))
        return error_set(err, "--cycle must be above 0");
    if (name && process_parse(name, &process) != 0)
        return error_set(err, "process \"%s\" is not known", name);
    if (!isfinite(job->voltage_v) && name && load_voltage(process, job->current_a, &job->voltage_v, err) != 0)
        return -1;
    struct bench_limits limits;
    bench_limits_default(&limits);
    struct rating_point point = {
        .process = process, .current_a = job->current_a, .percent_on = 100, .cycle_s = job->cycle_s};
    struct bench_signal meter = {.refresh_ns = nanoseconds(argument_number(args, "--refresh", 0.0)),
                                 .averaging_ns = nanoseconds(argument_number(args, "--averaging", 0.0)),
                                 .damping_ns = nanoseconds(argument_number(args, "--damping", 0.0)),
                                 .stale_after_ns = nanoseconds(argument_number(args, "--gap", 5.0))};
    double settle_s = argument_number(args, "--settle", 0.0);
    limits.settle_ns[process] = nanoseconds(settle_s);
    /* Without a voltage the band is judged by current alone: any voltage will do. */
    double judged_v = isfinite(job->voltage_v) && job->voltage >= 0 ? job->voltage_v : 1.0;
    if (cycle_setup_for(&point, judged_v, argument_number(args, "--expanded-uncertainty", 0.0), &limits, &meter, &meter,
                        &job->setup, err) != 0)
        return -1;
    job->setup.gap_ns[CYCLE_I2] = job->setup.gap_ns[CYCLE_U2] = meter.stale_after_ns;
    return 0;
}

static int find_columns(struct cycle_job *job, const char *path, struct error *err)
{
    job->time = csv_column(&job->csv, "time_s");
    job->current = csv_column(&job->csv, "current_a");
    if (job->current < 0)
        job->current = csv_column(&job->csv, "i2");
    job->voltage = csv_column(&job->csv, "load_voltage_v");
    if (job->voltage < 0)
        job->voltage = csv_column(&job->csv, "u2");
    job->commanded = csv_column(&job->csv, "commanded");
    if (job->time < 0 || job->current < 0)
        return error_set(err,
                         "%s needs the columns time_s and current_a; load_voltage_v and commanded (0 or 1) may be "
                         "there too",
                         path);
    if (job->csv.row_count < 2)
        return error_set(err, "%s holds %zu readings; two at least are needed", path, job->csv.row_count);
    return 0;
}

/* Feeds the record into cycles of equal length from its begin on. figures: of the whole record as one. */
static int feed(struct cycle_job *job, const char *path, struct cycle *whole, struct sliding *sliding, double *span_s,
                struct error *err)
{
    double begin_s = 0.0, last_s = 0.0;
    for (size_t row = 0; row < job->csv.row_count; row++) {
        double t, i, u = NAN, on = NAN;
        if (csv_figure(&job->csv, path, row, job->time, false, &t, err) != 0 ||
            csv_figure(&job->csv, path, row, job->current, true, &i, err) != 0 ||
            (job->voltage >= 0 && csv_figure(&job->csv, path, row, job->voltage, true, &u, err) != 0) ||
            (job->commanded >= 0 && csv_figure(&job->csv, path, row, job->commanded, true, &on, err) != 0))
            return -1;
        if (row > 0 && t <= last_s)
            return error_set(err, "%s:%d: time_s does not rise", path, job->csv.lines[row]);
        int64_t at_ns = nanoseconds(t - (row == 0 ? t : begin_s));
        if (row == 0) {
            begin_s = t;
            if (cycle_begin(whole, &job->setup, 0, err) != 0 ||
                sliding_begin(sliding, nanoseconds(job->cycle_s), 0, err) != 0)
                return -1;
        }
        bool was_on = cycle_conducting(whole) == RANGE_INSIDE;
        cycle_feed(whole, CYCLE_I2, at_ns, 0, i, isfinite(i) ? QUALITY_GOOD : QUALITY_INVALID);
        double judged_u = job->voltage >= 0 && isfinite(job->voltage_v) ? u : 1.0;
        cycle_feed(whole, CYCLE_U2, at_ns, 0, judged_u, isfinite(judged_u) ? QUALITY_GOOD : QUALITY_INVALID);
        if (isfinite(on))
            cycle_command(whole, at_ns, 0, on > 0.5);
        if (row > 0)
            sliding_feed(sliding, at_ns, was_on);
        last_s = t;
    }
    *span_s = last_s - begin_s;
    cycle_end(whole, nanoseconds(*span_s));
    return 0;
}

static void bounded(struct calc *calc, const char *key, const char *low_key, const char *high_key, const char *label,
                    const struct bounded_time *t)
{
    calc_figure(calc, key, label, (double)t->best_ns / ns_per_s, 2, "s");
    calc_figure(calc, low_key, "  at least", (double)t->low_ns / ns_per_s, 2, "s");
    calc_figure(calc, high_key, "  at most", (double)t->high_ns / ns_per_s, 2, "s");
}

static void report(struct cycle_job *job, const struct cycle_figures *f, const struct sliding_result *s, double span_s)
{
    struct calc *calc = &job->calc;
    /* A record shorter than a cycle stands for one cycle: the rest of it was pause. */
    double over_s = span_s > job->cycle_s ? span_s : job->cycle_s;
    calc_figure(calc, "span_s", "record", span_s, 2, "s");
    if (job->commanded >= 0)
        bounded(calc, "commanded_s", "commanded_low_s", "commanded_high_s", "commanded", &f->commanded);
    bounded(calc, "on_load_s", "on_load_low_s", "on_load_high_s", "on-load (conducting)", &f->conducting);
    bounded(calc, "at_rated_s", "at_rated_low_s", "at_rated_high_s", "at or above the current", &f->at_rated);
    bounded(calc, "in_band_s", "in_band_low_s", "in_band_high_s", "in the band", &f->in_band);
    calc_figure(calc, "unseen_s", "not seen", (double)f->unseen_ns / ns_per_s, 2, "s");
    calc_figure(calc, "percent_on", "percent-on", 100.0 * (double)f->conducting.best_ns / ns_per_s / over_s, 3, "%");
    calc_figure(calc, "percent_on_at_rated", "percent-on at the current",
                100.0 * (double)f->at_rated.best_ns / ns_per_s / over_s, 3, "%");
    calc_figure(calc, "percent_on_least", "least in any whole cycle's time", s->any ? s->least_percent_on : NAN, 3,
                "%");
    calc_figure(calc, "percent_on_most", "most in any whole cycle's time", s->any ? s->most_percent_on : NAN, 3, "%");
    if (f->began)
        calc_figure(calc, "begin_s", "first on-load at", (double)f->begin.at_ns / ns_per_s, 3, "s");
    if (f->ended) {
        calc_figure(calc, "end_s", "last off at", (double)f->end.at_ns / ns_per_s, 3, "s");
        calc_figure(calc, "end_half_width_s", "  within +/-", (double)f->end.half_width_ns / ns_per_s, 3, "s");
    }
    calc_figure(calc, "mean_current_a", "mean current on-load", f->current_a.mean, 2, "A");
    if (job->voltage >= 0 && isfinite(job->voltage_v))
        calc_figure(calc, "mean_load_voltage_v", "mean load voltage on-load", f->voltage_v.mean, 2, "V");
    else
        calc_remark(calc, "No load voltage to judge: the band is that of the current alone.");
}

int command_calc_cycle(struct client *c, const struct arguments *args)
{
    struct cycle_job job = {.calc = {.client = c}};
    struct error err = {{0}};
    const char *path = args->operands[0];
    if (!argument(args, "--current")->given)
        return client_wrong_use(c, "calc cycle needs --current \"160 A\": the current that counts as rated");
    if (csv_read(path, &job.csv, &err) != 0)
        return client_failed(c, &err);
    struct cycle *whole = calloc(1, sizeof *whole);
    struct sliding *sliding = calloc(1, sizeof *sliding);
    double span_s = 0.0;
    int status = EXIT_REFUSED;
    if (!whole || !sliding)
        error_set(&err, "memory is short");
    else if (find_columns(&job, path, &err) == 0 && set_up(&job, args, &err) == 0 &&
             feed(&job, path, whole, sliding, &span_s, &err) == 0) {
        struct cycle_figures figures;
        struct sliding_result windows;
        cycle_figures(whole, nanoseconds(span_s), &figures);
        sliding_figures(sliding, &windows);
        report(&job, &figures, &windows, span_s);
        status = calc_print(&job.calc, EXIT_DONE);
    }
    if (err.text[0])
        status = client_failed(c, &err);
    free(whole);
    free(sliding);
    csv_free(&job.csv);
    return status;
}
