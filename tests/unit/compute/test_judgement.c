/* Judgement: kind and harsh deviations, what a run may earn, drift, lines, uncertainty of a reading, coverage. */
#include <math.h>

#include "coverage.h"
#include "deviation.h"
#include "drift.h"
#include "line_fit.h"
#include "suite.h"
#include "uncertainty.h"

#define SECOND INT64_C(1000000000)

static const uint32_t kinds[] = {KIND_COLD_START, KIND_COOL_INTAKE, KIND_I2_LOW, KIND_U2_LOW, KIND_LONG_PAUSE};
static const uint32_t harsh[] = {HARSH_I2_HIGH,  HARSH_U2_HIGH, HARSH_HOT_INTAKE,
                                 HARSH_ALTITUDE, HARSH_SUPPLY,  HARSH_HEAVY_CYCLE};

static struct allowed_case case_of(enum run_outcome outcome, enum basis basis, uint32_t deviations)
{
    return (struct allowed_case){.outcome = outcome,
                                 .basis = basis,
                                 .deviations = deviations,
                                 .cause = outcome == OUTCOME_SHUTOFF ? CAUSE_THERMAL_CUTOUT : CAUSE_NONE,
                                 .control_confirmed = true};
}

static enum verdict_kind earned(enum run_outcome outcome, enum basis basis, uint32_t deviations)
{
    struct allowed_case c = case_of(outcome, basis, deviations);
    return verdict_allowed(&c).kind;
}

/* Every cell by the rule as the trade states it (common practice, no published source), written out by hand:
 * what a hold earns from cold, warm, at equilibrium, at equilibrium at 40 degC, and what a cut-out earns. */
static const struct {
    uint32_t bit;
    enum verdict_kind cold, warm, equilibrium, at_40, cutout;
} cells[] = {
    {0, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_NOT_MET},
    {KIND_COLD_START, VERDICT_HELD, VERDICT_HELD, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_NOT_MET},
    {KIND_COOL_INTAKE, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_UNDECIDED, VERDICT_NOT_MET},
    {KIND_I2_LOW, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_NOT_MET},
    {KIND_U2_LOW, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_NOT_MET},
    {KIND_LONG_PAUSE, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_NOT_MET},
    {HARSH_I2_HIGH, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_UNDECIDED},
    {HARSH_U2_HIGH, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_UNDECIDED},
    {HARSH_HOT_INTAKE, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_UNDECIDED},
    {HARSH_ALTITUDE, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_UNDECIDED},
    {HARSH_SUPPLY, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_UNDECIDED},
    {HARSH_HEAVY_CYCLE, VERDICT_HELD, VERDICT_HELD, VERDICT_MET, VERDICT_MET, VERDICT_UNDECIDED},
    {1u << 20, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED, VERDICT_UNDECIDED},
};

START_TEST(each_cell_of_the_table)
{
    int rules = 0;
    deviation_rules(&rules);
    ck_assert_int_eq(rules + 2, (int)(sizeof cells / sizeof cells[0])); /* none, each, and an unknown bit */
    for (size_t i = 0; i < sizeof cells / sizeof cells[0]; i++) {
        uint32_t d = cells[i].bit;
        ck_assert_int_eq(earned(OUTCOME_HOLD, BASIS_COLD_CYCLE, d), cells[i].cold);
        ck_assert_int_eq(earned(OUTCOME_HOLD, BASIS_WARM_CYCLE, d), cells[i].warm);
        ck_assert_int_eq(earned(OUTCOME_HOLD, BASIS_EQUILIBRIUM, d), cells[i].equilibrium);
        ck_assert_int_eq(earned(OUTCOME_HOLD, BASIS_EQUILIBRIUM_40, d), cells[i].at_40);
        ck_assert_int_eq(earned(OUTCOME_HOLD, BASIS_NONE, d), VERDICT_UNDECIDED);
        for (int b = BASIS_COLD_CYCLE; b <= BASIS_WARM_CYCLE; b++)
            ck_assert_int_eq(earned(OUTCOME_SHUTOFF, (enum basis)b, d), cells[i].cutout);
        ck_assert_int_eq(earned(OUTCOME_SHUTOFF, BASIS_NONE, d), VERDICT_UNDECIDED);
        ck_assert_int_eq(earned(OUTCOME_NEVER_REACHED, BASIS_COLD_CYCLE, d), cells[i].cutout);
        ck_assert_int_eq(earned(OUTCOME_UNCLEAR, BASIS_EQUILIBRIUM, d), VERDICT_UNDECIDED);
    }
}
END_TEST

