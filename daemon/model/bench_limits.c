/* The limits that hold where the configuration says nothing. */
#include <string.h>

#include "bench.h"

static const int64_t default_times_ms[BENCH_TIMES_] = {
    [TIME_RECORD] = 30000,        [TIME_CHANGE] = 5000,
    [TIME_CLOSE] = 1000,          [TIME_RELEASE] = 2000,
    [TIME_STRAY] = 2000,          [TIME_READY] = 30000,
    [TIME_HINDRANCE] = 60000,     [TIME_IDENTITY] = 10000,
    [TIME_ELEMENT] = 3000,        [TIME_SUPPLY] = 1000,
    [TIME_BEGIN] = 10000,         [TIME_RATED] = 20000,
    [TIME_REDUCED] = 5000,        [TIME_METER_DOUBT] = 2000,
    [TIME_EVIDENCE] = 20000,      [TIME_PROBE_FIRST] = 5000,
    [TIME_PROBE_EVERY] = 30000,   [TIME_PROBE_HOLD] = 1500,
    [TIME_PROOF_AGE] = 86400000,  [TIME_MESSAGE_AGE] = 43200000,
    [TIME_NIGHT] = 43200000,      [TIME_SAFETY_TEST] = 31536000000,
    [TIME_SURVEY_REST] = 3600000, [TIME_SURVEY_WAIT] = 14400000,
    [TIME_CYCLE] = 12000,         [TIME_CLOCK_OFF] = 60000,
    [TIME_BREAKER] = 600000,      [TIME_OPEN_WARN] = 3000,
};

static const double default_levels[BENCH_LEVELS_] = {
    [LEVEL_FLOW_A] = 2,         [LEVEL_FLOW_PCT] = 4,   [LEVEL_IDENTITY_A] = 10, [LEVEL_ELEMENT_LOW] = 85,
    [LEVEL_ELEMENT_HIGH] = 125, [LEVEL_REDUCED] = 96,   [LEVEL_LEAD_RISE] = 150, [LEVEL_LEAD_WARN] = 20,
    [LEVEL_LEAD_END] = 100,     [LEVEL_LOAD_ERROR] = 4, [LEVEL_PATH] = 125,      [LEVEL_SURVEY] = 5,
    [LEVEL_CAPABILITY] = 10,    [LEVEL_WAITS_PCT] = 35, [LEVEL_WAITS_V] = 12,
};

static const int64_t second = INT64_C(1000000000);

void bench_limits_default(struct bench_limits *l)
{
    *l = (struct bench_limits){
        .t_bank_max_degc = 250,
        .t_lead_max_degc = 85,
        .over_power_pct = 110,
        .u1_void_pct = 5,
        .u1_void_after_ns = 5 * second,
        .u1_open_pct = 15,
        .max_on_load_ns = 3600 * second,
        .band_high_pct = 10,
        .band_low_pct = 2,
        .drift_limit_k_per_h = 2,
        .drift_window_ns = 3600 * second,
        .cold_within_k = 2,
        .cold_rest_ns = 4 * 3600 * second,
        .stale_ns = {2 * second, 30 * second, 300 * second},
        .frozen_doubt_ns = 10 * second,
        .frozen_open_ns = 30 * second,
        .guard_on_load_ns = 5 * second,
        .setting_cap_ns = 60 * second,
        .recover_cap_ns = 3600 * second,
        .fan_run_on_ns = 300 * second,
        .beat_ns = second,
        .lease_ns = 3 * second,
        .journal_warn_ns = 1 * second,
        .journal_refuse_ns = 2 * second,
        .journal_open_ns = 5 * second,
        .u0_dc_peak_v = 113,
        .u0_ac_rms_v = 80,
        .u0_ac_rms_s_v = 48,
        .u0_plasma_v = 500,
        .cutouts_per_night = 3,
        .altitude_m = 0,
        .repeatability_pct = 2,
        .bank_max_power_w = 0,
    };
    for (int i = 0; i < PROCESS_COUNT_; i++)
        l->settle_ns[i] = 3 * second;
    for (int i = 0; i < BENCH_TIMES_; i++)
        l->time_ns[i] = default_times_ms[i] * 1000000;
    memcpy(l->level, default_levels, sizeof l->level);
}
