/* soakbench calc, run as people run it, against published figures. */
#include <check.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "run_client.h"
#include "suite_run.h"

struct load_case {
    const char *words;
    double voltage_v;
};

/* Conventional load voltages: the three lines of a welding handbook's page on power sources, ascribed there to IEC 974
 * (mma 20 + 0.04 I, tig 10 + 0.04 I, mig 14 + 0.05 I), and plate points of three makers' manuals (tig 200 A 18.0 V, mma
 * 80 A 23.2 V, mma 170 A 26.8 V). Plateau at 44 V and plasma cutting 80 + 0.4 I: from memory. */
static const struct load_case load_cases[] = {
    {"--process tig --current '200 A'", 18.0},        {"--process mma --current '80 A'", 23.2},
    {"--process mma --current '170 A'", 26.8},        {"--process mig --current '200 A'", 24.0},
    {"--process GTAW --current '160 A'", 16.4},       {"--process mma --current '700 A'", 44.0},
    {"--process plasma-cut --current '100 A'", 120.0}};

START_TEST(test_load)
{
    char words[200];
    snprintf(words, sizeof words, "calc load %s", load_cases[_i].words);
    json_t *object = client_json(words, 0);
    ck_assert_double_eq_tol(figure(object, "load_voltage_v"), load_cases[_i].voltage_v, 1e-9);
    double i = figure(object, "current_a"), u = figure(object, "load_voltage_v");
    ck_assert_double_eq_tol(figure(object, "resistance_ohm"), u / i, 1e-9);
    ck_assert_double_eq_tol(figure(object, "power_w"), u * i, 1e-6);
    json_decref(object);
}
END_TEST

/* I1eff = sqrt(I1^2 X + I0^2 (1 - X)): GOST R IEC 60974-1-2012, 3.33. 30 A, 2 A, 35 % gives 17.821336 A. */
START_TEST(test_supply)
{
    json_t *object = client_json("calc supply --i1 '30 A' --i0 '2 A' --percent-on 35", 0);
    ck_assert_double_eq_tol(figure(object, "i1_eff_a"), 17.821336, 1e-6);
    json_decref(object);
    object = client_json("calc supply --i1 '30 A' --i0 '2 A' --percent-on '35 %'", 0);
    ck_assert_double_eq_tol(figure(object, "i1_eff_a"), 17.821336, 1e-6);
    json_decref(object);
}
END_TEST

/* Common practice, no published source: a 20 A breaker that feeds a 115 V unit at 125 A TIG (15 V, 1875 W) trips after
 * three and a half to four minutes. Assumed: efficiency 0.8, power factor 0.65. */
START_TEST(test_breaker_band_contains_what_the_trade_knows)
{
    json_t *object = client_json("calc supply --output '1875 W' --efficiency 0.8 --power-factor 0.65 --supply '115 V' "
                                 "--percent-on 100 --breaker '20 A' --standard ul-489 --cycles 60",
                                 0);
    ck_assert_double_eq_tol(figure(object, "i1_a"), 31.35, 0.02);
    ck_assert_double_le(figure(object, "trip_min_s"), 210.0);
    ck_assert_double_ge(figure(object, "trip_max_s"), 240.0);
    json_decref(object);
}
END_TEST

/* ITS-90 tables (NIST Monograph 175): type K 1000 degC 41.276 mV, 25 degC 1.000 mV; type J 500 degC 27.393 mV; type T
 * 100 degC 4.279 mV; type S 1000 degC 9.587 mV. The tables are rounded to 0.001 mV. */
START_TEST(test_thermocouples)
{
    static const struct {
        const char *type;
        double degc, mv, k_per_mv;
    } rows[] = {{"K", 1000, 41.276, 26},
                {"K", 25, 1.000, 26},
                {"J", 500, 27.393, 19},
                {"T", 100, 4.279, 23},
                {"S", 1000, 9.587, 90}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char words[160];
        snprintf(words, sizeof words, "calc sensor --type %s --temperature-degc %g", rows[i].type, rows[i].degc);
        json_t *object = client_json(words, 0);
        ck_assert_double_eq_tol(figure(object, "emf_mv"), rows[i].mv, 0.00051);
        json_decref(object);
        snprintf(words, sizeof words, "calc sensor --type %s --emf-mv %g", rows[i].type, rows[i].mv);
        object = client_json(words, 0);
        ck_assert_double_eq_tol(figure(object, "temperature_degc"), rows[i].degc, 0.00051 * rows[i].k_per_mv);
        json_decref(object);
    }
    /* Cold junction in mV: what a K couple at 1000 degC gives over a junction at 25 degC. */
    json_t *object = client_json("calc sensor --type K --emf-mv 40.276 --cold-junction-degc 25", 0);
    ck_assert_double_eq_tol(figure(object, "temperature_degc"), 1000.0, 0.03);
    json_decref(object);
}
END_TEST