START_TEST(sets_of_deviations_follow_their_members)
{
    /* kind ones never support a pass, harsh ones never a fail, in whatever company */
    for (uint32_t set = 0; set < 1024; set++) {
        uint32_t d = 0;
        for (int i = 0; i < 5; i++)
            d |= ((set >> i & 1) != 0 ? kinds[i] : 0) | ((set >> (5 + i) & 1) != 0 ? harsh[i] : 0);
        bool any_kind = (set & 31) != 0, any_harsh = set >> 5 != 0;
        enum verdict_kind at_40 = earned(OUTCOME_HOLD, BASIS_EQUILIBRIUM_40, d);
        ck_assert_int_eq(at_40, any_kind ? VERDICT_UNDECIDED : VERDICT_MET);
        ck_assert_int_eq(earned(OUTCOME_SHUTOFF, BASIS_EQUILIBRIUM, d),
                         any_harsh ? VERDICT_UNDECIDED : VERDICT_NOT_MET);
        ck_assert_int_ne(earned(OUTCOME_HOLD, BASIS_COLD_CYCLE, d), VERDICT_MET);
        ck_assert_int_ne(earned(OUTCOME_HOLD, BASIS_COLD_CYCLE, d), VERDICT_NOT_MET);
    }
}
END_TEST

START_TEST(causes_that_are_not_the_units_decide_nothing)
{
    for (int cause = CAUSE_NONE; cause < CAUSE_COUNT_; cause++) {
        struct allowed_case c = case_of(OUTCOME_SHUTOFF, BASIS_EQUILIBRIUM, 0);
        c.cause = (enum shutoff_cause)cause;
        bool own = cause == CAUSE_THERMAL_CUTOUT || cause == CAUSE_UNIT_FAULT;
        ck_assert_int_eq(verdict_allowed(&c).kind, own ? VERDICT_NOT_MET : VERDICT_UNDECIDED);
        c = case_of(OUTCOME_SHUTOFF, BASIS_EQUILIBRIUM, 0);
        c.cause_second = (enum shutoff_cause)cause; /* two candidates: both must be the unit's */
        own = own || cause == CAUSE_NONE;
        ck_assert_int_eq(verdict_allowed(&c).kind, own ? VERDICT_NOT_MET : VERDICT_UNDECIDED);
    }
    struct allowed_case c = case_of(OUTCOME_NEVER_REACHED, BASIS_COLD_CYCLE, 0);
    c.control_confirmed = false;
    ck_assert_int_eq(verdict_allowed(&c).kind, VERDICT_UNDECIDED);
    ck_assert_int_eq(verdict_allowed(&c).reason, ALLOWED_NOT_CONFIRMED);
}
END_TEST

static struct rating_point tig(void)
{
    return (struct rating_point){
        .process = PROCESS_TIG, .supply_v = 230, .phases = 1, .percent_on = 40, .current_a = 160, .ambient_degc = 40};
}

static struct seen_conditions plate_conditions(void)
{
    return (struct seen_conditions){.current_a = 160,
                                    .load_voltage_v = 16.4,
                                    .supply_v = 230,
                                    .intake_degc = 40,
                                    .altitude_m = 0,
                                    .at_equilibrium = true,
                                    .pause_s = 360,
                                    .planned_pause_s = 360};
}

static uint32_t seen_bits(struct seen_conditions s)
{
    struct bench_limits limits;
    bench_limits_default(&limits);
    struct deviation_tolerance t = deviation_tolerance_default(&limits);
    struct rating_point p = tig();
    return deviations_seen(&p, 16.4, &s, &t);
}

