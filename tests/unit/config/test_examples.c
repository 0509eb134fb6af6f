/* Good files: the examples, and what a bench becomes. */
#include <check.h>
#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config_sample.h"
#include "map_file.h"
#include "suite_run.h"
#include "unit_file.h"

static struct config *load_sample(void)
{
    struct problems list = {0};
    struct config *c = NULL;
    int rc = config_load_text("/bench/bench.yaml", sample_bench, strlen(sample_bench), &sample_files, &c, &list);
    problems_show(&list);
    ck_assert_int_eq(rc, 0);
    problems_free(&list);
    return c;
}

static uint8_t *encoded(const struct bench *b, size_t *size)
{
    *size = bench_encode(b, NULL, 0);
    ck_assert_uint_gt(*size, 0);
    uint8_t *bytes = malloc(*size);
    ck_assert_ptr_nonnull(bytes);
    ck_assert_uint_eq(bench_encode(b, bytes, *size), *size);
    return bytes;
}

static void same_bench(const struct bench *a, const struct bench *b)
{
    size_t sizes[2];
    uint8_t *bytes_a = encoded(a, &sizes[0]);
    uint8_t *bytes_b = encoded(b, &sizes[1]);
    ck_assert_uint_eq(sizes[0], sizes[1]);
    ck_assert_mem_eq(bytes_a, bytes_b, sizes[0]);
    free(bytes_a);
    free(bytes_b);
}

/* print -> load -> print gives the same text, and the same bench to the byte. */
static void check_fixpoint(const struct config *c, const struct file_reader *files)
{
    struct problems list = {0};
    struct config *again = NULL;
    char *text = config_print(c);
    ck_assert_ptr_nonnull(text);
    int rc = config_load_text(c->files[0].path, text, strlen(text), files, &again, &list);
    problems_show(&list);
    ck_assert_int_eq(rc, 0);
    char *second = config_print(again);
    ck_assert_str_eq(text, second);
    same_bench(&c->bench, &again->bench);
    free(text);
    free(second);
    config_free(again);
    problems_free(&list);
}

/* The canonical encoding reads back to the same bytes. */
static void check_codec(const struct bench *b)
{
    size_t size;
    uint8_t *bytes = encoded(b, &size);
    struct bench *decoded = malloc(sizeof *decoded);
    ck_assert_ptr_nonnull(decoded);
    ck_assert_int_eq(bench_decode(decoded, bytes, size), 0);
    same_bench(b, decoded);
    free(decoded);
    free(bytes);
}

/* Calls one for each .yaml file of a folder; returns how many. */
static int each_file(const char *folder, void (*one)(const char *path))
{
    char path[PATH_CAP * 2];
    int count = 0;
    DIR *d = opendir(folder);
    ck_assert_msg(d != NULL, "no folder %s", folder);
    for (struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
        size_t n = strlen(e->d_name);
        if (n < 6 || strcmp(e->d_name + n - 5, ".yaml") != 0 || strstr(e->d_name, "scenario") != NULL)
            continue;
        (void)snprintf(path, sizeof path, "%s/%s", folder, e->d_name);
        one(path);
        count++;
    }
    (void)closedir(d);
    return count;
}

static void bench_example(const char *path)
{
    struct problems list = {0};
    struct config *c = NULL;
    int rc = config_load(path, &c, &list);
    problems_show(&list);
    ck_assert_msg(rc == 0, "%s is refused", path);
    ck_assert_msg(list.warnings == 0, "%s brings warnings", path);
    check_fixpoint(c, NULL);
    check_codec(&c->bench);
    config_free(c);
    problems_free(&list);
}

static void map_example(const char *path)
{
    struct problems list = {0};
    struct device_map *map = calloc(1, sizeof *map);
    ck_assert_ptr_nonnull(map);
    int rc = map_load(path, map, &list);
    problems_show(&list);
    ck_assert_msg(rc == 0 && list.count == 0, "%s is refused", path);
    free(map);
}

static void unit_example(const char *path)
{
    struct problems list = {0};
    struct unit_plate plate;
    int rc = unit_file_load(path, &plate, &list);
    problems_show(&list);
    ck_assert_msg(rc == 0 && list.warnings == 0, "%s is refused", path);
    problems_free(&list);
}

START_TEST(example_benches_load_and_print_back)
{
    ck_assert_int_ge(each_file(SOURCE_DIR "/config/examples", bench_example), 2);
}
END_TEST

