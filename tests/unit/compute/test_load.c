/* Conventional load voltage and the choice of steps. */
#include <math.h>

#include "alloy.h"
#include "load_voltage.h"
#include "settable_load.h"
#include "step_choice.h"
#include "suite.h"

struct plate_pair {
    enum process process;
    double current_a, voltage_v;
};

/* Rating plate pairs in duty-cycle examples of three makers' manuals. */
static const struct plate_pair published[] = {
    {PROCESS_TIG, 200, 18.0}, {PROCESS_MMA, 80, 23.2}, {PROCESS_MMA, 170, 26.8}};

/* Points on the lines as quoted for IEC 60974-1, 11.2 by a welding handbook (mma, tig, mig below 600 A) and from memory
 * (plateaus, saw, plasma), worked out outside this program. */
static const struct plate_pair lines[] = {{PROCESS_MMA, 5, 20.2},           {PROCESS_MMA, 10, 20.4},
                                          {PROCESS_MMA, 40, 21.6},          {PROCESS_MMA, 100, 24},
                                          {PROCESS_MMA, 125, 25},           {PROCESS_MMA, 150, 26},
                                          {PROCESS_MMA, 160, 26.4},         {PROCESS_MMA, 200, 28},
                                          {PROCESS_MMA, 250, 30},           {PROCESS_MMA, 300, 32},
                                          {PROCESS_MMA, 400, 36},           {PROCESS_MMA, 500, 40},
                                          {PROCESS_MMA, 600, 44},           {PROCESS_MMA, 601, 44},
                                          {PROCESS_MMA, 800, 44},           {PROCESS_MMA, 1000, 44},
                                          {PROCESS_TIG, 3, 10.12},          {PROCESS_TIG, 5, 10.2},
                                          {PROCESS_TIG, 10, 10.4},          {PROCESS_TIG, 50, 12},
                                          {PROCESS_TIG, 100, 14},           {PROCESS_TIG, 150, 16},
                                          {PROCESS_TIG, 160, 16.4},         {PROCESS_TIG, 250, 20},
                                          {PROCESS_TIG, 300, 22},           {PROCESS_TIG, 400, 26},
                                          {PROCESS_TIG, 500, 30},           {PROCESS_TIG, 600, 34},
                                          {PROCESS_TIG, 601, 34},           {PROCESS_TIG, 1000, 34},
                                          {PROCESS_MIG, 15, 14.75},         {PROCESS_MIG, 20, 15},
                                          {PROCESS_MIG, 30, 15.5},          {PROCESS_MIG, 60, 17},
                                          {PROCESS_MIG, 100, 19},           {PROCESS_MIG, 150, 21.5},
                                          {PROCESS_MIG, 200, 24},           {PROCESS_MIG, 250, 26.5},
                                          {PROCESS_MIG, 300, 29},           {PROCESS_MIG, 350, 31.5},
                                          {PROCESS_MIG, 400, 34},           {PROCESS_MIG, 450, 36.5},
                                          {PROCESS_MIG, 500, 39},           {PROCESS_MIG, 600, 44},
                                          {PROCESS_MIG, 601, 44},           {PROCESS_MIG, 1000, 44},
                                          {PROCESS_SAW, 100, 24},           {PROCESS_SAW, 400, 36},
                                          {PROCESS_SAW, 600, 44},           {PROCESS_SAW, 800, 44},
                                          {PROCESS_SAW, 1000, 44},          {PROCESS_SAW, 1250, 44},
                                          {PROCESS_PLASMA_CUT, 20, 88},     {PROCESS_PLASMA_CUT, 40, 96},
                                          {PROCESS_PLASMA_CUT, 45, 98},     {PROCESS_PLASMA_CUT, 60, 104},
                                          {PROCESS_PLASMA_CUT, 65, 106},    {PROCESS_PLASMA_CUT, 85, 114},
                                          {PROCESS_PLASMA_CUT, 100, 120},   {PROCESS_PLASMA_CUT, 105, 122},
                                          {PROCESS_PLASMA_CUT, 125, 130},   {PROCESS_PLASMA_CUT, 130, 132},
                                          {PROCESS_PLASMA_CUT, 165, 146},   {PROCESS_PLASMA_CUT, 165.1, 146.51},
                                          {PROCESS_PLASMA_CUT, 200, 150},   {PROCESS_PLASMA_CUT, 300, 160},
                                          {PROCESS_PLASMA_CUT, 400, 170},   {PROCESS_PLASMA_CUT, 500, 180},
                                          {PROCESS_PLASMA_CUT, 501, 180},   {PROCESS_PLASMA_CUT, 800, 180},
                                          {PROCESS_PLASMA_WELD, 5, 25.2},   {PROCESS_PLASMA_WELD, 50, 27},
                                          {PROCESS_PLASMA_WELD, 100, 29},   {PROCESS_PLASMA_WELD, 300, 37},
                                          {PROCESS_PLASMA_WELD, 600, 49},   {PROCESS_PLASMA_WELD, 601, 49},
                                          {PROCESS_PLASMA_GOUGE, 30, 112},  {PROCESS_PLASMA_GOUGE, 60, 124},
                                          {PROCESS_PLASMA_GOUGE, 100, 140}, {PROCESS_PLASMA_GOUGE, 200, 180},
                                          {PROCESS_PLASMA_GOUGE, 300, 220}, {PROCESS_PLASMA_GOUGE, 301, 220}};