#define SEEN(change, expected)                                 \
    do {                                                       \
        struct seen_conditions s = plate_conditions();         \
        change;                                                \
        ck_assert_uint_eq(seen_bits(s), (uint32_t)(expected)); \
    } while (0)

START_TEST(deviations_are_sorted)
{
    SEEN(s.current_a = 160, 0);
    SEEN(s.current_a = 156, KIND_I2_LOW);
    SEEN(s.current_a = 157, 0);
    SEEN(s.current_a = 172.8, HARSH_I2_HIGH); /* 108 %: 17 % more heat, inside the test band, and yet no fail */
    SEEN(s.current_a = NAN, KIND_I2_LOW | HARSH_I2_HIGH);
    SEEN(s.current_a = 156; s.current_uncertainty_a = 5, 0);
    SEEN(s.load_voltage_v = 15.9, KIND_U2_LOW);
    SEEN(s.load_voltage_v = 17.2, HARSH_U2_HIGH);
    SEEN(s.load_voltage_v = NAN, KIND_U2_LOW | HARSH_U2_HIGH);
    SEEN(s.intake_degc = 22, KIND_COOL_INTAKE);
    SEEN(s.intake_degc = 45, HARSH_HOT_INTAKE);
    SEEN(s.intake_degc = NAN, KIND_COOL_INTAKE | HARSH_HOT_INTAKE);
    SEEN(s.supply_v = 215, HARSH_SUPPLY);
    SEEN(s.supply_v = 245, HARSH_SUPPLY);
    SEEN(s.supply_v = NAN, HARSH_SUPPLY);
    SEEN(s.heavier_cycle = true, HARSH_HEAVY_CYCLE);
    SEEN(s.altitude_m = 1200, HARSH_ALTITUDE);
    SEEN(s.altitude_m = NAN, HARSH_ALTITUDE);
    SEEN(s.at_equilibrium = false, KIND_COLD_START);
    SEEN(s.pause_s = 400, KIND_LONG_PAUSE);
    SEEN(s.pause_s = NAN; s.planned_pause_s = NAN, 0);
    struct rating_point engine = tig();
    engine.phases = 0;
    struct seen_conditions s = plate_conditions();
    s.supply_v = NAN;
    struct bench_limits limits;
    bench_limits_default(&limits);
    struct deviation_tolerance t = deviation_tolerance_default(&limits);
    ck_assert_uint_eq(deviations_seen(&engine, 16.4, &s, &t), 0);
}
END_TEST

START_TEST(time_decides_with_its_uncertainty)
{
    int64_t rated = 240 * SECOND, u = SECOND;
    /* contactor and up-slope eat a second: exactly 240 s commanded is no hold */
    ck_assert_int_eq(hold_outcome(239 * SECOND, 239 * SECOND, rated, u, false), OUTCOME_UNCLEAR);
    ck_assert_int_eq(hold_outcome(240 * SECOND, 240 * SECOND, rated, u, false), OUTCOME_UNCLEAR);
    ck_assert_int_eq(hold_outcome(241 * SECOND, 242 * SECOND, rated, u, false), OUTCOME_HOLD);
    ck_assert_int_eq(hold_outcome(241 * SECOND, 242 * SECOND, rated, u, true), OUTCOME_HOLD);
    ck_assert_int_eq(hold_outcome(200 * SECOND, 201 * SECOND, rated, u, true), OUTCOME_SHUTOFF);
    ck_assert_int_eq(hold_outcome(200 * SECOND, 201 * SECOND, rated, u, false), OUTCOME_UNCLEAR);
    ck_assert_int_eq(hold_outcome(200 * SECOND, 260 * SECOND, rated, u, true), OUTCOME_UNCLEAR);
    ck_assert_int_eq(hold_outcome(238 * SECOND, 239 * SECOND + SECOND / 2, rated, u, true), OUTCOME_UNCLEAR);
}
END_TEST

/* NIST StRD, linear regression, Norris: data and certified values. */
static const double norris_x[] = {0.2, 337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
                                  0.6, 775.5, 666.9, 338.0, 447.5, 11.6,  556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
                                  0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5};