START_TEST(example_maps_load)
{
    ck_assert_int_ge(each_file(SOURCE_DIR "/config/maps", map_example), 5);
}
END_TEST

START_TEST(example_units_load)
{
    ck_assert_int_ge(each_file(SOURCE_DIR "/config/examples/units", unit_example), 2);
}
END_TEST

START_TEST(the_sample_prints_back)
{
    struct config *c = load_sample();
    check_fixpoint(c, &sample_files);
    check_codec(&c->bench);
    config_free(c);
}
END_TEST

START_TEST(the_sample_becomes_what_it_says)
{
    struct config *c = load_sample();
    const struct bench *b = &c->bench;
    ck_assert_str_eq(b->name, "north-bay");
    ck_assert(!b->virtual_bench);
    ck_assert_str_eq(c->journal.path, "/bench/journal.db");
    ck_assert_int_eq(b->channel_count, 1);
    const struct bench_channel *ch = &b->channels[0];
    ck_assert_int_eq(ch->load.step_count, 2);
    ck_assert_double_eq_tol(ch->load.max_power_w, 18300, 1e-9);
    ck_assert(ch->load.has_supply_trip && ch->load.has_trigger && !ch->load.has_bank_fan);
    ck_assert_int_eq(ch->path_count, 2);
    ck_assert_double_eq(ch->path[0].area_mm2, 50);
    ck_assert_double_eq(ch->path[1].current_a, 250);
    ck_assert_double_eq(ch->path[1].cycle_s, 300);
    const struct bench_signal *i2 = &b->signals[ch->signal[SIG_I2]];
    ck_assert_double_eq(i2->correction_gain, 1.001);
    ck_assert_double_eq(i2->correction_offset, 0.2);
    ck_assert_double_eq(i2->uncertainty.range, 400);
    ck_assert_int_eq(i2->uncertainty.kind, UNC_LIMIT);
    ck_assert_int_eq(i2->cls, CLASS_SAFETY);
    ck_assert_int_eq(i2->stale_after_ns, INT64_C(2000000000));
    ck_assert_int_eq(b->signals[ch->signal[SIG_U2]].uncertainty.kind, UNC_EXPANDED);
    ck_assert_int_eq(b->signals[ch->signal[SIG_U1]].mean, MEAN_RMS);
    ck_assert_int_eq(b->signals[ch->signal[SIG_U1]].refresh_ns, 500000000);
    config_free(c);
}
END_TEST

START_TEST(a_channel_falls_back_on_signals_of_the_bench)
{
    struct config *c = load_sample();
    const struct bench *b = &c->bench;
    const struct bench_channel *ch = &b->channels[0];
    ck_assert_int_ge(ch->signal[SIG_ESTOP], 0);
    ck_assert_int_eq(b->signals[ch->signal[SIG_ESTOP]].channel, -1);
    ck_assert_int_eq(b->signals[ch->signal[SIG_I2]].channel, 0);
    ck_assert_int_eq(ch->signal[SIG_SMOKE], -1);
    ck_assert_int_eq(ch->signal[SIG_FEEDBACK], ch->load.feedback_signal);
    config_free(c);
}
END_TEST

START_TEST(points_and_maps_are_resolved)
{
    struct config *c = load_sample();
    const struct load_points *p = &c->load_points[0];
    const struct device_map *bank = &c->maps[c->devices[p->device].map];
    ck_assert_str_eq(bank->points[p->command].name, "a_steps");
    ck_assert_str_eq(bank->points[p->supply].name, "a_supply");
    ck_assert_str_eq(bank->points[p->trigger].name, "a_trigger");
    ck_assert_int_eq(p->fan, -1);
    ck_assert_int_eq(c->map_count, 3);
    ck_assert_int_eq(c->file_count, 4);
    ck_assert_str_eq(c->files[1].path, "/bench/maps/bank.yaml");
    ck_assert_str_eq(c->files[1].text, sample_bank_map);
    ck_assert_str_eq(c->files[0].text, sample_bench);
    ck_assert(c->bench.devices[0].is_load && c->bench.devices[0].has_watchdog && !c->bench.devices[1].is_load);
    ck_assert_int_eq(c->bench.devices[1].powered_from, 0);
    config_free(c);
}
END_TEST

