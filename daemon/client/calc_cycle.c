/* calc cycle FILE.csv: the times of a record's cycles and its percent-on. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "calc.h"
#include "csv.h"
#include "json_build.h"
#include "load_voltage.h"
#include "record_csv.h"

static const double ns_per_s = 1e9;

static double seconds(int64_t ns)
{
    return (double)ns / ns_per_s;
}

static int64_t option_ns(const struct arguments *args, const char *name)
{
    return (int64_t)(argument_number(args, name, 0.0) * ns_per_s);
}

static int read_question(const struct arguments *args, struct record_question *q, struct error *err)
{
    const char *name = argument_text(args, "--process", NULL);
    enum process process;
    *q = (struct record_question){.rated_a = argument_number(args, "--current", NAN),
                                  .rated_percent_on = argument_number(args, "--percent-on", NAN),
                                  .load_voltage_v = argument_number(args, "--voltage", NAN),
                                  .current_uncertainty_a = argument_number(args, "--expanded-uncertainty", 0.0),
                                  .cycle_s = argument_number(args, "--cycle", 600.0),
                                  .gap_s = argument_number(args, "--gap", 5.0),
                                  .timing = {.refresh_ns = option_ns(args, "--refresh"),
                                             .averaging_ns = option_ns(args, "--averaging"),
                                             .damping_ns = option_ns(args, "--damping")}};
    if (!name || isfinite(q->load_voltage_v))
        return 0;
    if (process_parse(name, &process) != 0)
        return error_set(err, "process \"%s\" is not known", name);
    return load_voltage(process, q->rated_a, &q->load_voltage_v, err);
}

static void add_time(struct bounded_time *sum, const struct bounded_time *t)
{
    sum->low_ns += t->low_ns;
    sum->best_ns += t->best_ns;
    sum->high_ns += t->high_ns;
}

static void bounded(struct calc *calc, const char *key, const char *low_key, const char *high_key, const char *label,
                    const struct bounded_time *t)
{
    calc_figure(calc, key, label, seconds(t->best_ns), 2, "s");
    calc_figure(calc, low_key, "  at least", seconds(t->low_ns), 2, "s");
    calc_figure(calc, high_key, "  at most", seconds(t->high_ns), 2, "s");
}

static json_t *cycles_json(const struct record_answer *answer)
{
    json_t *list = json_array();
    for (int i = 0; list && i < answer->count; i++) {
        const struct record_cycle *k = &answer->cycles[i];
        struct json_build b = build_begin();
        build_figure(&b, "from_s", k->from_s);
        build_figure(&b, "to_s", k->to_s);
        build_flag(&b, "whole", k->whole);
        build_figure(&b, "on_load_s", seconds(k->figures.conducting.best_ns));
        build_figure(&b, "at_rated_s", seconds(k->figures.at_rated.best_ns));
        build_figure(&b, "in_band_s", seconds(k->figures.in_band.best_ns));
        build_figure(&b, "unseen_s", seconds(k->figures.unseen_ns));
        build_figure(&b, "percent_on", k->percent_on);
        build_figure(&b, "percent_on_low", k->percent_on_low);
        build_figure(&b, "percent_on_high", k->percent_on_high);
        build_figure(&b, "current_a", k->figures.current_a.mean);
        build_figure(&b, "load_voltage_v", k->figures.voltage_v.mean);
        build_text(&b, "outcome", run_outcome_name(k->outcome));
        if (json_array_append_new(list, build_end(&b)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static void print_cycles(const struct screen *s, const struct record_answer *answer)
{
    const struct column columns[] = {{"from", true, false, false},    {"to", true, false, false},
                                     {"on-load", true, false, false}, {"at rated", true, false, false},
                                     {"in band", true, false, false}, {"percent-on at rated", true, false, false},
                                     {"I2", true, false, false},      {"outcome", false, true, false}};
    struct table *t = table_new(columns, 8);
    for (int i = 0; i < answer->count; i++) {
        const struct record_cycle *k = &answer->cycles[i];
        char percent[48], current[48];
        print_figure(percent, sizeof percent, k->percent_on, 2, "%");
        print_figure(current, sizeof current, k->figures.current_a.mean, 1, "A");
        table_cell(t, "%.0f s", k->from_s);
        table_cell(t, "%.0f s", k->to_s);
        table_cell(t, "%.1f s", seconds(k->figures.conducting.best_ns));
        table_cell(t, "%.1f s", seconds(k->figures.at_rated.best_ns));
        table_cell(t, "%.1f s", seconds(k->figures.in_band.best_ns));
        table_cell(t, "%s", k->whole ? percent : "-");
        table_cell(t, "%s", current);
        table_cell(t, "%s%s", run_outcome_name(k->outcome), k->whole ? "" : " (the record ends in it)");
    }
    table_print(t, s);
    table_free(t);
}

/* Sums over the record. Percent-on is that of the whole cycles; a record without one stands for one cycle, the rest of
 * which was pause. */