static const double norris_y[] = {0.1, 338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
                                  0.1, 778.1, 668.8, 339.3, 448.9, 10.8,  557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
                                  0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2};

START_TEST(line_of_norris)
{
    struct line_fit f;
    struct error err;
    ck_assert_int_eq(line_fit(norris_x, norris_y, 36, 0, &f, &err), 0);
    ck_assert_double_eq_tol(f.slope, 1.00211681802045, 1e-13);
    ck_assert_double_eq_tol(f.u_slope, 0.429796848199937e-3, 1e-14);
    ck_assert_double_eq_tol(f.intercept, -0.262323073774029, 1e-11);
    ck_assert_double_eq_tol(f.u_intercept, 0.232818234301152, 1e-11);
    ck_assert_double_eq_tol(f.residual_sum, 26.6173985294224, 1e-9);
    double slope = 0;
    ck_assert_int_eq(median_slope(norris_x, norris_y, 36, &slope, &err), 0);
    ck_assert_double_eq_tol(slope, 1.00211681802045, 2 * 0.429796848199937e-3);
}
END_TEST

/* JCGM 100:2008, H.3: thermometer corrections against temperature, t0 = 20 degC. */
static const double h3_t[] = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511};
static const double h3_b[] = {-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160};

START_TEST(line_of_gum_h3)
{
    struct line_fit f;
    struct error err;
    ck_assert_int_eq(line_fit(h3_t, h3_b, 11, 20, &f, &err), 0);
    ck_assert_double_eq_tol(f.intercept, -0.1712, 5e-5);
    ck_assert_double_eq_tol(f.u_intercept, 0.0029, 5e-5);
    ck_assert_double_eq_tol(f.slope, 0.00218, 5e-6);
    ck_assert_double_eq_tol(f.u_slope, 0.00067, 5e-6);
    ck_assert_double_eq_tol(f.correlation, -0.930, 5e-4);
    double u = 0;
    ck_assert_double_eq_tol(line_fit_at(&f, 30, 20, &u), -0.1494, 5e-5);
    ck_assert_double_eq_tol(u, 0.0041, 5e-5);
    ck_assert_double_eq_tol(f.residual_sd, 0.003497564, 1e-9);
}
END_TEST

/* NIST StRD, univariate: Michelso. */
static const double michelso[] = {
    299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93,
    299.65, 299.76, 299.81, 300.00, 300.00, 299.96, 299.96, 299.96, 299.94, 299.96, 299.94, 299.88, 299.80,
    299.85, 299.88, 299.90, 299.84, 299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76,
    299.80, 299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95, 299.88, 299.91,
    299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84, 299.89, 299.81, 299.81, 299.82, 299.80,
    299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85,
    299.85, 299.78, 299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85, 299.87,
    299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87};

START_TEST(means_and_deviations)
{
    struct error err;
    double mean = 0, sd = 0;
    ck_assert_int_eq(mean_and_sd(michelso, 100, &mean, &sd, &err), 0);
    ck_assert_double_eq_tol(mean, 299.8524, 1e-11);
    ck_assert_double_eq_tol(sd, 0.0790105478190518, 1e-12);
    /* NumAcc4: 10000000.2, then 500 times 10000000.1 and 10000000.3: sums of squares in one pass fail here */
    static double numacc[1001];
    numacc[0] = 10000000.2;
    for (int i = 1; i < 1001; i++)
        numacc[i] = i % 2 == 1 ? 10000000.1 : 10000000.3;
    ck_assert_int_eq(mean_and_sd(numacc, 1001, &mean, &sd, &err), 0);
    ck_assert_double_eq_tol(mean, 10000000.2, 1e-8);
    ck_assert_double_eq_tol(sd, 0.1, 1e-8);
    const double one[] = {1, NAN};
    ck_assert_int_eq(mean_and_sd(one, 1, &mean, &sd, &err), -1);
    ck_assert_int_eq(mean_and_sd(one, 2, &mean, &sd, &err), -1);
}
END_TEST

