/* Heating: periodic solution, fits, refusal of what a record does not tell, percent-on with its interval. */
#include <math.h>
#include <string.h>

#include "heat.h"
#include "suite.h"

/* Periodic solution of a first-order body in cycles of ten minutes, a textbook matter, worked out outside this program:
 * time constant in min, percent-on, then peak, trough, middle of the on-load part and first peak over the steady rise.
 */
static const double first_order[][6] = {{5, 20, 0.381280683, 0.076979242, 0.244294520, 0.329679954},
                                        {5, 35, 0.582207978, 0.158670184, 0.407124899, 0.503414696},
                                        {5, 60, 0.808181223, 0.363139232, 0.650483400, 0.698805788},
                                        {5, 80, 0.923020758, 0.618719317, 0.828679546, 0.798103482},
                                        {5, 100, 1.000000000, 1.000000000, 1.000000000, 0.864664717},
                                        {10, 20, 0.286763726, 0.128851248, 0.211752013, 0.181269247},
                                        {10, 35, 0.467176563, 0.243887552, 0.365276097, 0.295311910},
                                        {10, 60, 0.713769482, 0.478453992, 0.613629214, 0.451188364},
                                        {10, 80, 0.871148752, 0.713236274, 0.807776526, 0.550671036},
                                        {10, 100, 1.000000000, 1.000000000, 1.000000000, 0.632120559},
                                        {20, 20, 0.241855139, 0.162120348, 0.202984221, 0.095162582},
                                        {20, 35, 0.408019032, 0.294804911, 0.353886951, 0.160542979},
                                        {20, 60, 0.658708958, 0.539305282, 0.603476381, 0.259181779},
                                        {20, 80, 0.837879652, 0.758144861, 0.801985760, 0.329679954},
                                        {20, 100, 1.000000000, 1.000000000, 1.000000000, 0.393469340},
                                        {40, 20, 0.220482587, 0.180515874, 0.200749009, 0.048770575},
                                        {40, 35, 0.378758702, 0.321950991, 0.350976082, 0.083781128},
                                        {40, 60, 0.629713005, 0.569787889, 0.600873517, 0.139292024},
                                        {40, 80, 0.819484126, 0.779517413, 0.800499106, 0.181269247},
                                        {40, 100, 1.000000000, 1.000000000, 1.000000000, 0.221199217},
                                        {80, 20, 0.210122869, 0.190127034, 0.200187438, 0.024690088},
                                        {80, 35, 0.364303368, 0.335874289, 0.350244294, 0.042806774},
                                        {80, 60, 0.614932842, 0.584942214, 0.600218657, 0.072256514},
                                        {80, 80, 0.809872966, 0.789877131, 0.800124944, 0.095162582},
                                        {80, 100, 1.000000000, 1.000000000, 1.000000000, 0.117503097}};

static struct heat_model one_body(double steady_k, double tau_on_s, double tau_off_s, double start_k)
{
    return (struct heat_model){.bodies = 1,
                               .one_tau = !(tau_on_s < tau_off_s) && !(tau_on_s > tau_off_s),
                               .no_idle = true,
                               .body = {{steady_k, tau_on_s, tau_off_s, start_k}}};
}

START_TEST(periodic_solution_of_first_order)
{
    struct error err;
    for (size_t i = 0; i < sizeof first_order / sizeof first_order[0]; i++) {
        const double *f = first_order[i];
        struct heat_model m = one_body(1, 60 * f[0], 60 * f[0], 0);
        struct heat_cycle c;
        ck_assert_int_eq(heat_cycle_find(&m, f[1], 600, &c, &err), 0);
        ck_assert_double_eq_tol(c.peak_k, f[2], 1e-9);
        ck_assert_double_eq_tol(c.trough_k, f[3], 1e-9);
        ck_assert_double_eq_tol(c.mid_load_k, f[4], 1e-9);
        double time_s[2] = {0, 6 * f[1]}, rise_k[2];
        const unsigned char on[2] = {1, 0};
        struct heat_record r = {.count = 2, .time_s = time_s, .on = on};
        heat_model_run(&m, &r, rise_k);
        ck_assert_double_eq_tol(rise_k[1], f[5], 1e-9);
    }
}
END_TEST