static void check_pairs(const struct plate_pair *pairs, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double u = 0;
        struct error err;
        ck_assert_int_eq(load_voltage(pairs[i].process, pairs[i].current_a, &u, &err), 0);
        ck_assert_double_eq_tol(u, pairs[i].voltage_v, 1e-9);
    }
}

START_TEST(load_voltage_fits_plates)
{
    check_pairs(published, sizeof published / sizeof published[0]);
    check_pairs(lines, sizeof lines / sizeof lines[0]);
}
END_TEST

START_TEST(what_is_from_memory_says_so)
{
    struct load_point p;
    struct error err;
    ck_assert_int_eq(load_point_find(PROCESS_TIG, 160, NAN, &p, &err), 0);
    ck_assert(!p.from_memory);
    ck_assert_double_eq_tol(p.resistance_ohm, 16.4 / 160, 1e-12);
    ck_assert_double_eq_tol(p.power_w, 2624, 1e-9);
    ck_assert_int_eq(load_point_find(PROCESS_TIG, 700, NAN, &p, &err), 0);
    ck_assert(p.from_memory);
    ck_assert_int_eq(load_point_find(PROCESS_PLASMA_CUT, 60, NAN, &p, &err), 0);
    ck_assert(p.from_memory);
    /* the plate's own load voltage wins over the rule */
    ck_assert_int_eq(load_point_find(PROCESS_PLASMA_CUT, 60, 120, &p, &err), 0);
    ck_assert(!p.from_memory && p.from_plate);
    ck_assert_double_eq_tol(p.resistance_ohm, 2, 1e-12);
}
END_TEST

START_TEST(bad_load_points_are_refused)
{
    struct load_point p;
    const double bad[] = {0, -160, NAN, INFINITY, -INFINITY};
    for (int i = 0; i < 5; i++) {
        struct error err = {""};
        ck_assert_int_eq(load_point_find(PROCESS_TIG, bad[i], NAN, &p, &err), -1);
        ck_assert_str_ne(err.text, "");
    }
    struct error err = {""};
    ck_assert_int_eq(load_point_find(PROCESS_COUNT_, 100, NAN, &p, &err), -1);
    ck_assert_str_ne(err.text, "");
    ck_assert_int_eq(load_point_find(PROCESS_TIG, 100, -3, &p, &err), -1);
    ck_assert_int_eq(load_point_find(PROCESS_TIG, 100, INFINITY, &p, &err), -1);
}
END_TEST

/* A bank as shops build them: 0.16 to 2.56 ohm (common practice, no published source). */
static const struct bench_step bank[5] = {{0.16, 12000}, {0.32, 6000}, {0.64, 3000}, {1.28, 1500}, {2.56, 760}};

static struct step_wish wish_for(const struct bench_step *steps, int count, double ohm, double volt)
{
    return (struct step_wish){.steps = steps,
                              .step_count = count,
                              .usable_mask = (1u << count) - 1u,
                              .target_conductance_s = 1 / ohm,
                              .voltage_v = volt,
                              .temperature_factor = 1,
                              .step_load_pct = 100};
}