START_TEST(bad_lines_are_refused)
{
    struct line_fit f;
    struct error err;
    const double same[] = {1, 1, 1}, y[] = {1, 2, 3}, bad[] = {1, NAN, 3};
    ck_assert_int_eq(line_fit(same, y, 3, 0, &f, &err), -1);
    ck_assert_int_eq(line_fit(y, y, 2, 0, &f, &err), -1);
    ck_assert_int_eq(line_fit(y, bad, 3, 0, &f, &err), -1);
    double slope;
    ck_assert_int_eq(median_slope(same, y, 3, &slope, &err), -1);
    ck_assert_int_eq(median_slope(bad, y, 3, &slope, &err), -1);
}
END_TEST

/* Rise of a body with time constant tau towards `final`, at the same phase of cycles of ten minutes. */
static void body(struct drift_series *s, double final_k, double tau_min, int cycles, double noise_k,
                 unsigned long long *seed)
{
    drift_begin(s);
    for (int k = 1; k <= cycles; k++) {
        double rise = final_k * (1 - exp(-10.0 * k / tau_min)) + noise_k * (random_share(seed) - 0.5);
        ck_assert_int_eq(drift_add(s, k * 600 * SECOND, rise), 0);
    }
}

START_TEST(equilibrium_needs_the_upper_bound)
{
    struct drift_series s;
    struct drift d;
    struct error err;
    unsigned long long seed = 1;
    int64_t hour = 3600 * SECOND;
    int first = 0;
    for (int cycles = 6; cycles <= 40; cycles++) {
        body(&s, 60, 30, cycles, 0, &seed);
        if (drift_find(&s, hour, 0.05, COVERAGE_95, &d, &err) != 0)
            continue;
        double at = 60 / 30.0 * 60 * exp(-10.0 * (cycles - 3) / 30); /* slope in the middle of the window, K/h */
        ck_assert_double_eq_tol(d.slope_k_per_h, at, 0.12 * at + 0.01);
        ck_assert_double_lt(d.low_k_per_h, d.slope_k_per_h);
        ck_assert_double_gt(d.high_k_per_h, d.slope_k_per_h);
        if (drift_is_equilibrium(&d, hour, 2) && first == 0)
            first = cycles;
        if (first != 0)
            ck_assert(drift_is_equilibrium(&d, hour, 2));
    }
    /* 120 K/h falls below 2 K/h after 30 min * ln(60) = 123 min, and the window of 60 min lies around that */
    ck_assert_int_ge(first, 15);
    ck_assert_int_le(first, 18);
    /* a noisy thermometer must not make equilibrium early: same body, wider bound */
    body(&s, 60, 30, first, 0, &seed);
    ck_assert_int_eq(drift_find(&s, hour, 1.5, COVERAGE_95, &d, &err), 0);
    ck_assert(!drift_is_equilibrium(&d, hour, 2));
}
END_TEST

START_TEST(one_wild_point_does_not_move_the_slope)
{
    struct drift_series s;
    struct drift d;
    struct error err;
    drift_begin(&s);
    for (int k = 0; k < 9; k++)
        ck_assert_int_eq(drift_add(&s, k * 600 * SECOND, 50 + 0.1 * k + (k == 4 ? 8 : 0)), 0);
    ck_assert_int_eq(drift_find(&s, 5400 * SECOND, 0.05, COVERAGE_95, &d, &err), 0);
    ck_assert_double_eq_tol(d.slope_k_per_h, 0.6, 1e-9);
    ck_assert_double_gt(d.high_k_per_h, 2); /* but widens the interval: nobody may call that settled */
    ck_assert_int_eq(drift_add(&s, 8 * 600 * SECOND, 50), -1);
    ck_assert_int_eq(drift_add(&s, 9 * 600 * SECOND, NAN), -1);
    drift_begin(&s);
    ck_assert_int_eq(drift_find(&s, 3600 * SECOND, 0.05, COVERAGE_95, &d, &err), -1);
}
END_TEST