START_TEST(periodic_solution_is_where_cycles_end_up)
{
    /* two bodies, different constants on and off, 300 cycles step by step */
    struct heat_model m = {.bodies = 2, .idle_k = 3, .body = {{30, 120, 200, 0}, {50, 1800, 2600, 0}}};
    struct heat_cycle c;
    struct error err;
    static double time_s[601], rise_k[601];
    static unsigned char on[601];
    for (int k = 0; k <= 600; k++) {
        time_s[k] = k / 2 * 600 + k % 2 * 240;
        on[k] = k % 2 == 0;
    }
    struct heat_record r = {.count = 601, .time_s = time_s, .on = on};
    heat_model_run(&m, &r, rise_k);
    ck_assert_int_eq(heat_cycle_find(&m, 40, 600, &c, &err), 0);
    ck_assert_double_eq_tol(rise_k[599], c.peak_k, 1e-9);
    ck_assert_double_eq_tol(rise_k[600], c.trough_k, 1e-9);
    ck_assert_int_eq(heat_cycle_find(&m, 101, 600, &c, &err), -1);
    ck_assert_int_eq(heat_cycle_find(&m, NAN, 600, &c, &err), -1);
    ck_assert_int_eq(heat_cycle_find(&m, 40, 0, &c, &err), -1);
}
END_TEST

START_TEST(limits_of_the_time_constant)
{
    struct error err;
    double x = 0;
    struct heat_question q = {
        .limit_degc = 105, .limit_seen = true, .ambient_degc = 40, .current_ratio = 1, .cycle_s = 600, .coverage_k = 2};
    /* long against the cycle: the square law. 65 K of headroom, 162.5 K steady: 40 %; at 1/sqrt(2) of the current 80 %
     */
    struct heat_model slow = one_body(162.5, 1e7, 1e7, 0);
    ck_assert_int_eq(heat_percent_on_of(&slow, &q, &x, &err), 0);
    ck_assert_double_eq_tol(x, 40, 0.01);
    q.current_ratio = 1 / sqrt(2);
    ck_assert_int_eq(heat_percent_on_of(&slow, &q, &x, &err), 0);
    ck_assert_double_eq_tol(x, 80, 0.01);
    /* short against the cycle: the peak is the steady rise whatever the pause, so all or nothing */
    q.current_ratio = 1;
    struct heat_model quick = one_body(64, 1, 1, 0);
    ck_assert_int_eq(heat_percent_on_of(&quick, &q, &x, &err), 0);
    ck_assert_double_eq_tol(x, 100, 1e-9);
    quick = one_body(100, 1, 1, 0);
    ck_assert_int_eq(heat_percent_on_of(&quick, &q, &x, &err), 0);
    ck_assert_double_lt(x, 0.3); /* about a second of ten minutes */
}
END_TEST

/* A record made by a model: cycles of ten minutes, one reading each step_s, with noise. */
enum { SAMPLES_MAX = 40000 };
struct made {
    double time_s[SAMPLES_MAX], temperature_degc[SAMPLES_MAX], rise_k[SAMPLES_MAX];
    unsigned char on[SAMPLES_MAX];
    struct heat_record record;
};

static double normal(unsigned long long *seed)
{
    return sqrt(-2 * log(1 - random_share(seed))) * cos(6.283185307179586 * random_share(seed));
}

static void make(struct made *d, const struct heat_model *m, double hours, double step_s, double percent_on,
                 double noise_k, unsigned long long *seed)
{
    int n = (int)(hours * 3600 / step_s) + 1;
    ck_assert_int_le(n, SAMPLES_MAX);
    for (int i = 0; i < n; i++) {
        d->time_s[i] = i * step_s;
        d->on[i] = fmod(d->time_s[i], 600) < 6 * percent_on - 1e-9;
    }
    d->record = (struct heat_record){.count = n,
                                     .time_s = d->time_s,
                                     .temperature_degc = d->temperature_degc,
                                     .intake_const_degc = 22,
                                     .on = d->on,
                                     .noise_k = noise_k};
    heat_model_run(m, &d->record, d->rise_k);
    for (int i = 0; i < n; i++)
        d->temperature_degc[i] = 22 + d->rise_k[i] + noise_k * normal(seed);
}

static struct made made;