START_TEST(steps_of_a_usual_bank)
{
    struct step_choice c;
    struct error err;
    /* 160 A TIG: 16.4 V, 0.1025 ohm; the finest step is about 4 % there, so the best is within 2 % or so */
    struct step_wish w = wish_for(bank, 5, 0.1025, 16.4);
    ck_assert_int_eq(step_choose(&w, &c, &err), 0);
    ck_assert(fabs(c.error_pct) < 2.5);
    ck_assert_double_eq_tol(step_conductance(bank, 5, c.mask, 1, 0), c.conductance_s, 1e-12);
    /* all closed: 0.083 ohm */
    ck_assert_double_eq_tol(1 / step_conductance(bank, 5, 0x1f, 1, 0), 0.0826, 1e-4);
}
END_TEST

/* The same question by the slow way: every mask, every step. */
static int by_hand(const struct step_wish *w, uint32_t must, double *least)
{
    int found = 0;
    *least = INFINITY;
    for (uint32_t m = 1; m < 1u << w->step_count; m++) {
        if ((m & must) != must || (m & ~w->usable_mask) != 0)
            continue;
        double g = 0;
        for (int i = 0; i < w->step_count; i++)
            g += (m >> i & 1) != 0 ? 1 / (w->steps[i].resistance_ohm * w->temperature_factor) : 0;
        double seen = 1 / (1 / g + w->lead_resistance_ohm), u = w->voltage_v * (seen / g);
        int bears = w->max_power_w <= 0 || u * u * g <= w->max_power_w;
        for (int i = 0; i < w->step_count; i++) {
            double r = w->steps[i].resistance_ohm * fmin(1, w->temperature_factor);
            if ((m >> i & 1) != 0 && u * u / r > w->steps[i].power_w * w->step_load_pct / 100)
                bears = 0;
        }
        if (bears) {
            found = 1;
            *least = fmin(*least, fabs(seen - w->target_conductance_s));
        }
    }
    return found;
}

START_TEST(choice_is_the_best_there_is)
{
    unsigned long long seed = 20260101;
    int refused = 0;
    for (int round = 0; round < 400; round++) {
        struct bench_step steps[STEPS_MAX];
        int count = 1 + (int)(random_share(&seed) * 10);
        for (int i = 0; i < count; i++)
            steps[i] = (struct bench_step){0.05 + 3 * random_share(&seed), 200 + 9000 * random_share(&seed)};
        struct step_wish w = wish_for(steps, count, 0.03 + 0.5 * random_share(&seed), 10 + 34 * random_share(&seed));
        w.temperature_factor = 0.97 + 0.15 * random_share(&seed);
        w.lead_resistance_ohm = round % 2 == 0 ? 0 : 0.02 * random_share(&seed);
        w.max_power_w = round % 3 == 0 ? 4000 : 0;
        w.usable_mask &= ~(uint32_t)(random_share(&seed) * 8);
        w.present_mask = (uint32_t)(random_share(&seed) * 64) & w.usable_mask;
        w.close_only = round % 4 == 0;
        struct step_choice c;
        struct error err;
        double least;
        int any = by_hand(&w, w.close_only ? w.present_mask : 0, &least);
        int status = step_choose(&w, &c, &err);
        ck_assert_int_eq(status, any ? 0 : -1);
        refused += !any;
        if (status != 0)
            continue;
        ck_assert_double_eq_tol(fabs(c.conductance_s - w.target_conductance_s), least, 1e-9 * w.target_conductance_s);
        ck_assert_double_le(c.worst_step_pct, w.step_load_pct + 1e-6);
        if (w.close_only)
            ck_assert_uint_eq(c.mask & w.present_mask, w.present_mask);
    }
    ck_assert_int_gt(refused, 0);
    ck_assert_int_lt(refused, 200);
}
END_TEST

START_TEST(equals_are_settled_by_fewest_movements)
{
    /* two pairs of equal steps: keep the one that is closed */
    const struct bench_step twins[4] = {{1, 1000}, {1, 1000}, {2, 1000}, {2, 1000}};
    struct step_wish w = wish_for(twins, 4, 1, 10);
    struct step_choice c;
    struct error err;
    w.present_mask = 0x2;
    ck_assert_int_eq(step_choose(&w, &c, &err), 0);
    ck_assert_uint_eq(c.mask, 0x2);
    ck_assert_int_eq(c.movements, 0);
    w.present_mask = 0xc;
    ck_assert_int_eq(step_choose(&w, &c, &err), 0);
    ck_assert_uint_eq(c.mask, 0xc);
    /* a small drift is not worth a contactor: within the tie the present combination stays */
    const struct bench_step fine[3] = {{1, 1000}, {1.01, 1000}, {50, 1000}};
    w = wish_for(fine, 3, 1, 10);
    w.present_mask = 0x2;
    w.tie_pct = 1.5;
    ck_assert_int_eq(step_choose(&w, &c, &err), 0);
    ck_assert_uint_eq(c.mask, 0x2);
    ck_assert_double_eq_tol(c.best_error_pct, 0, 1e-9);
    w.tie_pct = 0;
    ck_assert_int_eq(step_choose(&w, &c, &err), 0);
    ck_assert_uint_eq(c.mask, 0x1);
}
END_TEST