START_TEST(drift_interval_covers_as_it_says)
{
    /* a steady body with thermometer noise: the true slope, 0, lies in nine or more of ten 95 % intervals */
    struct error err;
    unsigned long long seed = 42;
    int inside = 0, rounds = 2000;
    for (int r = 0; r < rounds; r++) {
        struct drift_series s;
        struct drift d;
        drift_begin(&s);
        for (int k = 0; k < 7; k++)
            ck_assert_int_eq(drift_add(&s, k * 600 * SECOND, 60 + 0.4 * (random_share(&seed) - 0.5)), 0);
        ck_assert_int_eq(drift_find(&s, 3600 * SECOND, 0, COVERAGE_95, &d, &err), 0);
        inside += d.low_k_per_h <= 0 && d.high_k_per_h >= 0;
    }
    ck_assert_double_gt(inside / (double)rounds, 0.92);
}
END_TEST

START_TEST(student_t_of_the_guide)
{
    /* JCGM 100:2008, table G.2 */
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_68, 1), 1.84, 0.005);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_95, 1), 12.71, 0.005);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_99_73, 1), 235.8, 0.05);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_99_73, 5), 5.51, 0.005);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_90, 10), 1.81, 0.005);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_99, 11), 3.11, 0.005);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_95, 20), 2.09, 0.005);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_95_45, INFINITY), 2.00, 0.005);
    /* between tabulated degrees of freedom: never too small */
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_95, 4.9), 2.7764, 1e-9);
    ck_assert_double_eq_tol(coverage_factor(COVERAGE_95, 29), 2.0595, 1e-9);
    ck_assert(isnan(coverage_factor(COVERAGE_95, 0.5)));
    ck_assert(isnan(coverage_factor(COVERAGE_COUNT_, 5)));
}
END_TEST

START_TEST(limits_of_error_are_told_from_expanded)
{
    /* 0.5 % of reading and 0.1 % of a 400 A range at 160 A: 1.2 A in all. As limits u = 1.2 / sqrt(3) (JCGM 100:2008,
     * 4.3.7), as expanded with k = 2 u = 0.6 A (4.3.3). */
    struct uncertainty u = {.of_reading_pct = 0.5, .of_range_pct = 0.1, .range = 400, .kind = UNC_LIMIT};
    ck_assert_double_eq_tol(uncertainty_standard(&u, 160), 1.2 / sqrt(3), 1e-12);
    ck_assert_double_eq_tol(uncertainty_standard(&u, -160), 1.2 / sqrt(3), 1e-12);
    u.kind = UNC_EXPANDED;
    u.k = 2;
    ck_assert_double_eq_tol(uncertainty_standard(&u, 160), 0.6, 1e-12);
    ck_assert_double_eq_tol(uncertainty_expanded(&u, 160), 1.2, 1e-12);
    ck_assert(isnan(uncertainty_standard(&u, NAN)));
    struct bench_signal s = {.correction_gain = 1.002, .correction_offset = -0.3};
    ck_assert_double_eq_tol(calibration_apply(&s, 160), 160.02, 1e-9);
    s.correction_gain = 0;
    ck_assert_double_eq_tol(calibration_apply(&s, 160), 159.7, 1e-9);
    ck_assert_double_eq_tol(time_uncertainty_s(0.3, 0.4), 2 * sqrt(0.25 / 3), 1e-12);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("judgement");
    tcase_add_test(t, each_cell_of_the_table);
    tcase_add_test(t, sets_of_deviations_follow_their_members);
    tcase_add_test(t, causes_that_are_not_the_units_decide_nothing);
    tcase_add_test(t, deviations_are_sorted);
    tcase_add_test(t, time_decides_with_its_uncertainty);
    tcase_add_test(t, line_of_norris);
    tcase_add_test(t, line_of_gum_h3);
    tcase_add_test(t, means_and_deviations);
    tcase_add_test(t, bad_lines_are_refused);
    tcase_add_test(t, equilibrium_needs_the_upper_bound);
    tcase_add_test(t, one_wild_point_does_not_move_the_slope);
    tcase_add_test(t, drift_interval_covers_as_it_says);
    tcase_add_test(t, student_t_of_the_guide);
    tcase_add_test(t, limits_of_error_are_told_from_expanded);
    return suite_main(t);
}