START_TEST(one_body_is_found)
{
    unsigned long long seed = 20260105;
    struct heat_model truth = one_body(140, 1500, 2100, 0);
    make(&made, &truth, 4, 10, 40, 0.2, &seed);
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct error err = {""};
    ck_assert_msg(heat_fit(&made.record, &limits, &fit, &err) == 0, "%s", err.text);
    ck_assert_int_eq(fit.model.bodies, 1);
    ck_assert(!fit.model.one_tau);
    ck_assert_double_eq_tol(fit.model.body[0].steady_k, 140, 3);
    ck_assert_double_eq_tol(fit.model.body[0].tau_on_s, 1500, 60);
    ck_assert_double_eq_tol(fit.model.body[0].tau_off_s, 2100, 60);
    ck_assert_double_eq_tol(fit.residual_k, 0.2, 0.04);
    ck_assert_double_eq_tol(fit.on_share, 0.4, 0.01);
}
END_TEST

START_TEST(two_bodies_are_found)
{
    unsigned long long seed = 20260106;
    struct heat_model truth = {
        .bodies = 2, .one_tau = true, .no_idle = true, .body = {{40, 150, 150, 0}, {90, 2400, 2400, 0}}};
    make(&made, &truth, 5, 10, 40, 0.2, &seed);
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct error err = {""};
    ck_assert_msg(heat_fit(&made.record, &limits, &fit, &err) == 0, "%s", err.text);
    ck_assert_int_eq(fit.model.bodies, 2);
    ck_assert_double_eq_tol(fit.model.body[0].tau_on_s, 150, 15);
    ck_assert_double_eq_tol(fit.model.body[1].tau_on_s, 2400, 240);
    ck_assert_double_eq_tol(fit.model.body[0].steady_k, 40, 3);
    ck_assert_double_eq_tol(fit.model.body[1].steady_k, 90, 6);
}
END_TEST

/* Two bodies of heat in a row, the load in the first and the thermometer on the second: the course is that of two
 * exponentials of which the quick one takes away. From the same differential equations, integrated in small steps,
 * comes what the steady cycle reaches: hottest some time after the load has opened. */
START_TEST(a_case_that_lags_is_found)
{
    enum { CYCLES = 60 };
    const double c_in = 1500, c_case = 4000, between = 6, outside = 5, heat_w = 500, dt = 0.5;
    unsigned long long seed = 20260109;
    double in_k = 0, case_k = 0, hottest_k = 0, at_open_k = 0;
    int n = 0;
    for (int i = 0; i < CYCLES * 1200; i++) {
        double t = i * dt;
        bool on = fmod(t, 600) < 240;
        if (i % 20 == 0 && t < 6 * 3600) {
            made.time_s[n] = t;
            made.on[n] = on;
            made.temperature_degc[n++] = 22 + case_k + 0.1 * normal(&seed);
        }
        if (i >= (CYCLES - 1) * 1200) {
            hottest_k = case_k > hottest_k ? case_k : hottest_k;
            if (fabs(fmod(t, 600) - 240) < dt / 2)
                at_open_k = case_k;
        }
        double over = between * (in_k - case_k);
        in_k += ((on ? heat_w : 0) - over) * dt / c_in;
        case_k += (over - outside * case_k) * dt / c_case;
    }
    ck_assert_double_gt(hottest_k, at_open_k + 0.5);
    struct heat_record r = {.count = n,
                            .time_s = made.time_s,
                            .temperature_degc = made.temperature_degc,
                            .intake_const_degc = 22,
                            .on = made.on,
                            .noise_k = 0.1};
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct heat_cycle cycle;
    struct error err = {""};
    double peak_k, u_k;
    ck_assert_msg(heat_fit(&r, &limits, &fit, &err) == 0, "%s", err.text);
    ck_assert_int_eq(fit.model.bodies, 2);
    ck_assert_double_lt(fit.model.body[0].steady_k, 0);
    ck_assert_int_eq(heat_equilibrium(&fit, 40, 600, &peak_k, &u_k, &err), 0);
    ck_assert_double_eq_tol(peak_k, hottest_k, 3 * u_k + 0.1);
    ck_assert_double_lt(u_k, 1);
    ck_assert_int_eq(heat_cycle_find(&fit.model, 40, 600, &cycle, &err), 0);
    ck_assert_double_eq_tol(cycle.peak_k, at_open_k, 3 * u_k + 0.1);
}
END_TEST

