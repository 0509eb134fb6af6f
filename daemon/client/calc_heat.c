/* calc heat FILE.csv: time constants, drift and the percent-on that follows from a temperature record. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "calc.h"
#include "csv.h"
#include "drift.h"
#include "heat.h"
#include "record_csv.h"

struct heat_job {
    struct calc calc;
    struct csv_record *csv;
    struct heat_record record;
};

static int read_record(struct heat_job *job, const struct arguments *args, struct error *err)
{
    char *text = csv_text(args->operands[0], err);
    int result = -1;
    if (text) {
        result = record_csv_parse(text, strlen(text), &job->csv, err);
        if (result == 0)
            result = record_csv_heat(job->csv, NAN, argument_number(args, "--intake", NAN),
                                     argument_number(args, "--noise", 0.0), &job->record, err);
        if (result != 0)
            error_prefix(err, "%s", args->operands[0]);
    }
    free(text);
    return result;
}

static void report_fit(struct calc *calc, const struct heat_fit *fit)
{
    static const char *const keys[2][5] = {{"tau_on_s", "tau_off_s", "steady_k", "tau_on_rel_u", "tau_off_rel_u"},
                                           {"tau2_on_s", "tau2_off_s", "steady2_k", "tau2_on_rel_u", "tau2_off_rel_u"}};
    calc_figure(calc, "bodies", "time constants", fit->model.bodies, 0, "");
    for (int i = 0; i < fit->model.bodies && i < (int)(sizeof keys / sizeof keys[0]); i++) {
        const struct heat_body *body = &fit->model.body[i];
        calc_figure(calc, keys[i][0], "time constant, on-load", body->tau_on_s, 0, "s");
        calc_figure(calc, keys[i][3], "  relative standard uncertainty", fit->tau_on_rel[i], 3, "");
        calc_figure(calc, keys[i][1], "time constant, pause", body->tau_off_s, 0, "s");
        calc_figure(calc, keys[i][4], "  relative standard uncertainty", fit->tau_off_rel[i], 3, "");
        calc_figure(calc, keys[i][2], "rise if on-load for ever", body->steady_k, 1, "K");
    }
    calc_figure(calc, "residual_k", "residuals, standard deviation", fit->residual_k, 3, "K");
    calc_figure(calc, "highest_rise_k", "highest rise seen", fit->highest_rise_k, 1, "K");
    calc_figure(calc, "shapes_refused", "other shapes tried and refused", fit->dropped, 0, "");
    if (fit->refused[0])
        calc_word(calc, "refused", "  the last of them, since it is", fit->refused);
}

/* Slope over the record's last hour, all points with the load on, by the middle of each stretch of load. */
static void report_drift(struct heat_job *job)
{
    const struct heat_record *r = &job->record;
    struct drift_series series;
    struct drift drift;
    struct error unused;
    drift_begin(&series);
    for (int i = 0; i < r->count;) {
        int first = i;
        while (i < r->count && r->on[i])
            i++;
        if (i > first) {
            int middle = (first + i) / 2;
            double intake = r->intake_degc ? r->intake_degc[middle] : r->intake_const_degc;
            (void)drift_add(&series, (int64_t)(r->time_s[middle] * 1e9), r->temperature_degc[middle] - intake);
        }
        while (i < r->count && !r->on[i])
            i++;
    }
    if (drift_find(&series, INT64_C(3600) * 1000000000, r->noise_k, COVERAGE_90, &drift, &unused) != 0)
        return;
    calc_figure(&job->calc, "drift_k_per_h", "drift of the last hour", drift.slope_k_per_h, 3, "K/h");
    calc_figure(&job->calc, "drift_high_k_per_h", "  upper bound", drift.high_k_per_h, 3, "K/h");
}

static int report_answer(struct heat_job *job, const struct arguments *args, const struct heat_fit *fit,
                         struct error *err)
{
    struct heat_question q = {.limit_seen = argument_flag(args, "--cutout-seen"),
                              .limit_degc = argument_number(args, "--limit", fit->intake_degc + fit->highest_on_rise_k),
                              .u_limit_k = argument_number(args, "--limit-u", 1.0),
                              .ambient_degc = argument_number(args, "--ambient", 40.0),
                              .u_ambient_k = argument_number(args, "--ambient-u", 0.5),
                              .current_ratio = argument_number(args, "--current-ratio", 1.0),
                              .cycle_s = argument_number(args, "--cycle", 600.0),
                              .coverage_k = 2.0};
    struct heat_answer a;
    if (heat_percent_on(fit, &q, &a, err) != 0)
        return -1;
    calc_figure(&job->calc, "limit_degc", "limit", q.limit_degc, 1, "degC");
    calc_figure(&job->calc, "ambient_degc", "at intake air", q.ambient_degc, 1, "degC");
    calc_figure(&job->calc, "percent_on", a.at_least ? "percent-on, at least (estimated)" : "percent-on (estimated)",
                a.percent_on, 1, "%");
    calc_figure(&job->calc, "percent_on_low", "  from", a.low_pct, 1, "%");
    calc_figure(&job->calc, "percent_on_high", "  to", a.high_pct, 1, "%");
    if (a.at_least)
        calc_remark(&job->calc, "No cut-out was seen: nobody knows the trip point, so this is one-sided.");
    calc_remark(&job->calc, "Estimated, not measured. The temperature is a proxy for what the cut-out senses.");
    return 0;
}

int command_calc_heat(struct client *c, const struct arguments *args)
{
    struct heat_job job = {.calc = {.client = c}};
    struct heat_fit *fit = calloc(1, sizeof *fit);
    struct error err = {{0}};
    struct heat_limits limits = heat_limits_default();
    int status = EXIT_REFUSED;
    if (!fit)
        error_set(&err, "memory is short");
    else if (read_record(&job, args, &err) == 0 && heat_fit(&job.record, &limits, fit, &err) == 0) {
        report_fit(&job.calc, fit);
        report_drift(&job);
        if (report_answer(&job, args, fit, &err) == 0)
            status = calc_print(&job.calc, EXIT_DONE);
    }
    if (err.text[0])
        status = client_failed(c, &err);
    record_csv_free(job.csv);
    free(fit);
    return status;
}