START_TEST(hot_elements_and_leads_count)
{
    /* NiCr 80/20 at 500 degC: factor 1.026 (an alloy maker's table of resistance over temperature) */
    struct step_choice cold, hot;
    struct error err;
    struct step_wish w = wish_for(bank, 5, 0.12, 18);
    ck_assert_int_eq(step_choose(&w, &cold, &err), 0);
    w.temperature_factor = 1.026;
    w.usable_mask = cold.mask;
    w.present_mask = cold.mask;
    w.close_only = true;
    ck_assert_int_eq(step_choose(&w, &hot, &err), 0);
    ck_assert_double_eq_tol(hot.conductance_s, cold.conductance_s / 1.026, 1e-9);
    /* 2 x 5 m of 50 mm2, EN 60228 class 6: 0.386 ohm/km, so 3.86 mohm */
    w = wish_for(bank, 5, 0.16 + 0.00386, 18);
    w.lead_resistance_ohm = 0.00386;
    ck_assert_int_eq(step_choose(&w, &cold, &err), 0);
    ck_assert_uint_eq(cold.mask, 1);
    ck_assert_double_eq_tol(cold.error_pct, 0, 1e-9);
}
END_TEST

START_TEST(alloys_of_a_maker)
{
    /* an alloy maker's table: resistance at 100, 500 and 1000 degC over that at 20 degC */
    static const struct {
        const char *name;
        double at_100, at_500, at_1000;
    } alloys[] = {{"nicr-80-20", 1.006, 1.026, 1.014},
                  {"nicr-60-15", 1.011, 1.064, 1.095},
                  {"fecral-25-5", 1.002, 1.021, 1.044},
                  {"fecral-27-7-mo2", 0.992, 0.976, 0.968}};
    struct error err;
    double f = 0;
    for (int i = 0; i < 4; i++) {
        ck_assert_int_eq(alloy_factor(alloys[i].name, 20, &f, &err), 0);
        ck_assert_double_eq_tol(f, 1, 1e-12);
        ck_assert_int_eq(alloy_factor(alloys[i].name, 100, &f, &err), 0);
        ck_assert_double_eq_tol(f, alloys[i].at_100, 1e-12);
        ck_assert_int_eq(alloy_factor(alloys[i].name, 500, &f, &err), 0);
        ck_assert_double_eq_tol(f, alloys[i].at_500, 1e-12);
        ck_assert_int_eq(alloy_factor(alloys[i].name, 1000, &f, &err), 0);
        ck_assert_double_eq_tol(f, alloys[i].at_1000, 1e-12);
    }
    /* another handbook: NiCr 79/21 from 1.075 to 1.083 micro-ohm m over 20 to 100 degC; sources differ by 0.3 % */
    ck_assert_int_eq(alloy_factor("nicr-80-20", 100, &f, &err), 0);
    ck_assert_double_eq_tol(f, 1.083 / 1.075, 0.003);
    ck_assert_int_eq(alloy_factor("nicr-80-20", 1300, &f, &err), -1);
    ck_assert_int_eq(alloy_factor("nicr-80-20", NAN, &f, &err), -1);
    ck_assert_int_eq(alloy_factor("tin", 100, &f, &err), -1);
}
END_TEST

START_TEST(bad_wishes_are_refused)
{
    struct step_choice c;
    struct step_wish good = wish_for(bank, 5, 0.1, 16), w;
    struct error err;
    ck_assert_int_eq(step_choose(&good, &c, &err), 0);
#define REFUSED(change)                                  \
    do {                                                 \
        err.text[0] = 0;                                 \
        w = good;                                        \
        change;                                          \
        ck_assert_int_eq(step_choose(&w, &c, &err), -1); \
        ck_assert_str_ne(err.text, "");                  \
    } while (0)
    REFUSED(w.target_conductance_s = 0);
    REFUSED(w.target_conductance_s = NAN);
    REFUSED(w.voltage_v = -1);
    REFUSED(w.voltage_v = INFINITY);
    REFUSED(w.step_count = 0);
    REFUSED(w.step_count = 17);
    REFUSED(w.usable_mask = 0);
    REFUSED(w.usable_mask = 0x20);
    REFUSED(w.temperature_factor = 0);
    REFUSED(w.lead_resistance_ohm = NAN);
    REFUSED(w.max_power_w = 0.5);
    REFUSED(w.voltage_v = 1000);
    REFUSED(w.present_mask = 3; w.usable_mask = 2; w.close_only = true);
}
END_TEST

