/* Budgets and conformity. */
#include <math.h>
#include <string.h>

#include "budget.h"
#include "conformity.h"
#include "global_risk.h"
#include "line_fit.h"
#include "suite.h"

START_TEST(end_gauge_of_gum_h1)
{
    /* JCGM 100:2008, H.1: components 25 nm (18 degrees of freedom), 9.7 nm (25.4), 16.6 nm (2), 2.9 nm (50); combined
     * 32 nm, effective degrees of freedom 16, t_99(16) = 2.92, U_99 = 93 nm */
    struct budget b;
    struct error err;
    ck_assert_int_eq(budget_begin(&b, "length", "nm", 50000838, &err), 0);
    ck_assert_int_eq(budget_add(&b, "standard", "nm", 25, 1, 18, &err), 0);
    ck_assert_int_eq(budget_add(&b, "difference", "nm", 9.7, 1, 25.4, &err), 0);
    ck_assert_int_eq(budget_add(&b, "difference in temperature", "nm", 16.6, 1, 2, &err), 0);
    ck_assert_int_eq(budget_add(&b, "difference in expansion", "nm", 2.9, 1, 50, &err), 0);
    ck_assert_int_eq(budget_finish(&b, COVERAGE_99, &err), 0);
    ck_assert_double_eq_tol(b.combined, 32, 0.5);
    ck_assert_double_eq_tol(b.dof, 16.7, 0.1);
    ck_assert_double_eq_tol(b.k, 2.92, 0.005);
    ck_assert_double_eq_tol(b.expanded, 92.5, 0.7);
    double shares = 0;
    for (int i = 0; i < b.count; i++)
        shares += b.lines[i].share_pct;
    ck_assert_double_eq_tol(shares, 100, 1e-9);
}
END_TEST

/* JCGM 100:2008, H.2: simultaneous readings of voltage, current and phase angle. */
static const double h2_v[] = {5.007, 4.994, 5.005, 4.990, 4.999};
static const double h2_i[] = {0.019663, 0.019639, 0.019640, 0.019685, 0.019678};
static const double h2_phi[] = {1.0456, 1.0438, 1.0468, 1.0428, 1.0433};

START_TEST(impedance_of_gum_h2)
{
    struct error err;
    double v, i, phi, sv, si, sphi, root5 = sqrt(5);
    ck_assert_int_eq(mean_and_sd(h2_v, 5, &v, &sv, &err), 0);
    ck_assert_int_eq(mean_and_sd(h2_i, 5, &i, &si, &err), 0);
    ck_assert_int_eq(mean_and_sd(h2_phi, 5, &phi, &sphi, &err), 0);
    ck_assert_double_eq_tol(v, 4.9990, 5e-5);
    ck_assert_double_eq_tol(i, 19.6610e-3, 5e-8);
    ck_assert_double_eq_tol(phi, 1.04446, 5e-6);
    ck_assert_double_eq_tol(sv / root5, 0.0032, 5e-5);
    ck_assert_double_eq_tol(si / root5, 0.0095e-3, 5e-8);
    ck_assert_double_eq_tol(sphi / root5, 0.00075, 5e-6);
    /* the second way of H.2.4: each set's own resistance, so that correlations are in the scatter: 127.732, u 0.071 */
    double r[5], mean, sd;
    for (int k = 0; k < 5; k++)
        r[k] = h2_v[k] / h2_i[k] * cos(h2_phi[k]);
    ck_assert_int_eq(mean_and_sd(r, 5, &mean, &sd, &err), 0);
    ck_assert_double_eq_tol(mean, 127.732, 5e-4);
    ck_assert_double_eq_tol(sd / root5, 0.071, 5e-4);
    /* a budget of resistances adds the scatter of the mean with n - 1 degrees of freedom */
    struct budget b;
    struct uncertainty none = {.kind = UNC_LIMIT};
    ck_assert_int_eq(budget_reading(&b, "R", "ohm", mean, &none, sd, 5, &err), 0);
    ck_assert_double_eq_tol(b.combined, 0.071, 5e-4);
    ck_assert_double_eq_tol(b.dof, 4, 1e-9);
    ck_assert_double_eq_tol(b.k, 2.87, 0.005); /* JCGM 100:2008, table G.2, 95.45 % */
}
END_TEST

