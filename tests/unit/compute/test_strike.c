/* The moves of a strike: which steps, whether the circuit stays closed in between, and what is refused. Resistances are
 * worked out here by hand, from Ohm's law. */
#include <math.h>
#include <string.h>

#include "strike_plan.h"
#include "suite.h"

#define SECOND INT64_C(1000000000)

/* The usual bank: 0.16, 0.32, 0.64, 1.28, 2.56 ohm, each rated for 44 V. */
static struct bench_load usual_bank(void)
{
    struct bench_load l = {.kind = LOAD_STEPPED,
                           .step_count = 5,
                           .breaks_dc_v = 113,
                           .breaks_a = 300,
                           .travel_ns = SECOND / 10,
                           .strike = {.fitted = true,
                                      .low = {.resistance_ohm = 0.09, .for_ns = SECOND},
                                      .high = {.resistance_ohm = 0.7, .for_ns = SECOND / 2},
                                      .attempts = 3,
                                      .overload_pct = 400}};
    for (int i = 0; i < 5; i++)
        l.steps[i] = (struct bench_step){0.16 * (1 << i), 44 * 44 / (0.16 * (1 << i))};
    return l;
}

/* TIG 160 A: 0.16, 0.32 and 1.28 ohm in parallel are 0.0985 ohm. */
static struct strike_wish wish_on(const struct bench_load *l)
{
    return (struct strike_wish){.load = l,
                                .final_mask = 0x0b,
                                .lead_ohm = 0.004,
                                .temperature_factor = 1,
                                .current_a = 160,
                                .u0_v = 72,
                                .triggered = true};
}

static void refused(const struct bench_load *l, const struct strike_wish *w, const char *words)
{
    struct strike_plan plan;
    struct error err = {{0}};
    (void)l;
    ck_assert_int_eq(strike_plan_make(w, &plan, &err), -1);
    ck_assert_msg(strstr(err.text, words) != NULL, "\"%s\" instead of \"%s\"", err.text, words);
}

START_TEST(low_then_high_then_the_points_own)
{
    struct bench_load l = usual_bank();
    struct strike_wish w = wish_on(&l);
    struct strike_plan p;
    struct error err;
    ck_assert_int_eq(strike_plan_make(&w, &p, &err), 0);
    ck_assert_int_eq(p.count, 3);
    ck_assert_uint_eq(p.moves[0].mask, 0x0f); /* 0.0853 and the leads: as near to 0.09 as it goes from below */
    ck_assert_uint_eq(p.moves[1].mask, 0x08); /* 1.28: of the point's steps alone, none lower is above 0.7 */
    ck_assert_uint_eq(p.moves[2].mask, 0x0b);
    ck_assert_double_eq_tol(p.moves[1].ohm, 1.284, 1e-9);
    ck_assert(!p.moves[0].opens && p.moves[1].opens && !p.moves[2].opens);
    ck_assert_int_eq(strike_plan_ns(&p, &l), SECOND * 3 / 2 + 3 * l.travel_ns);
}
END_TEST

/* For every point that the bank can make: what follows a move lies within it or only closes, never both ways. */
START_TEST(the_circuit_is_never_opened_in_between)
{
    struct bench_load l = usual_bank();
    struct strike_wish w = wish_on(&l);
    struct error err;
    int planned = 0;
    l.strike.overload_pct = 1000;
    for (w.final_mask = 1; w.final_mask < 32; w.final_mask++) {
        struct strike_plan p;
        if (strike_plan_make(&w, &p, &err) != 0)
            continue;
        planned++;
        for (int i = 1; i < p.count; i++) {
            ck_assert_uint_ne(p.moves[i - 1].mask & p.moves[i].mask, 0);
            ck_assert_uint_ne(p.moves[i].mask, 0);
            bool closes = (p.moves[i].mask & ~p.moves[i - 1].mask) != 0;
            ck_assert(!(closes && p.moves[i].opens));
        }
        ck_assert_double_ge(p.moves[p.count - 2].ohm * 1.02, 0.7);
    }
    ck_assert_int_ge(planned, 15);
}
END_TEST