/* The largest bank there can be; what its choice costs is printed by tests/speed/steps. */
START_TEST(sixteen_steps_are_searched_to_the_end)
{
    struct bench_step steps[16];
    for (int i = 0; i < 16; i++)
        steps[i] = (struct bench_step){0.1 * (1 + i), 5000};
    struct step_wish w = wish_for(steps, 16, 0.07, 20);
    struct step_choice c;
    struct error err;
    double least;
    ck_assert_int_eq(by_hand(&w, 0, &least), 1);
    ck_assert_int_eq(step_choose(&w, &c, &err), 0);
    ck_assert_double_eq_tol(fabs(c.conductance_s - w.target_conductance_s), least, 1e-9 * w.target_conductance_s);
}
END_TEST

START_TEST(settable_loads)
{
    struct step_choice c;
    struct error err;
    double set = 0;
    struct bench_load ohms = {
        .kind = LOAD_SETTABLE_RESISTANCE, .min_resistance_ohm = 0.05, .max_resistance_ohm = 20, .max_power_w = 4000};
    struct settable_wish w = {.load = &ohms,
                              .target_conductance_s = 160 / 16.4, /* U2 = 10 + 0.04 I2 (IEC 60974-1, TIG) */
                              .lead_resistance_ohm = 0.0039,
                              .current_a = 160,
                              .voltage_v = 16.4};
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), 0);
    ck_assert_double_eq_tol(set, 0.1025 - 0.0039, 1e-12);
    ck_assert_double_eq_tol(c.resistance_ohm, 0.1025, 1e-12);
    ck_assert_double_eq_tol(c.power_w, 160.0 * 160 * 0.0986, 1e-6); /* I2 R of what is in the load */
    w.present = 0.0990;                                             /* near enough: left alone */
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), 0);
    ck_assert_double_eq(set, 0.0990);
    w.present = 0.1010;
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), 0);
    ck_assert_double_eq_tol(set, 0.0986, 1e-12);
    ohms.min_resistance_ohm = 0.0987; /* out of its range by a tenth of a milliohm */
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), -1);
    ohms.min_resistance_ohm = 0.05;
    ohms.max_power_w = 2500;
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), -1);
    struct bench_load amps = {.kind = LOAD_SETTABLE_CURRENT, .max_current_a = 199, .max_power_w = 6000};
    w = (struct settable_wish){.load = &amps, .target_conductance_s = 200 / 24.0, .current_a = 200, .voltage_v = 24};
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), -1);
    amps.max_current_a = 200;
    ck_assert_int_eq(settable_choose(&w, &c, &set, &err), 0);
    ck_assert_double_eq(set, 200);
    ck_assert_double_eq(c.power_w, 4800);
    /* Common practice, no published source: two sources of current against each other settle nowhere. */
    ck_assert(!settable_fits(LOAD_SETTABLE_CURRENT, PROCESS_TIG));
    ck_assert(!settable_fits(LOAD_SETTABLE_CURRENT, PROCESS_MMA));
    ck_assert(settable_fits(LOAD_SETTABLE_CURRENT, PROCESS_MIG));
    ck_assert(settable_fits(LOAD_SETTABLE_RESISTANCE, PROCESS_TIG));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("load");
    tcase_add_test(t, load_voltage_fits_plates);
    tcase_add_test(t, what_is_from_memory_says_so);
    tcase_add_test(t, bad_load_points_are_refused);
    tcase_add_test(t, steps_of_a_usual_bank);
    tcase_add_test(t, choice_is_the_best_there_is);
    tcase_add_test(t, equals_are_settled_by_fewest_movements);
    tcase_add_test(t, hot_elements_and_leads_count);
    tcase_add_test(t, alloys_of_a_maker);
    tcase_add_test(t, bad_wishes_are_refused);
    tcase_add_test(t, settable_loads);
    tcase_add_test(t, sixteen_steps_are_searched_to_the_end);
    return suite_main(t);
}