/* IEC 60751: Pt100 at 100 degC 138.51 ohm, at 0 degC 100.00, at -200 degC 18.52, at 850 degC 390.48 (two decimals). */
START_TEST(test_platinum)
{
    static const double rows[][2] = {{0, 100.00}, {100, 138.51}, {-200, 18.52}, {850, 390.48}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char words[160];
        snprintf(words, sizeof words, "calc sensor --type pt100 --temperature-degc %g", rows[i][0]);
        json_t *object = client_json(words, 0);
        ck_assert_double_eq_tol(figure(object, "resistance_ohm"), rows[i][1], 0.0051);
        json_decref(object);
    }
    json_t *object = client_json("calc sensor --type pt100 --resistance-ohm 138.51", 0);
    ck_assert_double_eq_tol(figure(object, "temperature_degc"), 100.0, 0.02);
    json_decref(object);
}
END_TEST

/* Square law: 400 A at 25 % is 282.8 A at 50 % (a maker's manual); common practice: a lead of 150 A at 60 % is far over
 * its rating at 200 A continuous. */
START_TEST(test_lead)
{
    json_t *object = client_json("calc lead --current '400 A' --percent-on 25 --at-percent-on 50", 0);
    ck_assert_double_eq_tol(figure(object, "equivalent_current_a"), 282.8, 0.05);
    json_decref(object);
    object = client_json("calc lead --current '200 A' --percent-on 60 --at-percent-on 100", 0);
    ck_assert_double_eq_tol(figure(object, "equivalent_current_a"), 200.0 * sqrt(0.6), 1e-9);
    json_decref(object);
    object = client_json("calc lead --current '282.8 A' --percent-on 50 --at-current '400 A'", 0);
    ck_assert_double_eq_tol(figure(object, "equivalent_percent_on"), 25.0, 0.01);
    json_decref(object);
    object = client_json("calc lead --current '200 A' --percent-on 100 --at-percent-on 60 --rated-current '150 A' "
                         "--rated-percent-on 60",
                         0);
    ck_assert_double_gt(figure(object, "loading_pct"), 150.0);
    json_decref(object);
}
END_TEST

/* ILAC-G8:09/2019, 4.2: guard band w = U for a lower limit; false acceptance at the acceptance limit 2.3 % (U = 2u).
 * At the limit itself it is 50 %. */
START_TEST(test_decision)
{
    json_t *object = client_json("calc decision --measured 36.2 --expanded-uncertainty 0.8 --at-least 35", 0);
    ck_assert_str_eq(json_string_value(json_object_get(object, "verdict")), "met");
    json_decref(object);
    object = client_json("calc decision --measured 35.8 --expanded-uncertainty 0.8 --at-least 35", 0);
    ck_assert_double_eq_tol(figure(object, "false_met_probability"), 0.02275, 1e-5);
    json_decref(object);
    object = client_json("calc decision --measured 35 --expanded-uncertainty 0.8 --at-least 35", 4);
    ck_assert_str_eq(json_string_value(json_object_get(object, "verdict")), "undecided");
    ck_assert_double_eq_tol(figure(object, "false_met_probability"), 0.5, 1e-12);
    json_decref(object);
    object = client_json("calc decision --measured 33 --expanded-uncertainty 0.8 --at-least 35", 3);
    ck_assert_str_eq(json_string_value(json_object_get(object, "verdict")), "not-met");
    json_decref(object);
    /* One limit, no guard band, measured as well as the units spread: both risks are 1/8, since the angle between the
     * two directions is 45 degrees (orthant probability of two normal variables, 1/4 + asin(rho)/(2 pi), rho^2 = 1/2).
     */
    object = client_json("calc decision --measured 35 --expanded-uncertainty 2 --at-least 35 --guard 0 --fleet-mean 35 "
                         "--fleet-sd 1",
                         0);
    ck_assert_double_eq_tol(figure(object, "global_consumer_risk"), 0.125, 1e-9);
    ck_assert_double_eq_tol(figure(object, "global_producer_risk"), 0.125, 1e-9);
    ck_assert_double_eq_tol(figure(object, "fleet_met_share"), 0.5, 1e-9);
    ck_assert_double_eq_tol(figure(object, "false_met_share"), 0.25, 1e-9);
    json_decref(object);
}
END_TEST