START_TEST(a_short_record_does_not_tell_a_slow_constant)
{
    /* ten minutes of a unit with a constant of 40 min: whatever the solver says, nothing is printed */
    struct heat_limits limits = heat_limits_default();
    struct heat_model truth = one_body(140, 2400, 2400, 0);
    for (unsigned long long seed = 1; seed <= 12; seed++) {
        unsigned long long s = seed * 7919;
        struct heat_fit fit;
        struct error err = {""};
        make(&made, &truth, 1.0 / 6, 2, 40, 0.3, &s);
        ck_assert_int_eq(heat_fit(&made.record, &limits, &fit, &err), -1);
        ck_assert_msg(strstr(err.text, "not identifiable") == err.text, "%s", err.text);
    }
}
END_TEST

START_TEST(a_fan_on_demand_is_refused)
{
    /* the fan starts above 40 K and halves the time constant, and stops below 25 K: no sum of linear bodies */
    double rise = 0, tau = 2000;
    unsigned long long seed = 9;
    int n = 1440;
    for (int i = 0; i < n; i++) {
        made.time_s[i] = 10.0 * i;
        made.on[i] = fmod(made.time_s[i], 600) < 240;
        made.temperature_degc[i] = 22 + rise + 0.1 * normal(&seed);
        if (rise > 40)
            tau = 400;
        if (rise < 25)
            tau = 2000;
        rise += ((made.on[i] ? 0.12 : 0) - rise / tau) * 10;
    }
    struct heat_record r = {.count = n,
                            .time_s = made.time_s,
                            .temperature_degc = made.temperature_degc,
                            .intake_const_degc = 22,
                            .on = made.on,
                            .noise_k = 0.1};
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct error err = {""};
    ck_assert_int_eq(heat_fit(&r, &limits, &fit, &err), -1);
    ck_assert_msg(strstr(err.text, "not linear") == err.text || strstr(err.text, "not identifiable") == err.text, "%s",
                  err.text);
}
END_TEST

/* Lower triangle L with L L' = covariance. */
static void cholesky(int n, double c[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX],
                     double l[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX])
{
    memset(l, 0, sizeof(double) * LS_PARAMETERS_MAX * LS_PARAMETERS_MAX);
    for (int i = 0; i < n; i++) {
        for (int k = 0; k <= i; k++) {
            double sum = c[i][k];
            for (int j = 0; j < k; j++)
                sum -= l[i][j] * l[k][j];
            l[i][k] = i == k ? sqrt(sum) : sum / l[k][k];
        }
    }
}

START_TEST(interval_agrees_with_monte_carlo)
{
    unsigned long long seed = 77;
    struct heat_model truth = one_body(160, 1500, 1900, 0);
    make(&made, &truth, 4, 10, 40, 0.3, &seed);
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct error err = {""};
    ck_assert_msg(heat_fit(&made.record, &limits, &fit, &err) == 0, "%s", err.text);
    struct heat_question q = {.limit_degc = 105,
                              .limit_seen = true,
                              .u_limit_k = 1.5,
                              .ambient_degc = 40,
                              .u_ambient_k = 1,
                              .current_ratio = 1,
                              .cycle_s = 600,
                              .coverage_k = 2};
    struct heat_answer a;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &a, &err), 0);
    double x_true = 0;
    ck_assert_int_eq(heat_percent_on_of(&truth, &q, &x_true, &err), 0);
    ck_assert(a.low_pct <= x_true && x_true <= a.high_pct);
    ck_assert(!a.at_least && !a.capped);

    double l[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX], mean = 0, squares = 0;
    int draws = 20000, inside = 0;
    cholesky(fit.parameters, fit.solution.covariance, l);
    for (int d = 1; d <= draws; d++) {
        double z[LS_PARAMETERS_MAX], p[LS_PARAMETERS_MAX], x = 0;
        for (int i = 0; i < fit.parameters; i++)
            z[i] = normal(&seed);
        for (int i = 0; i < fit.parameters; i++) {
            p[i] = fit.solution.p[i];
            for (int k = 0; k <= i; k++)
                p[i] += l[i][k] * z[k];
        }
        struct heat_model m = fit.model;
        heat_model_from_parameters(p, &m);
        struct heat_question drawn = q;
        drawn.limit_degc += q.u_limit_k * normal(&seed);
        drawn.ambient_degc += q.u_ambient_k * normal(&seed);
        ck_assert_int_eq(heat_percent_on_of(&m, &drawn, &x, &err), 0);
        double off = x - mean;
        mean += off / d;
        squares += off * (x - mean);
        inside += x >= a.low_pct && x <= a.high_pct;
    }
    double sd = sqrt(squares / (draws - 1));
    ck_assert_double_eq_tol(mean, a.percent_on, 0.1 * sd);
    ck_assert_double_eq_tol(sd, a.u_pct, 0.05 * sd);
    ck_assert_double_eq_tol(inside / (double)draws, 0.9545, 0.01);
}
END_TEST

