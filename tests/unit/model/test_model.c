/* The shared types: quantities, words, canonical encodings. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"
#include "event.h"
#include "input.h"
#include "quantity.h"
#include "suite_run.h"
#include "verdict.h"

static const struct {
    const char *text;
    enum dimension dim;
    double value;
} good[] = {
    {"160 A", DIM_CURRENT, 160},
    {"160A", DIM_CURRENT, 160},
    {"0.5 %", DIM_PERCENT, 0.5},
    {"300 ms", DIM_TIME, 0.3},
    {"2.5 min", DIM_TIME, 150},
    {"0.16 ohm", DIM_RESISTANCE, 0.16},
    {"-10 degC", DIM_TEMPERATURE, -10},
    {"2 K/h", DIM_TEMP_RATE, 2},
    {"12 kW", DIM_POWER, 12000},
    {"1e3 mV", DIM_VOLTAGE, 1},
    {".5 V", DIM_VOLTAGE, 0.5},
    {"50 mm2", DIM_AREA, 50},
    {"7", DIM_NUMBER, 7},
};

START_TEST(quantities_read)
{
    double v = 0;
    struct error err = {{0}};
    ck_assert_msg(quantity_parse(good[_i].text, good[_i].dim, &v, &err) == 0, "%s: %s", good[_i].text, err.text);
    ck_assert_double_eq_tol(v, good[_i].value, 1e-12 * fabs(good[_i].value) + 1e-15);
}
END_TEST

static const struct {
    const char *text;
    enum dimension dim;
} bad[] = {
    {"160", DIM_CURRENT},     {"160 V", DIM_CURRENT},  {"A", DIM_CURRENT},     {"", DIM_CURRENT},
    {"1,5 A", DIM_CURRENT},   {"0x10 A", DIM_CURRENT}, {"nan A", DIM_CURRENT}, {"inf A", DIM_CURRENT},
    {"1e999 A", DIM_CURRENT}, {"1 A A", DIM_CURRENT},  {"7 s", DIM_NUMBER},    {"1_000 A", DIM_CURRENT},
    {"5 M", DIM_LENGTH},      {"1 a", DIM_CURRENT},    {"--1 A", DIM_CURRENT},
};

START_TEST(quantities_refused)
{
    double v = 42;
    struct error err = {{0}};
    ck_assert_int_eq(quantity_parse(bad[_i].text, bad[_i].dim, &v, &err), -1);
    ck_assert_double_eq(v, 42);
    ck_assert_int_gt((int)strlen(err.text), 10);
}
END_TEST

START_TEST(numbers_print_shortest_and_exact)
{
    const double cases[] = {0, 1, 0.1, 1.0 / 3, 1e-300, 6.02214076e23, -17.5, 4096.75, 2.2250738585072014e-308};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char text[32];
        number_print(text, sizeof text, cases[i]);
        ck_assert_double_eq(strtod(text, NULL), cases[i]);
    }
    char text[32];
    number_print(text, sizeof text, 0.1);
    ck_assert_str_eq(text, "0.1");
}
END_TEST

START_TEST(words_of_the_trade)
{
    enum process p;
    /* The trade's other names for the processes: common practice, no published source. */
    ck_assert_int_eq(process_parse("SMAW", &p), 0);
    ck_assert_int_eq(p, PROCESS_MMA);
    ck_assert_int_eq(process_parse("gtaw", &p), 0);
    ck_assert_int_eq(p, PROCESS_TIG);
    ck_assert_int_eq(process_parse("FCAW", &p), 0);
    ck_assert_int_eq(p, PROCESS_MIG);
    ck_assert_int_eq(process_parse("arc", &p), -1);
    for (int i = 0; i < PROCESS_COUNT_; i++) {
        ck_assert_int_eq(process_parse(process_name((enum process)i), &p), 0);
        ck_assert_int_eq((int)p, i);
    }
    for (int i = 0; i < CAUSE_COUNT_; i++)
        ck_assert_ptr_nonnull(shutoff_cause_name((enum shutoff_cause)i));
    for (int i = 1; i < EVENT_KIND_COUNT_; i++)
        ck_assert_str_ne(event_kind_name((enum event_kind)i), "?");
}
END_TEST