/* Also where the words are wrong, --json is answered in JSON. */
START_TEST(test_wrong_words_in_json)
{
    json_t *object = client_json("calc sensor --type K --emf-mv nan", 2);
    ck_assert_ptr_nonnull(strstr(json_string_value(json_object_get(json_object_get(object, "error"), "what")), "nan"));
    json_decref(object);
}
END_TEST

static const char *write_file(const char *name, const char *text)
{
    FILE *f = fopen(name, "w");
    ck_assert_ptr_nonnull(f);
    fputs(text, f);
    fclose(f);
    return name;
}

/* 35 % of ten minutes is 3.5 min (common practice, by definition of percent-on). */
START_TEST(test_cycle)
{
    char path[] = "/tmp/cycle-XXXXXX", words[200];
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    FILE *f = fdopen(fd, "w");
    ck_assert_ptr_nonnull(f);
    fputs("time_s,current_a,load_voltage_v\n", f);
    for (int i = 0; i <= 2500; i++) { /* two readings a second, two whole cycles and a bit of pause */
        double t = i / 2.0;
        fprintf(f, "%g,%g,%g\n", t, fmod(t, 600) < 210 && t < 1200 ? 160.0 : 0.0,
                fmod(t, 600) < 210 && t < 1200 ? 16.4 : 0.0);
    }
    fclose(f);
    snprintf(words, sizeof words, "calc cycle %s --current '160 A' --process tig --expanded-uncertainty '2 A'", path);
    json_t *object = client_json(words, 0);
    ck_assert_double_eq_tol(figure(object, "on_load_s"), 420.0, 1.0);
    ck_assert_double_eq_tol(figure(object, "percent_on"), 35.0, 0.1);
    ck_assert_double_le(figure(object, "on_load_low_s"), figure(object, "on_load_s"));
    ck_assert_double_ge(figure(object, "on_load_high_s"), figure(object, "on_load_s"));
    ck_assert_double_eq_tol(figure(object, "in_band_s"), 414.0, 2.0); /* start transients of 3 s kept out */
    ck_assert_double_eq_tol(figure(object, "percent_on_most"), 35.0, 0.2);
    ck_assert_uint_eq(json_array_size(json_object_get(object, "cycles")), 3);
    json_decref(object);
    unlink(path);
}
END_TEST

/* One body with a known time constant comes back out of its own record. */
START_TEST(test_heat)
{
    char path[] = "/tmp/heat-XXXXXX", words[200];
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    FILE *f = fdopen(fd, "w");
    ck_assert_ptr_nonnull(f);
    fputs("time_s,temperature_degc,on\n", f);
    double rise = 0.0;
    unsigned seed = 7;
    for (int i = 0; i < 720; i++) { /* two hours, each 10 s */
        bool on = i % 60 < 24;
        seed = seed * 1103515245u + 12345u;
        double noise = ((double)(seed >> 16 & 0x7fff) / 32767.0 - 0.5) * 0.1;
        fprintf(f, "%d,%.4f,%d\n", i * 10, 20.0 + rise + noise, on);
        rise += ((on ? 100.0 : 0.0) - rise) * (1.0 - exp(-10.0 / 900.0));
    }
    fclose(f);
    snprintf(words, sizeof words, "calc heat %s --intake '20 degC' --noise '0.05 K' --limit '100 degC' --cutout-seen",
             path);
    json_t *object = client_json(words, 0);
    ck_assert_double_eq_tol(figure(object, "tau_on_s"), 900.0, 45.0);
    ck_assert_double_eq_tol(figure(object, "steady_k"), 100.0, 4.0);
    ck_assert_double_ge(figure(object, "percent_on"), figure(object, "percent_on_low"));
    ck_assert_double_le(figure(object, "percent_on"), figure(object, "percent_on_high"));
    json_decref(object);
    unlink(path);
}
END_TEST