START_TEST(cooler_air_and_less_current_are_kind)
{
    unsigned long long seed = 5;
    struct heat_model truth = one_body(160, 1500, 1500, 0);
    make(&made, &truth, 4, 10, 40, 0.2, &seed);
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct error err = {""};
    ck_assert_int_eq(heat_fit(&made.record, &limits, &fit, &err), 0);
    struct heat_question q = {
        .limit_degc = 105, .limit_seen = true, .ambient_degc = 40, .current_ratio = 1, .cycle_s = 600, .coverage_k = 2};
    struct heat_answer at_40, at_12, less, at_least;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &at_40, &err), 0);
    q.ambient_degc = 12;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &at_12, &err), 0);
    /* 12 to 40 degC takes about 30 % of the headroom, 93 to 65 K with a trip point of 105 degC (common practice, no
     * published source); with a slow body percent-on goes as the headroom */
    ck_assert_double_eq_tol(at_40.percent_on / at_12.percent_on, 65 / 93.0, 0.06);
    q.ambient_degc = 40;
    q.current_ratio = 0.8;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &less, &err), 0);
    ck_assert_double_gt(less.percent_on, at_40.percent_on * 1.4);
    q.current_ratio = 1;
    q.limit_seen = false;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &at_least, &err), 0);
    ck_assert(at_least.at_least);
    ck_assert_double_eq(at_least.high_pct, 100);
    q.limit_degc = 20; /* below the ambient: nothing at all */
    ck_assert_int_eq(heat_percent_on(&fit, &q, &less, &err), 0);
    ck_assert(less.capped);
    ck_assert_double_eq(less.percent_on, 0);
    q.limit_degc = NAN;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &less, &err), -1);
    q.limit_degc = 105;
    q.current_ratio = 0;
    ck_assert_int_eq(heat_percent_on(&fit, &q, &less, &err), -1);
}
END_TEST

START_TEST(bad_records_are_refused)
{
    unsigned long long seed = 5;
    struct heat_model truth = one_body(160, 1500, 1500, 0);
    struct heat_limits limits = heat_limits_default();
    struct heat_fit fit;
    struct error err;
#define REFUSED(change)                                                            \
    do {                                                                           \
        make(&made, &truth, 1, 10, 40, 0.2, &seed);                                \
        change;                                                                    \
        err.text[0] = 0;                                                           \
        ck_assert_int_eq(heat_fit(&made.record, &limits, &fit, &err), -1);         \
        ck_assert_msg(strstr(err.text, "bad record") == err.text, "%s", err.text); \
    } while (0)
    REFUSED(made.record.count = 0);
    REFUSED(made.record.count = 19);
    REFUSED(made.time_s[20] = made.time_s[19]);
    REFUSED(made.time_s[20] = NAN);
    REFUSED(made.temperature_degc[7] = NAN);
    REFUSED(made.temperature_degc[7] = INFINITY);
    REFUSED(made.record.intake_const_degc = NAN);
    REFUSED(made.record.noise_k = -1);
    REFUSED(memset(made.on, 0, sizeof made.on));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("heat");
    tcase_add_test(t, periodic_solution_of_first_order);
    tcase_add_test(t, periodic_solution_is_where_cycles_end_up);
    tcase_add_test(t, limits_of_the_time_constant);
    tcase_add_test(t, one_body_is_found);
    tcase_add_test(t, two_bodies_are_found);
    tcase_add_test(t, a_case_that_lags_is_found);
    tcase_add_test(t, a_short_record_does_not_tell_a_slow_constant);
    tcase_add_test(t, a_fan_on_demand_is_refused);
    tcase_add_test(t, interval_agrees_with_monte_carlo);
    tcase_add_test(t, cooler_air_and_less_current_are_kind);
    tcase_add_test(t, bad_records_are_refused);
    return suite_main(t);
}