/* A bench with something in every array. */
static struct bench *sample_bench(void)
{
    struct bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    (void)text_copy(b->name, sizeof b->name, "north-bay");
    b->rate = 60;
    b->virtual_bench = true;
    bench_limits_default(&b->limits);
    b->bus_count = 1;
    (void)text_copy(b->bus_names[0], NAME_CAP, "rack");
    b->device_count = 1;
    b->devices[0] = (struct bench_device){.name = "bank", .bus = 0, .is_load = true, .powered_from = -1};
    b->circuit_count = 1;
    b->circuits[0] = (struct bench_circuit){.name = "c1", .voltage_v = 230, .phases = 1};
    b->signal_count = 2;
    for (int i = 0; i < 2; i++)
        b->signals[i] = (struct bench_signal){.name = "i2", .kind = SIG_I2, .correction_gain = 1, .channel = 0};
    b->channel_count = 1;
    struct bench_channel *c = &b->channels[0];
    (void)text_copy(c->name, sizeof c->name, "A");
    c->load.step_count = 2;
    c->load.strike = (struct bench_strike){.fitted = true, .low = {.resistance_ohm = 0.1, .for_ns = 5}, .attempts = 3};
    c->remote = (struct bench_remote){.fitted = true, .device = 0, .high_out = 10, .high_a = 170, .tries = 3};
    c->load.steps[0] = (struct bench_step){0.16, 12000};
    c->load.steps[1] = (struct bench_step){0.32, 6000};
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        c->signal[k] = -1;
    c->signal[SIG_I2] = 1;
    b->rule_count = 1;
    b->rules[0] = (struct bench_rule){.name = "lead hot", .channel = -1, .sense = RULE_ABOVE, .high = 80};
    return b;
}

START_TEST(bench_round_trip)
{
    struct bench *b = sample_bench();
    size_t n = bench_encode(b, NULL, 0);
    ck_assert_int_gt((int)n, 100);
    uint8_t *bytes = malloc(n);
    uint8_t *again = malloc(n);
    struct bench *back = calloc(1, sizeof *back);
    ck_assert(bytes != NULL && again != NULL && back != NULL);
    ck_assert_uint_eq(bench_encode(b, bytes, n), n);
    ck_assert_int_eq(bench_decode(back, bytes, n), 0);
    ck_assert_uint_eq(bench_encode(back, again, n), n);
    ck_assert_mem_eq(bytes, again, n);
    /* Cut anywhere, it is refused. */
    for (size_t cut = 0; cut < n; cut += 7)
        ck_assert_int_eq(bench_decode(back, bytes, cut), -1);
    /* An index that points at nothing is refused. */
    b->channels[0].circuit = 3;
    ck_assert_uint_eq(bench_encode(b, bytes, n), n);
    ck_assert_int_eq(bench_decode(back, bytes, n), -1);
    free(b);
    free(bytes);
    free(again);
    free(back);
}
END_TEST

/* What was written by earlier codecs: 3 without times and levels, strikes and remote controls at the end, whose
 * defaults are what held then; 2 without what stands still (two limits at the end; of each signal its latch, of each
 * channel its capture), 1 without supply_void_after as well. Nothing is voided, nor in doubt, by what was not there
 * then. */
/* What was written by earlier codecs: 3 without bank_heat, 2 without what stands still (two limits at the end; of each
 * signal its latch, of each channel its capture), 1 without supply_void_after as well. Nothing is voided, nor in doubt,
 * by what was not there then. */
START_TEST(benches_of_earlier_codecs)
{
    struct bench *b = sample_bench();
    struct bench *back = calloc(1, sizeof *back);
    ck_assert_ptr_nonnull(back);
    b->signal_count = b->channel_count = 0; /* what is left differs at its end only */
    size_t n = bench_encode(b, NULL, 0);
    uint8_t *bytes = malloc(n);
    ck_assert_ptr_nonnull(bytes);
    b->limits.time_ns[TIME_PROOF_AGE] = 1;
    for (int codec = 1; codec <= 3; codec++) {
        size_t shorter = 8 * (1 + BENCH_TIMES_ + BENCH_LEVELS_) + (codec == 1 ? 24 : codec == 2 ? 16 : 0);
        ck_assert_uint_eq(bench_encode(b, bytes, n), n);
        bytes[0] = (uint8_t)codec; /* the codec's number comes first, its lowest byte first */
        ck_assert_int_eq(bench_decode(back, bytes, n - shorter), 0);
        ck_assert_int_eq(back->limits.u1_void_after_ns, codec == 1 ? INT64_MAX : b->limits.u1_void_after_ns);
        ck_assert_int_eq(back->limits.frozen_doubt_ns, codec < 3 ? INT64_MAX : b->limits.frozen_doubt_ns);
        ck_assert_int_eq(back->limits.frozen_open_ns, codec < 3 ? INT64_MAX : b->limits.frozen_open_ns);
        ck_assert_int_eq(back->limits.time_ns[TIME_PROOF_AGE], 24 * 3600 * INT64_C(1000000000));
        ck_assert_double_eq(back->limits.bank_mean_power_w, 0);
        ck_assert_double_eq(back->limits.bank_max_power_w, b->limits.bank_max_power_w);
        ck_assert_int_eq(bench_decode(back, bytes, n), -1);
    }
    free(b);
    free(bytes);
    free(back);
}
END_TEST