START_TEST(times_to_open_follow_the_stated_formula)
{
    struct config *c = load_sample();
    /* TCP: two deadlines of 300 ms and 150 ms of travel, nothing else on that bus; watchdog 5 s and the travel. */
    ck_assert_int_eq(c->open_times[0].by_bus_ns, INT64_C(750000000));
    ck_assert_int_eq(c->bench.devices[0].worst_open_ns, INT64_C(750000000));
    ck_assert_int_eq(c->open_times[0].by_watchdog_ns, INT64_C(5150000000));
    config_free(c);
}
END_TEST

START_TEST(rules_become_one_for_each_named_channel)
{
    struct config *c = load_sample();
    ck_assert_int_eq(c->bench.rule_count, 1);
    const struct bench_rule *r = &c->bench.rules[0];
    ck_assert_str_eq(r->name, "lead hot");
    ck_assert_int_eq(r->channel, -1);
    ck_assert_int_eq(r->sense, RULE_ABOVE);
    ck_assert_double_eq(r->high, 80);
    ck_assert_int_eq(r->for_ns, INT64_C(5000000000));
    ck_assert_int_eq(r->action, RULE_OPEN);
    config_free(c);
}
END_TEST

START_TEST(limits_without_a_word_are_the_models)
{
    struct config *c = load_sample();
    struct bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    *b = c->bench;
    bench_limits_default(&b->limits);
    same_bench(&c->bench, b);
    free(b);
    config_free(c);
}
END_TEST

START_TEST(every_limit_can_be_set)
{
    /* Each limit gets a value of its own, which must arrive: no two share a place. */
    static const char limits[] =
        "limits:\n  bank_temperature: 201 degC\n  lead_temperature: 71 degC\n  over_power: 103 %\n  bank_power: 44 kW\n"
        "  bank_heat: 21 kW\n"
        "  supply_void: 4.5 %\n  supply_void_after: 7 s\n  supply_open: 16 %\n  on_load_cap: 31 min\n  band_high: 9 "
        "%\n  band_low: 3 %\n"
        "  drift: 1.5 K/h\n  drift_window: 61 min\n  cold_within: 2.5 K\n  cold_rest: 5 h\n"
        "  stale: {safety: 2.1 s, judgement: 31 s, informative: 301 s}\n  guard: 6 s\n"
        "  frozen: {doubt: 11 s, open: 32 s}\n"
        "  settle: {mma: 1.1 s, tig: 1.2 s, mig: 1.3 s, saw: 1.4 s, plasma-cut: 1.5 s, plasma-weld: 1.6 s, "
        "plasma-gouge: 1.7 s}\n"
        "  setting_cap: 62 s\n  reset_wait: 63 min\n  fan_run_on: 64 s\n  beat: 0.9 s\n  lease: 2.9 s\n"
        "  journal_warn: 1.1 s\n  journal_refuse: 2.1 s\n  journal_open: 5.1 s\n"
        "  no_load: {dc_peak: 111 V, ac_rms: 81 V, ac_rms_s_marked: 47 V, plasma: 499 V}\n  cutouts_per_night: 4\n"
        "  altitude: 120 m\n  repeatability: 2.2 %\n";
    const int64_t ms = 1000000;
    struct problems list = {0};
    struct config *c = NULL;
    char *text = malloc(sizeof limits + strlen(sample_bench));
    ck_assert_ptr_nonnull(text);
    (void)sprintf(text, "%s%s", sample_bench, limits);
    ck_assert_int_eq(config_load_text("/bench/b.yaml", text, strlen(text), &sample_files, &c, &list), 0);
    const struct bench_limits want = {
        .t_bank_max_degc = 201,
        .t_lead_max_degc = 71,
        .over_power_pct = 103,
        .bank_max_power_w = 44000,
        .bank_mean_power_w = 21000,
        .u1_void_pct = 4.5,
        .u1_void_after_ns = 7 * INT64_C(1000000000),
        .u1_open_pct = 16,
        .max_on_load_ns = 31 * 60000 * ms,
        .band_high_pct = 9,
        .band_low_pct = 3,
        .drift_limit_k_per_h = 1.5,
        .drift_window_ns = 61 * 60000 * ms,
        .cold_within_k = 2.5,
        .cold_rest_ns = 5 * 3600000 * ms,
        .stale_ns = {2100 * ms, 31000 * ms, 301000 * ms},
        .guard_on_load_ns = 6000 * ms,
        .frozen_doubt_ns = 11000 * ms,
        .frozen_open_ns = 32000 * ms,
        .settle_ns = {1100 * ms, 1200 * ms, 1300 * ms, 1400 * ms, 1500 * ms, 1600 * ms, 1700 * ms},
        .setting_cap_ns = 62000 * ms,
        .recover_cap_ns = 63 * 60000 * ms,
        .fan_run_on_ns = 64000 * ms,
        .beat_ns = 900 * ms,
        .lease_ns = 2900 * ms,
        .journal_warn_ns = 1100 * ms,
        .journal_refuse_ns = 2100 * ms,
        .journal_open_ns = 5100 * ms,
        .u0_dc_peak_v = 111,
        .u0_ac_rms_v = 81,
        .u0_ac_rms_s_v = 47,
        .u0_plasma_v = 499,
        .cutouts_per_night = 4,
        .altitude_m = 120,
        .repeatability_pct = 2.2,
    };
    struct bench *b = calloc(1, sizeof *b);
    ck_assert_ptr_nonnull(b);
    *b = c->bench;
    b->limits = want;
    struct bench_limits without;
    bench_limits_default(&without);
    memcpy(b->limits.time_ns, without.time_ns, sizeof without.time_ns);
    memcpy(b->limits.level, without.level, sizeof without.level);
    same_bench(&c->bench, b);
    check_fixpoint(c, &sample_files);
    free(b);
    free(text);
    config_free(c);
}
END_TEST