START_TEST(one_moment_alone)
{
    struct bench_load l = usual_bank();
    struct strike_wish w = wish_on(&l);
    struct strike_plan p;
    struct error err;
    l.strike.low.for_ns = 0;
    l.breaks_dc_v = l.breaks_a = 0; /* nothing opens: contactors that may break nothing will do */
    ck_assert_int_eq(strike_plan_make(&w, &p, &err), 0);
    ck_assert_int_eq(p.count, 2);
    ck_assert(!p.moves[1].opens);
    l = usual_bank();
    l.strike.high.for_ns = 0;
    ck_assert_int_eq(strike_plan_make(&w, &p, &err), 0);
    ck_assert_int_eq(p.count, 2);
    ck_assert_uint_eq(p.moves[0].mask & w.final_mask, w.final_mask);
    ck_assert(p.moves[1].opens);
}
END_TEST

START_TEST(what_cannot_be_is_refused)
{
    struct bench_load l = usual_bank();
    struct strike_wish w = wish_on(&l);
    w.current_a = 301; /* more than the contactors may break */
    refused(&l, &w, "opens steps while current flows");
    w = wish_on(&l);
    w.u0_v = 114; /* and at a higher voltage */
    refused(&l, &w, "opens steps while current flows");
    l.strike.released = true;
    w = wish_on(&l);
    w.triggered = false;
    refused(&l, &w, "torch switch");
    l = usual_bank();
    l.strike.overload_pct = 100; /* 72 V at 1.28 ohm are 4.05 kW of 1.5 kW */
    refused(&l, &w, "of its rating");
    l = usual_bank();
    l.strike.high.resistance_ohm = 5;
    refused(&l, &w, "no steps among those of this point");
    l = usual_bank();
    l.strike.low.resistance_ohm = 0.05;
    refused(&l, &w, "no steps beside those that stay closed");
    l = usual_bank();
    l.strike.high.mask = 0x04; /* 0.64 ohm is not one of the point's */
    refused(&l, &w, "some of this point's steps");
    l = usual_bank();
    l.strike.low.mask = 0x07;
    refused(&l, &w, "broken in between");
    l = usual_bank();
    l.kind = LOAD_SETTABLE_CURRENT;
    refused(&l, &w, "set to a current");
    l = usual_bank();
    l.strike.fitted = false;
    refused(&l, &w, "no strike");
}
END_TEST

START_TEST(a_load_that_is_set_to_a_resistance)
{
    struct bench_load l = usual_bank();
    struct strike_plan p;
    struct error err;
    l.kind = LOAD_SETTABLE_RESISTANCE;
    l.step_count = 0;
    l.min_resistance_ohm = 0.05;
    l.max_resistance_ohm = 20;
    l.max_power_w = 12000;
    l.breaks_dc_v = l.breaks_a = 0; /* it has no contactors to open */
    struct strike_wish w = wish_on(&l);
    w.final_mask = 1;
    w.final_setting = 0.0985;
    ck_assert_int_eq(strike_plan_make(&w, &p, &err), 0);
    ck_assert_int_eq(p.count, 3);
    ck_assert_double_eq_tol(p.moves[0].setting, 0.086, 1e-9);
    ck_assert_double_eq_tol(p.moves[1].setting, 0.696, 1e-9);
    ck_assert_double_eq(p.moves[2].setting, 0.0985);
    for (int i = 0; i < 3; i++)
        ck_assert(!p.moves[i].opens);
    l.strike.high.resistance_ohm = 21;
    refused(&l, &w, "cannot be set");
    l.strike.high.resistance_ohm = 0.7;
    l.max_power_w = 7000; /* 72 V at 0.7 ohm: 7.4 kW, and an electronic load bears no overload */
    refused(&l, &w, "its limit is 7000 W");
}
END_TEST

START_TEST(whose_turn_it_is)
{
    struct bench_load l = usual_bank();
    struct run_request q = {0};
    ck_assert(!strike_is_wanted(&l, &q));
    q.strike = STRIKE_USED;
    ck_assert(strike_is_wanted(&l, &q));
    q.strike = STRIKE_BY_UNIT;
    q.point.strike = true;
    ck_assert(strike_is_wanted(&l, &q));
    q.strike = STRIKE_LEFT_OUT;
    ck_assert(!strike_is_wanted(&l, &q));
    q.strike = STRIKE_USED;
    l.strike.fitted = false;
    ck_assert(!strike_is_wanted(&l, &q));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("strike");
    tcase_add_test(t, low_then_high_then_the_points_own);
    tcase_add_test(t, the_circuit_is_never_opened_in_between);
    tcase_add_test(t, one_moment_alone);
    tcase_add_test(t, what_cannot_be_is_refused);
    tcase_add_test(t, a_load_that_is_set_to_a_resistance);
    tcase_add_test(t, whose_turn_it_is);
    return suite_main(t);
}
