/* Causes of shutoffs: a table of scenarios with noise, drift and one missing signal each. Printed is the matrix of what
 * was and what was concluded; no wrong conclusion may be held with high confidence. 0 wrong of n still allows a true
 * share of 3/n at 95 % (rule of three): 1.3 % of 240. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "evidence.h"
#include "suite_run.h"

enum { SEEDS = 40, SCENES = 6 };

struct draw {
    uint64_t state;
};

static double uniform(struct draw *d)
{
    d->state = d->state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (double)(d->state >> 11) / 9007199254740992.0;
}

static double near(struct draw *d, double value, double pct)
{
    return value * (1 + (2 * uniform(d) - 1) * pct / 100);
}

static struct evidence on_load(struct draw *d)
{
    double amps = 80 + 200 * uniform(d), volts = 10 + 0.04 * amps;
    struct evidence ev = {.rated_a = amps, .rated_u2_v = volts, .rated_u1_v = 230, .u0_v = 45 + 40 * uniform(d)};
    ev.i2_before = ev.i2_most_before = near(d, amps, 1);
    ev.u2_before = ev.u2_least_before = near(d, volts, 2);
    ev.u2_after = 0.2 * uniform(d);
    ev.u2_most_after = ev.u2_before;
    ev.u2_peak_after = NAN;
    ev.u1_before = near(d, 228, 2);
    ev.u1_least_before = ev.u1_before - 2;
    ev.u1_after = near(d, 232, 2);
    ev.u1_line_after = near(d, 233, 1);
    ev.i1_before = amps * volts / 110;
    ev.i1_after = 0.3 + 0.5 * uniform(d);
    ev.breaker_before = ev.breaker_after = 1;
    ev.lamp_after = uniform(d) < 0.5 ? 0 : NAN;
    ev.speed_before = ev.speed_after = NAN;
    ev.exhaust_k = 20 * uniform(d);
    ev.on_s = 30 + 300 * uniform(d);
    return ev;
}

static enum shutoff_cause make_scene(int scene, struct draw *d, struct evidence *ev)
{
    *ev = on_load(d);
    switch (scene) {
    case 0:
        if (!isnan(ev->lamp_after))
            ev->lamp_after = 1;
        return CAUSE_THERMAL_CUTOUT;
    case 1:
        ev->u1_after = 2 * uniform(d);
        ev->i1_after = 0;
        ev->breaker_after = 0;
        return CAUSE_SUPPLY_LOST;
    case 2:
        ev->u2_most_after = near(d, ev->u0_v, 3);
        ev->u2_after = uniform(d) < 0.5 ? ev->u2_most_after : 12; /* reduced again by the unit after a moment */
        ev->u2_peak_after = near(d, ev->u0_v, 3);
        return CAUSE_LOAD_PATH_OPEN;
    case 3:
        ev->u2_least_before = 1 + 2 * uniform(d);
        ev->i2_most_before = near(d, 1.1 * ev->i2_before, 2);
        return CAUSE_LOAD_PATH_SHORT;
    case 4:
        ev->i1_after = 0;
        ev->lamp_after = NAN;
        return CAUSE_SWITCHED_OFF;
    default:
        ev->u1_least_before = 180 + 15 * uniform(d);
        return CAUSE_SUPPLY_LOW;
    }
}

/* One signal was not there. */
static void lose_one(struct evidence *ev, struct draw *d)
{
    switch ((int)(6 * uniform(d))) {
    case 0:
        ev->u1_before = ev->u1_after = ev->u1_least_before = NAN;
        break;
    case 1:
        ev->i1_before = ev->i1_after = NAN;
        break;
    case 2:
        ev->breaker_before = ev->breaker_after = NAN;
        break;
    case 3:
        ev->lamp_after = NAN;
        break;
    case 4:
        ev->u2_peak_after = NAN;
        break;
    default:
        ev->u1_line_after = NAN;
        break;
    }
}

START_TEST(no_wrong_cause_with_high_confidence)
{
    int matrix[CAUSE_COUNT_][CAUSE_COUNT_] = {{0}}, wrong_and_sure = 0, total = 0, named = 0;
    struct draw d = {.state = 20231114};
    for (int scene = 0; scene < SCENES; scene++)
        for (int seed = 0; seed < SEEDS; seed++) {
            struct evidence ev;
            struct shutoff s = {0};
            enum shutoff_cause truth = make_scene(scene, &d, &ev);
            lose_one(&ev, &d);
            evidence_weigh(&ev, &s);
            matrix[truth][s.cause]++;
            total++;
            named += s.cause == truth || s.second == truth;
            wrong_and_sure += s.cause != truth && s.confidence >= 0.85;
        }
    for (int t = 0; t < CAUSE_COUNT_; t++)
        for (int c = 0; c < CAUSE_COUNT_; c++)
            if (matrix[t][c] > 0)
                printf("%-16s seen as %-16s %3d\n", shutoff_cause_name((enum shutoff_cause)t),
                       shutoff_cause_name((enum shutoff_cause)c), matrix[t][c]);
    printf("%d scenarios, cause among the candidates in %d, wrong at high confidence in %d\n", total, named,
           wrong_and_sure);
    ck_assert_int_eq(total, SCENES * SEEDS);
    ck_assert_int_eq(wrong_and_sure, 0);
    ck_assert_int_ge(named * 100, total * 85);
}
END_TEST

/* Nothing measured but current and voltage: no cause is claimed. */
START_TEST(little_evidence_claims_little)
{
    struct draw d = {.state = 3};
    struct evidence ev = on_load(&d);
    struct shutoff s = {0};
    ev.u1_before = ev.u1_after = ev.u1_least_before = ev.u1_line_after = ev.i1_before = ev.i1_after = NAN;
    ev.breaker_before = ev.breaker_after = ev.lamp_after = NAN;
    evidence_weigh(&ev, &s);
    ck_assert_int_eq(s.cause, CAUSE_UNKNOWN);
    ck_assert_double_le(s.confidence, 0.5);
}
END_TEST

START_TEST(a_stopped_engine_is_told)
{
    struct draw d = {.state = 5};
    struct evidence ev = on_load(&d);
    struct shutoff s = {0};
    ev.u1_before = ev.u1_after = ev.u1_least_before = NAN;
    ev.rated_u1_v = NAN;
    ev.speed_before = 3000;
    ev.speed_after = 400;
    evidence_weigh(&ev, &s);
    ck_assert_int_eq(s.cause, CAUSE_ENGINE_STOPPED);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("engine evidence");
    TCase *t = tcase_create("evidence");
    tcase_add_test(t, no_wrong_cause_with_high_confidence);
    tcase_add_test(t, little_evidence_claims_little);
    tcase_add_test(t, a_stopped_engine_is_told);
    suite_add_tcase(s, t);
    return suite_run(s);
}