START_TEST(percent_on_has_its_sensitivities)
{
    /* common practice, no published source: 1 % of I2 is 2 % of X; 1 K of ambient about 1.5 % of X at 65 K headroom;
     * 0.2 s in 240 s is 0.08 % */
    struct percent_on_influences in = {.percent_on = 40,
                                       .cycle_s = 600,
                                       .current_a = 160,
                                       .u_current_a = 1.6,
                                       .load_voltage_v = 16.4,
                                       .u_load_voltage_v = 0.08,
                                       .load_voltage_exponent = 0.5,
                                       .headroom_k = 65,
                                       .u_ambient_k = 1,
                                       .supply_v = 230,
                                       .u_supply_v = 2,
                                       .supply_exponent = 0.5,
                                       .u_start_pct = 1,
                                       .u_on_load_s = 0.2};
    struct budget b;
    struct error err;
    ck_assert_int_eq(budget_percent_on(&b, &in, &err), 0);
    ck_assert_int_eq(b.count, 6);
    ck_assert_double_eq_tol(b.lines[0].contribution, 0.02 * 40, 1e-9);
    ck_assert_double_eq_tol(b.lines[2].contribution / 40, 0.0154, 1e-4);
    ck_assert_double_eq_tol(b.lines[5].contribution / 40, 0.00083, 1e-5);
    ck_assert_double_gt(b.lines[0].share_pct, b.lines[2].share_pct);
    ck_assert_double_lt(b.lines[5].share_pct, 1);
    ck_assert_double_eq_tol(b.k, 2, 1e-9);
    char text[160];
    for (int i = -1; i <= b.count; i++) {
        budget_print(&b, i, text, sizeof text);
        ck_assert_int_gt((int)strlen(text), 20);
    }
    in.headroom_k = 0;
    ck_assert_int_eq(budget_percent_on(&b, &in, &err), -1);
    in.headroom_k = 65;
    in.percent_on = 140;
    ck_assert_int_eq(budget_percent_on(&b, &in, &err), -1);
}
END_TEST

START_TEST(on_load_time_and_bad_budgets)
{
    struct budget b;
    struct error err;
    ck_assert_int_eq(budget_on_load(&b, 240, 0.1, 0.5, 50, &err), 0);
    ck_assert_double_eq_tol(b.combined, sqrt((0.01 + 0.25 + 0.012 * 0.012) / 3), 1e-9);
    ck_assert_int_eq(budget_on_load(&b, NAN, 0.1, 0.5, 50, &err), -1);
    ck_assert_int_eq(budget_on_load(&b, 240, -0.1, 0.5, 50, &err), -1);
    ck_assert_int_eq(budget_begin(&b, "x", "A", 1, &err), 0);
    ck_assert_int_eq(budget_finish(&b, COVERAGE_95, &err), -1);
    ck_assert_int_eq(budget_add(&b, "a", "A", NAN, 1, 5, &err), -1);
    ck_assert_int_eq(budget_add(&b, "a", "A", 1, 1, 0, &err), -1);
    for (int i = 0; i < BUDGET_LINES_MAX; i++)
        ck_assert_int_eq(budget_add(&b, "a", "A", 1, 1, INFINITY, &err), 0);
    ck_assert_int_eq(budget_add(&b, "a", "A", 1, 1, INFINITY, &err), -1);
}
END_TEST

START_TEST(conformance_probabilities)
{
    /* first: JCGM 106:2012, 7.4 (inputs quoted by a secondary text). Then a one-sided example of the same guide, from
     * memory; three of a metrology package's tests; three exact normal values, of which ILAC-G8:09/2019 quotes "up to
     * 2.5 %" for the guard band of one expanded uncertainty. */
    static const double cases[][5] = {
        {13.6, 1.8, 12.5, 16.3, 0.662630}, {-5.47, 0.05, -INFINITY, -5.4, 0.919243}, {10, 0.4, 9, 11, 1 - 0.01242},
        {10.5, 0.4, 9, 11, 1 - 0.10574},   {12.0, 0.4, 9, 11, 1 - 0.99379},          {100, 1, -INFINITY, 100, 0.5},
        {98, 1, -INFINITY, 100, 0.977250}, {98.36, 1, -INFINITY, 100, 0.949497},
    };
    struct error err;
    double p = 0;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        ck_assert_int_eq(conform_probability(cases[i][0], cases[i][1], cases[i][2], cases[i][3], &p, &err), 0);
        ck_assert_double_eq_tol(p, cases[i][4], 6e-6);
    }
    ck_assert_int_eq(conform_probability(NAN, 1, 0, 1, &p, &err), -1);
    ck_assert_int_eq(conform_probability(1, 0, 0, 1, &p, &err), -1);
    ck_assert_int_eq(conform_probability(1, 1, 1, 1, &p, &err), -1);
}
END_TEST