START_TEST(inputs_round_trip)
{
    struct input in = {.seq = 7, .seen_ns = 123456789, .kind = (enum input_kind)_i};
    if (in.kind == INPUT_READINGS) {
        in.u.readings = (struct input_readings){.bus = 1, .device = 2, .stamp_ns = 5, .half_width_ns = 3, .count = 2};
        in.u.readings.items[0] = (struct reading){.signal = 9, .quality = QUALITY_GOOD, .value = 160.25};
        in.u.readings.items[1] = (struct reading){.signal = 10, .quality = QUALITY_INVALID, .value = NAN};
    } else if (in.kind == INPUT_CAPTURE) {
        in.u.capture = (struct input_capture){.bus = 1,
                                              .device = 2,
                                              .channel = 3,
                                              .command = 77,
                                              .status = CAPTURE_WHOLE,
                                              .first_ns = -5,
                                              .half_width_ns = 6,
                                              .interval_ns = 10000000,
                                              .event = 8,
                                              .count = 16,
                                              .has = {true, false},
                                              .text = "as it came"};
        for (int i = 0; i < 16; i++)
            in.u.capture.values[i] = 16.4 + i / 3.0;
    } else if (in.kind == INPUT_OPERATOR) {
        in.u.operator_.verb = VERB_START;
        (void)text_copy(in.u.operator_.run.serial, NAME_CAP, "HQ-0147");
        in.u.operator_.run.point.load_voltage_v = NAN;
    }
    uint8_t a[16384], b[16384];
    struct writer w = writer_over(a, sizeof a);
    put_input(&w, &in);
    ck_assert(!w.bad);
    struct reader r = reader_over(a, w.used);
    struct input back;
    get_input(&r, &back);
    ck_assert(!r.bad);
    ck_assert_uint_eq(r.at, w.used);
    struct writer w2 = writer_over(b, sizeof b);
    put_input(&w2, &back);
    ck_assert_uint_eq(w2.used, w.used);
    ck_assert_mem_eq(a, b, w.used);
    struct reader cut = reader_over(a, w.used - 1);
    get_input(&cut, &back);
    ck_assert(cut.bad);
}
END_TEST

START_TEST(events_and_verdicts_round_trip)
{
    struct event e = {.id = 3, .kind = EVENT_SHUTOFF, .channel = 1, .value_count = 2, .values = {1.5, NAN}};
    (void)text_copy(e.text, sizeof e.text, "cut out hot");
    struct verdict v = {.run_no = 9, .kind = VERDICT_NOT_MET, .shutoff_s = NAN, .drift_k_per_h = 1.25};
    uint8_t a[4096], b[4096];
    struct writer w = writer_over(a, sizeof a);
    put_event(&w, &e);
    put_verdict(&w, &v);
    struct reader r = reader_over(a, w.used);
    struct event e2;
    struct verdict v2;
    get_event(&r, &e2);
    get_verdict(&r, &v2);
    ck_assert(!r.bad && r.at == w.used);
    struct writer w2 = writer_over(b, sizeof b);
    put_event(&w2, &e2);
    put_verdict(&w2, &v2);
    ck_assert_uint_eq(w2.used, w.used);
    ck_assert_mem_eq(a, b, w.used);
}
END_TEST

START_TEST(every_nan_has_one_encoding)
{
    uint8_t a[8], b[8];
    struct writer w = writer_over(a, 8);
    put_f64(&w, NAN);
    w = writer_over(b, 8);
    put_f64(&w, -NAN);
    ck_assert_mem_eq(a, b, 8);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("model");
    TCase *t = tcase_create("all");
    tcase_add_loop_test(t, quantities_read, 0, (int)(sizeof good / sizeof good[0]));
    tcase_add_loop_test(t, quantities_refused, 0, (int)(sizeof bad / sizeof bad[0]));
    tcase_add_test(t, numbers_print_shortest_and_exact);
    tcase_add_test(t, words_of_the_trade);
    tcase_add_test(t, bench_round_trip);
    tcase_add_test(t, benches_of_earlier_codecs);
    tcase_add_loop_test(t, inputs_round_trip, 0, INPUT_KIND_COUNT_);
    tcase_add_test(t, events_and_verdicts_round_trip);
    tcase_add_test(t, every_nan_has_one_encoding);
    suite_add_tcase(s, t);
    return suite_run(s);
}