START_TEST(a_scaled_clock_needs_virtual_maps)
{
    const struct mistake m = {"clock: {rate: 1}", "clock: {rate: 60, epoch: 2026-01-05T06:00:00Z}@", E, "", ""};
    struct problems list = {0};
    struct config *c = NULL;
    int line;
    int column;
    char *text = mistake_text(sample_bench, &m, &line, &column);
    ck_assert_int_eq(config_load_text("/bench/b.yaml", text, strlen(text), &sample_files, &c, &list), -1);
    ck_assert_int_eq(list.errors, 3); /* one for each device */
    ck_assert_ptr_nonnull(strstr(list.items[0].text, "must never run on a scaled clock"));
    problems_free(&list);
    free(text);
}
END_TEST

START_TEST(the_committed_reference_is_the_tables)
{
    struct error err = {""};
    char *committed = NULL;
    size_t size = 0;
    ck_assert_msg(config_file_read(SOURCE_DIR "/docs/configuration.md", &committed, &size, &err) == 0, "%s", err.text);
    char *made = config_reference_print();
    ck_assert_msg(strcmp(made, committed) == 0,
                  "docs/configuration.md is out of date: soakbench-reference > docs/configuration.md");
    free(made);
    free(committed);
}
END_TEST

START_TEST(every_time_and_level_can_be_set)
{
    /* Each gets a value of its own, which must arrive: no two share a place. */
    static const char limits[] =
        "limits:\n"
        "  times: {"
        "record_wait: 1007 ms, change_wait: 514 ms, close_extra: 121 ms, release_wait: 128 ms, "
        "stray_current: 135 ms, ready_wait: 1042 ms, hindrance_wait: 1049 ms, identity_window: 1056 ms, "
        "element_fault: 563 ms, supply_fault: 70 ms, current_begin: 1077 ms, rated_begin: 1084 ms, "
        "output_reduced: 591 ms, meter_doubt: 598 ms, evidence: 105 ms, probe_first: 1112 ms, "
        "probe_every: 5119 ms, probe_hold: 1307 ms, proof_age: 3600133 ms, message_age: 3600140 ms, "
        "night: 3600147 ms, safety_test_age: 86400154 ms, survey_rest: 60161 ms, survey_wait: 60168 ms, "
        "cycle_tolerance: 1175 ms, clock_off: 1182 ms, breaker_heat: 30189 ms, open_warn: 296 ms}\n"
        "  levels: {"
        "flow: 2.375 A, flow_share: 4.5 %, identity: 10.625 A, element_low: 85.75 %, "
        "element_high: 125.875 %, output_reduced: 97.0 %, lead_rise: 151.125 %, lead_warn: 21.25 W, "
        "lead_end: 101.375 W, load_error: 5.5 %, path_overload: 126.625 %, survey_settled: 6.75 %, "
        "capability_settled: 11.875 %, arc_wait_share: 37.0 %, arc_wait_voltage: 14.125 V}\n";
    const int64_t ms = 1000000;
    const int64_t times[BENCH_TIMES_] = {
        [TIME_RECORD] = 1007 * ms,       [TIME_CHANGE] = 514 * ms,
        [TIME_CLOSE] = 121 * ms,         [TIME_RELEASE] = 128 * ms,
        [TIME_STRAY] = 135 * ms,         [TIME_READY] = 1042 * ms,
        [TIME_HINDRANCE] = 1049 * ms,    [TIME_IDENTITY] = 1056 * ms,
        [TIME_ELEMENT] = 563 * ms,       [TIME_SUPPLY] = 70 * ms,
        [TIME_BEGIN] = 1077 * ms,        [TIME_RATED] = 1084 * ms,
        [TIME_REDUCED] = 591 * ms,       [TIME_METER_DOUBT] = 598 * ms,
        [TIME_EVIDENCE] = 105 * ms,      [TIME_PROBE_FIRST] = 1112 * ms,
        [TIME_PROBE_EVERY] = 5119 * ms,  [TIME_PROBE_HOLD] = 1307 * ms,
        [TIME_PROOF_AGE] = 3600133 * ms, [TIME_MESSAGE_AGE] = 3600140 * ms,
        [TIME_NIGHT] = 3600147 * ms,     [TIME_SAFETY_TEST] = 86400154 * ms,
        [TIME_SURVEY_REST] = 60161 * ms, [TIME_SURVEY_WAIT] = 60168 * ms,
        [TIME_CYCLE] = 1175 * ms,        [TIME_CLOCK_OFF] = 1182 * ms,
        [TIME_BREAKER] = 30189 * ms,     [TIME_OPEN_WARN] = 296 * ms,
    };
    static const double levels[BENCH_LEVELS_] = {
        [LEVEL_FLOW_A] = 2.375,      [LEVEL_FLOW_PCT] = 4.5,         [LEVEL_IDENTITY_A] = 10.625,
        [LEVEL_ELEMENT_LOW] = 85.75, [LEVEL_ELEMENT_HIGH] = 125.875, [LEVEL_REDUCED] = 97.0,
        [LEVEL_LEAD_RISE] = 151.125, [LEVEL_LEAD_WARN] = 21.25,      [LEVEL_LEAD_END] = 101.375,
        [LEVEL_LOAD_ERROR] = 5.5,    [LEVEL_PATH] = 126.625,         [LEVEL_SURVEY] = 6.75,
        [LEVEL_CAPABILITY] = 11.875, [LEVEL_WAITS_PCT] = 37.0,       [LEVEL_WAITS_V] = 14.125,
    };
    struct problems list = {0};
    struct config *c = NULL;
    char *text = malloc(sizeof limits + strlen(sample_bench));
    ck_assert_ptr_nonnull(text);
    (void)sprintf(text, "%s%s", sample_bench, limits);
    int rc = config_load_text("/bench/b.yaml", text, strlen(text), &sample_files, &c, &list);
    problems_show(&list);
    ck_assert_int_eq(rc, 0);
    for (int i = 0; i < BENCH_TIMES_; i++)
        ck_assert_msg(c->bench.limits.time_ns[i] == times[i], "time %d", i);
    for (int i = 0; i < BENCH_LEVELS_; i++)
        ck_assert_msg(c->bench.limits.level[i] == levels[i], "level %d is %g", i, c->bench.limits.level[i]);
    check_codec(&c->bench);
    free(text);
    config_free(c);
    problems_free(&list);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("good configurations");
    TCase *t = tcase_create("all");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, example_benches_load_and_print_back);
    tcase_add_test(t, example_maps_load);
    tcase_add_test(t, example_units_load);
    tcase_add_test(t, the_sample_prints_back);
    tcase_add_test(t, the_sample_becomes_what_it_says);
    tcase_add_test(t, a_channel_falls_back_on_signals_of_the_bench);
    tcase_add_test(t, points_and_maps_are_resolved);
    tcase_add_test(t, times_to_open_follow_the_stated_formula);
    tcase_add_test(t, rules_become_one_for_each_named_channel);
    tcase_add_test(t, limits_without_a_word_are_the_models);
    tcase_add_test(t, every_limit_can_be_set);
    tcase_add_test(t, every_time_and_level_can_be_set);
    tcase_add_test(t, a_scaled_clock_needs_virtual_maps);
    tcase_add_test(t, the_committed_reference_is_the_tables);
    suite_add_tcase(s, t);
    return suite_run(s);
}
