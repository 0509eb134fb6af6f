/* The cycles of a record: the same accumulators that the engine uses, fed from a table. */
#include <math.h>
#include <stdlib.h>

#include "record_csv.h"

#define NS_PER_S 1e9

static int64_t to_ns(double s)
{
    return (int64_t)floor(s * NS_PER_S + 0.5);
}

static int make_setup(const struct record_question *q, struct cycle_setup *setup, struct error *err)
{
    struct rating_point point = {.process = PROCESS_MMA, .current_a = q->rated_a};
    struct bench_limits limits;
    struct bench_signal signal = {.refresh_ns = q->timing.refresh_ns,
                                  .averaging_ns = q->timing.averaging_ns,
                                  .damping_ns = q->timing.damping_ns,
                                  .stale_after_ns = 1};
    double volts = isnan(q->load_voltage_v) ? 1 : q->load_voltage_v;
    bench_limits_default(&limits);
    if (!(q->cycle_s > 0) || q->cycle_s > 1e6)
        return error_set(err, "the cycle must be longer than 0 s");
    if (!(q->gap_s >= 0) || q->gap_s > 1e6)
        return error_set(err, "the longest gap must be at least 0 s");
    if (!isnan(q->rated_percent_on) && (!(q->rated_percent_on > 0) || q->rated_percent_on > 100))
        return error_set(err, "a percent-on lies above 0 %% and not above 100 %%");
    if (cycle_setup_for(&point, volts, q->current_uncertainty_a, &limits, &signal, &signal, setup, err) != 0)
        return -1;
    if (isnan(q->load_voltage_v)) /* any voltage will do */
        setup->band_voltage = (struct range){-RANGE_OPEN, -RANGE_OPEN, RANGE_OPEN, RANGE_OPEN};
    setup->gap_ns[CYCLE_I2] = setup->gap_ns[CYCLE_U2] = to_ns(q->gap_s);
    return 0;
}

static void finish(struct record_cycle *rc, struct cycle *c, const struct record_question *q, int64_t upto_ns)
{
    cycle_figures(c, upto_ns, &rc->figures);
    double cycle_ns = q->cycle_s * NS_PER_S;
    const struct bounded_time *t = &rc->figures.at_rated;
    rc->percent_on_low = rc->whole ? 100 * (double)t->low_ns / cycle_ns : NAN;
    rc->percent_on = rc->whole ? 100 * (double)t->best_ns / cycle_ns : NAN;
    rc->percent_on_high = rc->whole ? 100 * (double)t->high_ns / cycle_ns : NAN;
    rc->outcome = OUTCOME_UNCLEAR;
    if (!isnan(q->rated_percent_on)) {
        int64_t rated_ns = to_ns(q->rated_percent_on / 100 * q->cycle_s);
        rc->outcome = hold_outcome(t->low_ns, t->high_ns, rated_ns, 0, rc->figures.ended);
    }
}

static enum quality quality_of(double value)
{
    return isnan(value) ? QUALITY_INVALID : QUALITY_GOOD;
}

/* Without a column of voltages a constant stands for them, so that the band goes by current alone. */
static void feed(struct cycle *c, const struct csv_record *record, int i, int64_t stamp_ns)
{
    const double *current = record_csv_column(record, CSV_CURRENT);
    const double *column = record_csv_column(record, CSV_LOAD_VOLTAGE);
    double voltage = column != NULL ? column[i] : 0;
    cycle_feed(c, CYCLE_I2, stamp_ns, 0, current[i], quality_of(current[i]));
    cycle_feed(c, CYCLE_U2, stamp_ns, 0, voltage, quality_of(voltage));
}

static void slide(struct crossing *flow, struct sliding *s, double current, int64_t stamp_ns)
{
    struct stretch out[STRETCHES_PER_READING];
    int n = crossing_feed(flow, stamp_ns, 0, current, quality_of(current), out);
    for (int k = 0; k < n; k++)
        sliding_feed(s, out[k].to_ns, (out[k].known & INSIDE_BEST) != 0);
}

int record_csv_cycles(const struct csv_record *record, const struct record_question *question,
                      struct record_answer *answer, struct error *err)
{
    struct cycle_setup setup = {0};
    const double *time_s = record_csv_column(record, CSV_TIME), *current = record_csv_column(record, CSV_CURRENT);
    if (current == NULL)
        return error_set(err, "there is no column current_a");
    if (record_csv_column(record, CSV_LOAD_VOLTAGE) == NULL && !isnan(question->load_voltage_v))
        return error_set(err, "a load voltage was given, but there is no column load_voltage_v");
    if (make_setup(question, &setup, err) != 0)
        return -1;
    int n = record_csv_count(record);
    int64_t first_ns = to_ns(time_s[0]), last_ns = to_ns(time_s[n - 1]), cycle_ns = to_ns(question->cycle_s);
    if ((last_ns - first_ns) / cycle_ns >= RECORD_CYCLES_MAX)
        return error_set(err, "the record holds more than %d cycles", RECORD_CYCLES_MAX);
    int count = (int)((last_ns - first_ns + cycle_ns - 1) / cycle_ns);
    count = count > 0 ? count : 1;
    struct record_cycle *cycles = calloc((size_t)count, sizeof *cycles);
    struct cycle c, next;
    struct crossing flow;
    struct sliding sliding;
    if (cycles == NULL)
        return error_set(err, "out of memory");
    if (cycle_begin(&c, &setup, first_ns, err) != 0 || sliding_begin(&sliding, cycle_ns, first_ns, err) != 0 ||
        crossing_begin(&flow, &setup.conducting, &setup.timing[CYCLE_I2], setup.gap_ns[CYCLE_I2], first_ns, err) != 0) {
        free(cycles);
        return -1;
    }
    int at = 0;
    cycle_end(&c, first_ns + cycle_ns);
    for (int k = 0; k < count; k++) {
        int64_t end_ns = first_ns + (k + 1) * cycle_ns;
        for (; at < n && to_ns(time_s[at]) < end_ns; at++) {
            feed(&c, record, at, to_ns(time_s[at]));
            slide(&flow, &sliding, current[at], to_ns(time_s[at]));
        }
        cycle_begin_after(&next, &c, end_ns);
        cycle_end(&next, end_ns + cycle_ns);
        if (at < n)
            feed(&c, record, at, to_ns(time_s[at])); /* closes the last stretch; the next cycle takes it as well */
        cycles[k].from_s = time_s[0] + k * question->cycle_s;
        cycles[k].to_s = cycles[k].from_s + question->cycle_s;
        cycles[k].whole = last_ns >= end_ns;
        finish(&cycles[k], &c, question, last_ns < end_ns ? last_ns : end_ns);
        if (record_csv_column(record, CSV_LOAD_VOLTAGE) == NULL)
            cycles[k].figures.voltage_v = (struct series_mean){NAN, NAN, NAN, 0};
        c = next;
    }
    sliding_figures(&sliding, &answer->sliding);
    answer->count = count;
    answer->cycles = cycles;
    return 0;
}