START_TEST(guard_bands)
{
    /* one-sided factors z of the normal distribution over 2, for U = 2u (JCGM 106:2012 tabulates z to two places) */
    static const double risks[][2] = {{0.2, 0.420811},     {0.1, 0.640776},  {0.05, 0.822427}, {0.025, 0.979982},
                                      {0.02275, 1.000001}, {0.01, 1.163174}, {0.001, 1.545116}};
    struct error err;
    double guard = 0;
    for (size_t i = 0; i < sizeof risks / sizeof risks[0]; i++) {
        ck_assert_int_eq(guard_for_risk(risks[i][0], &guard, &err), 0);
        ck_assert_double_eq_tol(guard, risks[i][1], 3e-6);
    }
    ck_assert_int_eq(guard_for_risk(0, &guard, &err), -1);
    ck_assert_int_eq(guard_for_risk(0.5, &guard, &err), -1);
    ck_assert_int_eq(guard_for_risk(NAN, &guard, &err), -1);
}
END_TEST

START_TEST(at_least_with_a_guard_band)
{
    struct conformity c;
    struct error err;
    ck_assert_int_eq(conformity_at_least(36.2, 0.8, 2, 35, 1, &c, &err), 0);
    ck_assert_int_eq(c.verdict, VERDICT_MET);
    ck_assert_double_eq_tol(c.false_met_probability, 0.00135, 1e-5); /* Phi(-3) */
    ck_assert_int_eq(conformity_at_least(35.5, 0.8, 2, 35, 1, &c, &err), 0);
    ck_assert_int_eq(c.verdict, VERDICT_UNDECIDED);
    ck_assert_int_eq(conformity_at_least(34.5, 0.8, 2, 35, 1, &c, &err), 0);
    ck_assert_int_eq(c.verdict, VERDICT_UNDECIDED);
    ck_assert_int_eq(conformity_at_least(34.1, 0.8, 2, 35, 1, &c, &err), 0);
    ck_assert_int_eq(c.verdict, VERDICT_NOT_MET);
    /* right at the acceptance limit a met is false with at most 2.5 % (ILAC-G8:09/2019, w = U) */
    ck_assert_int_eq(conformity_at_least(35.8, 0.8, 2, 35, 1, &c, &err), 0);
    ck_assert_int_eq(c.verdict, VERDICT_MET);
    ck_assert_double_le(c.false_met_probability, 0.025);
    /* without a guard band, simple acceptance: up to half */
    ck_assert_int_eq(conformity_at_least(35, 0.8, 2, 35, 0, &c, &err), 0);
    ck_assert_int_eq(c.verdict, VERDICT_MET);
    ck_assert_double_eq_tol(c.false_met_probability, 0.5, 1e-12);
    for (double y = 30; y < 40; y += 0.01) {
        ck_assert_int_eq(conformity_at_least(y, 0.8, 2, 35, 1, &c, &err), 0);
        if (c.verdict == VERDICT_MET)
            ck_assert_double_le(c.false_met_probability, 0.025);
        if (c.verdict == VERDICT_NOT_MET)
            ck_assert_double_ge(c.false_met_probability, 0.975);
    }
    ck_assert_int_eq(conformity_at_least(NAN, 0.8, 2, 35, 1, &c, &err), -1);
    ck_assert_int_eq(conformity_at_least(36, -0.8, 2, 35, 1, &c, &err), -1);
    ck_assert_int_eq(conformity_at_least(36, 0.8, 0, 35, 1, &c, &err), -1);
    ck_assert_int_eq(conformity_at_least(36, 0.8, 2, 35, -1, &c, &err), -1);
}
END_TEST