/* Bad input gives a named error and never a figure. */
static const struct {
    const char *words;
    int status;
    const char *says;
} bad_cases[] = {
    {"calc load --process tig --current '-5 A'", 1, "current"},
    {"calc load --process arc --current '5 A'", 1, "arc"},
    {"calc load --process tig --current '200 V'", 2, "--current"},
    {"calc load --process tig --current 200", 2, "--current"},
    {"calc load --process tig", 2, "--current"},
    {"calc load --process tig --current nan", 2, "--current"},
    {"calc sensor --type K --emf-mv 99", 1, ""},
    {"calc sensor --type Q --emf-mv 1", 1, "Q"},
    {"calc sensor --type K", 2, "--temperature-degc"},
    {"calc sensor --type K --resistance-ohm 100 --temperature-degc 3", 2, ""},
    {"calc sensor --type pt100 --temperature-degc 900", 1, ""},
    {"calc lead --current '200 A' --percent-on 60", 2, "--at-percent-on"},
    {"calc lead --current '200 A' --percent-on 160 --at-percent-on 100", 1, ""},
    {"calc supply --i1 '30 A' --percent-on 120", 1, ""},
    {"calc supply --percent-on 35", 2, "--i1"},
    {"calc decision --measured 5 --expanded-uncertainty 1 --at-least 3 --fleet-mean 4", 2, "--fleet-sd"},
    {"calc decision --measured 5 --expanded-uncertainty -1 --at-least 3", 1, ""},
    {"calc cycle /nowhere.csv --current '160 A'", 1, "/nowhere.csv"},
    {"calc heat /nowhere.csv", 1, "/nowhere.csv"},
    {"calc roast", 2, "roast"},
    {"calc", 2, "load"},
};

START_TEST(test_bad_input)
{
    struct outcome *o = calloc(1, sizeof *o);
    ck_assert_ptr_nonnull(o);
    run_client(o, bad_cases[_i].words);
    ck_assert_msg(o->status == bad_cases[_i].status, "%s: status %d: %s", bad_cases[_i].words, o->status, o->err);
    ck_assert_str_eq(o->out, "");
    ck_assert_msg(o->err[0] && strstr(o->err, bad_cases[_i].says), "%s: %s", bad_cases[_i].words, o->err);
    free(o);
}
END_TEST

static const struct {
    const char *text, *says;
} bad_records[] = {
    {"", "empty"},
    {"time_s,current_a\n", "reading"},
    {"time_s,volts\n0,1\n1,1\n", "current_a"},
    {"time_s,current_a\n0,1\n0,1\n", "line 3"},
    {"time_s,current_a\n0,1\n2,x\n", "line 3"},
    {"time_s,current_a\n0,1\n2,nan\n", "line 3"},
    {"time_s,current_a\n0,1,2\n2,1\n", "line 2"},
    {"time_s,current_a\n0,\"1\n2,1\n", "line"},
};

START_TEST(test_bad_record)
{
    struct outcome *o = calloc(1, sizeof *o);
    char path[] = "/tmp/record-XXXXXX", words[200];
    int fd = mkstemp(path);
    ck_assert(o && fd >= 0);
    close(fd);
    write_file(path, bad_records[_i].text);
    snprintf(words, sizeof words, "calc cycle %s --current '160 A'", path);
    run_client(o, words);
    ck_assert_int_eq(o->status, 1);
    ck_assert_msg(strstr(o->err, bad_records[_i].says) != NULL, "%s", o->err);
    unlink(path);
    free(o);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("calc");
    TCase *t = tcase_create("calc");
    tcase_set_timeout(t, 30);
    tcase_add_loop_test(t, test_load, 0, (int)(sizeof load_cases / sizeof load_cases[0]));
    tcase_add_test(t, test_supply);
    tcase_add_test(t, test_breaker_band_contains_what_the_trade_knows);
    tcase_add_test(t, test_thermocouples);
    tcase_add_test(t, test_platinum);
    tcase_add_test(t, test_lead);
    tcase_add_test(t, test_decision);
    tcase_add_test(t, test_wrong_words_in_json);
    tcase_add_test(t, test_cycle);
    tcase_add_test(t, test_heat);
    tcase_add_loop_test(t, test_bad_input, 0, (int)(sizeof bad_cases / sizeof bad_cases[0]));
    tcase_add_loop_test(t, test_bad_record, 0, (int)(sizeof bad_records / sizeof bad_records[0]));
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