static void report(struct calc *calc, const struct record_answer *answer, const struct record_question *q)
{
    struct bounded_time on = {0}, rated = {0}, band = {0};
    double span_s = 0.0, unseen_s = 0.0, whole_s = 0.0, whole_on_s = 0.0, whole_rated_s = 0.0;
    for (int i = 0; i < answer->count; i++) {
        const struct record_cycle *k = &answer->cycles[i];
        add_time(&on, &k->figures.conducting);
        add_time(&rated, &k->figures.at_rated);
        add_time(&band, &k->figures.in_band);
        unseen_s += seconds(k->figures.unseen_ns);
        span_s += k->to_s - k->from_s;
        if (k->whole) {
            whole_s += k->to_s - k->from_s;
            whole_on_s += seconds(k->figures.conducting.best_ns);
            whole_rated_s += seconds(k->figures.at_rated.best_ns);
        }
    }
    double on_share = whole_s > 0.0 ? whole_on_s / whole_s : seconds(on.best_ns) / q->cycle_s;
    double rated_share = whole_s > 0.0 ? whole_rated_s / whole_s : seconds(rated.best_ns) / q->cycle_s;
    const struct sliding_result *s = &answer->sliding;
    calc_figure(calc, "span_s", "record", span_s, 2, "s");
    bounded(calc, "on_load_s", "on_load_low_s", "on_load_high_s", "on-load (conducting)", &on);
    bounded(calc, "at_rated_s", "at_rated_low_s", "at_rated_high_s", "at or above the current", &rated);
    bounded(calc, "in_band_s", "in_band_low_s", "in_band_high_s", "in the band", &band);
    calc_figure(calc, "unseen_s", "not seen", unseen_s, 2, "s");
    calc_figure(calc, "percent_on", "percent-on", 100.0 * on_share, 3, "%");
    calc_figure(calc, "percent_on_at_rated", "percent-on at the current", 100.0 * rated_share, 3, "%");
    calc_figure(calc, "percent_on_least", "least in any whole cycle's time", s->any ? s->least_percent_on : NAN, 3,
                "%");
    calc_figure(calc, "percent_on_most", "most in any whole cycle's time", s->any ? s->most_percent_on : NAN, 3, "%");
    if (!isfinite(q->load_voltage_v))
        calc_remark(calc, "No load voltage to judge: the band is that of the current alone.");
}

int command_calc_cycle(struct client *c, const struct arguments *args)
{
    struct calc calc = {.client = c};
    struct record_question question;
    struct record_answer answer = {0};
    struct csv_record *record = NULL;
    struct error err = {{0}};
    int status = EXIT_REFUSED;
    if (!argument(args, "--current")->given)
        return client_wrong_use(c, "calc cycle needs --current \"160 A\": the current that counts as rated");
    char *text = csv_text(args->operands[0], &err);
    if (!text || read_question(args, &question, &err) != 0 ||
        record_csv_parse(text, strlen(text), &record, &err) != 0 ||
        record_csv_cycles(record, &question, &answer, &err) != 0) {
        if (record || text)
            error_prefix(&err, "%s", args->operands[0]);
        status = client_failed(c, &err);
    } else {
        calc.list_key = c->json ? "cycles" : NULL;
        calc.list = c->json ? cycles_json(&answer) : NULL;
        report(&calc, &answer, &question);
        status = calc_print(&calc, EXIT_DONE);
        if (!c->json && answer.count > 1)
            print_cycles(&c->screen, &answer);
    }
    free(answer.cycles);
    record_csv_free(record);
    free(text);
    return status;
}