START_TEST(risks_of_a_rule_over_many_items)
{
    /* Limits of -1 and 1, measurement sd a quarter of the process sd, which follows from the share in tolerance; no
     * guard band. Consumer's risk and its conditional form: a recommended practice's published table for 60 to 99 % in
     * tolerance. Producer's risk: computed by another program. */
    static const double in_tolerance[][4] = {{1.188182950, 0.0483860321, 0.0626045276, 0.0826008191},
                                             {0.964847341, 0.0392234107, 0.0538852972, 0.0572322040},
                                             {0.780304146, 0.0285583062, 0.0423201635, 0.0363227178},
                                             {0.607956832, 0.0159995353, 0.0265458511, 0.0179880477},
                                             {0.510213457, 0.0087101019, 0.0159539357, 0.0092389763},
                                             {0.388224483, 0.0019991696, 0.0044563605, 0.0020243878}};
    struct global_risk risk;
    struct error err;
    for (int i = 0; i < 6; i++) {
        double sd = in_tolerance[i][0];
        ck_assert_int_eq(global_risk(&(struct risk_rule){0, sd, sd / 4, -1, 1, -1, 1}, &risk, &err), 0);
        ck_assert_double_eq_tol(risk.consumer, in_tolerance[i][1], 1e-8);
        ck_assert_double_eq_tol(risk.producer, in_tolerance[i][2], 1e-8);
        ck_assert_double_eq_tol(risk.false_if_accepted, in_tolerance[i][3], 1e-8);
    }
    /* JCGM 106:2012, 9.5, resistors of 1500 ohm (inputs from memory, outputs computed by another program): without and
     * with a guard band of U = 2u. */
    ck_assert_int_eq(global_risk(&(struct risk_rule){1500, 0.12, 0.04, 1499.8, 1500.2, 1499.8, 1500.2}, &risk, &err),
                     0);
    ck_assert_double_eq_tol(risk.consumer, 0.01894221, 1e-8);
    ck_assert_double_eq_tol(risk.producer, 0.03720780, 1e-8);
    ck_assert_int_eq(global_risk(&(struct risk_rule){1500, 0.12, 0.04, 1499.8, 1500.2, 1499.88, 1500.12}, &risk, &err),
                     0);
    ck_assert_double_eq_tol(risk.consumer, 0.00046863, 1e-8);
    ck_assert_double_eq_tol(risk.producer, 0.24766964, 1e-8);
    /* One limit: each part adds up to the shares that the normal distribution gives. */
    struct risk_rule one = {38, 2, 0.4, 35, INFINITY, 35.8, INFINITY};
    double conform = 0;
    ck_assert_int_eq(global_risk(&one, &risk, &err), 0);
    ck_assert_int_eq(conform_probability(38, 2, 35, INFINITY, &conform, &err), 0);
    ck_assert_double_eq_tol(risk.accepted - risk.consumer + risk.producer, conform, 1e-9);
    ck_assert_int_eq(conform_probability(38, sqrt(2 * 2 + 0.4 * 0.4), 35.8, INFINITY, &conform, &err), 0);
    ck_assert_double_eq_tol(risk.accepted, conform, 1e-9);
    /* A meter that all but never errs lets nothing through, and a step in the integrand does no harm. */
    one.measurement_sd = 1e-7;
    one.accept_from = 35;
    ck_assert_int_eq(global_risk(&one, &risk, &err), 0);
    ck_assert_double_lt(risk.consumer, 1e-7);
    ck_assert_double_lt(risk.producer, 1e-7);
    one.process_sd = 0;
    ck_assert_int_eq(global_risk(&one, &risk, &err), -1);
    one = (struct risk_rule){NAN, 2, 0.4, 35, INFINITY, 35.8, INFINITY};
    ck_assert_int_eq(global_risk(&one, &risk, &err), -1);
    one = (struct risk_rule){38, 2, 0.4, 36, 35, 35.8, INFINITY};
    ck_assert_int_eq(global_risk(&one, &risk, &err), -1);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("decision");
    tcase_add_test(t, end_gauge_of_gum_h1);
    tcase_add_test(t, impedance_of_gum_h2);
    tcase_add_test(t, percent_on_has_its_sensitivities);
    tcase_add_test(t, on_load_time_and_bad_budgets);
    tcase_add_test(t, conformance_probabilities);
    tcase_add_test(t, guard_bands);
    tcase_add_test(t, at_least_with_a_guard_band);
    tcase_add_test(t, risks_of_a_rule_over_many_items);
    return suite_main(t);
}
