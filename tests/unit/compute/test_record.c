/* Records as CSV. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "record_csv.h"
#include "suite.h"

static char text[4 * 1024 * 1024];
static size_t size;

static void begin(const char *header)
{
    size = (size_t)snprintf(text, sizeof text, "%s\n", header);
}

static struct csv_record *parsed(void)
{
    struct csv_record *r = NULL;
    struct error err = {""};
    ck_assert_msg(record_csv_parse(text, size, &r, &err) == 0, "%s", err.text);
    return r;
}

static struct record_question question(void)
{
    return (struct record_question){.rated_a = 160,
                                    .rated_percent_on = 40,
                                    .load_voltage_v = NAN,
                                    .current_uncertainty_a = 1.2,
                                    .cycle_s = 600,
                                    .gap_s = 5};
}

START_TEST(cycles_of_a_record)
{
    /* two cycles: 250 s on and held, then shut off after 150 s */
    begin("time_s,note,current_a");
    for (int k = 0; k <= 1200; k++) {
        int on = (k > 0 && k <= 250) || (k > 600 && k <= 750);
        size += (size_t)snprintf(text + size, sizeof text - size, "%d,\"a, b\",%s\n", k, on ? "162" : "0.1");
    }
    struct csv_record *r = parsed();
    struct record_question q = question();
    struct record_answer a;
    struct error err = {""};
    ck_assert_int_eq(record_csv_count(r), 1201);
    ck_assert_ptr_null(record_csv_column(r, CSV_LOAD_VOLTAGE));
    ck_assert_msg(record_csv_cycles(r, &q, &a, &err) == 0, "%s", err.text);
    ck_assert_int_eq(a.count, 2);
    ck_assert(a.cycles[0].whole && a.cycles[1].whole);
    ck_assert_double_eq_tol(a.cycles[0].percent_on, 100 * 250 / 600.0, 0.2);
    ck_assert_double_eq_tol(a.cycles[1].percent_on, 100 * 150 / 600.0, 0.2);
    ck_assert_int_eq(a.cycles[0].outcome, OUTCOME_HOLD);
    ck_assert_int_eq(a.cycles[1].outcome, OUTCOME_SHUTOFF);
    ck_assert(a.sliding.any);
    ck_assert_double_eq_tol(a.sliding.most_percent_on, 100 * 250 / 600.0, 0.4);
    ck_assert_double_eq_tol(a.sliding.least_percent_on, 100 * 150 / 600.0, 0.4);
    ck_assert_double_eq_tol(a.cycles[0].figures.current_a.mean, 162, 1e-9);
    ck_assert(isnan(a.cycles[0].figures.voltage_v.mean));
    free(a.cycles);
    q.load_voltage_v = 16.4;
    ck_assert_int_eq(record_csv_cycles(r, &q, &a, &err), -1); /* no such column to hold it against */
    q = question();
    q.rated_a = -1;
    ck_assert_int_eq(record_csv_cycles(r, &q, &a, &err), -1);
    q = question();
    q.cycle_s = 0;
    ck_assert_int_eq(record_csv_cycles(r, &q, &a, &err), -1);
    record_csv_free(r);
}
END_TEST

START_TEST(an_empty_cell_is_a_gap)
{
    begin("time_s,current_a,load_voltage_v");
    for (int k = 0; k <= 600; k++) {
        if (k >= 100 && k < 110)
            size += (size_t)snprintf(text + size, sizeof text - size, "%d,,16.4\r\n", k);
        else
            size += (size_t)snprintf(text + size, sizeof text - size, "%d,%s,16.4\r\n", k, k <= 245 ? "161" : "0");
    }
    struct csv_record *r = parsed();
    struct record_question q = question();
    struct record_answer a;
    struct error err = {""};
    q.load_voltage_v = 16.4;
    ck_assert_msg(record_csv_cycles(r, &q, &a, &err) == 0, "%s", err.text);
    ck_assert_double_eq_tol(a.cycles[0].percent_on_high - a.cycles[0].percent_on_low, 100 * 12 / 600.0, 1e-6);
    ck_assert_double_eq_tol((double)a.cycles[0].figures.unseen_ns / 1e9, 11, 1e-6);
    ck_assert_int_eq(a.cycles[0].outcome, OUTCOME_UNCLEAR); /* 234 to 246 s of 240 s */
    ck_assert_double_eq_tol(a.cycles[0].figures.voltage_v.mean, 16.4, 1e-9);
    free(a.cycles);
    record_csv_free(r);
}
END_TEST

START_TEST(heat_of_a_record)
{
    begin("time_s,temperature_degc,intake_degc,current_a");
    double rise = 0;
    for (int k = 0; k < 1440; k++) {
        int on = k % 60 < 24;
        size +=
            (size_t)snprintf(text + size, sizeof text - size, "%d,%.4f,21.5,%d\n", 10 * k, 21.5 + rise, on ? 160 : 0);
        rise = (on ? 140 : 0) + (rise - (on ? 140 : 0)) * exp(-10.0 / 1500);
    }
    struct csv_record *r = parsed();
    struct heat_record h;
    struct heat_fit fit;
    struct heat_limits limits = heat_limits_default();
    struct error err = {""};
    ck_assert_msg(record_csv_heat(r, NAN, NAN, 0.05, &h, &err) == 0, "%s", err.text);
    ck_assert_msg(heat_fit(&h, &limits, &fit, &err) == 0, "%s", err.text);
    ck_assert_double_eq_tol(fit.model.body[0].steady_k, 140, 0.5);
    ck_assert_double_eq_tol(fit.model.body[0].tau_on_s, 1500, 10);
    record_csv_free(r);
    begin("time_s,current_a");
    size += (size_t)snprintf(text + size, sizeof text - size, "1,2\n");
    r = parsed();
    ck_assert_int_eq(record_csv_heat(r, NAN, 20, 0, &h, &err), -1);
    record_csv_free(r);
}
END_TEST

static void refused(const char *content, const char *word)
{
    struct csv_record *r = NULL;
    struct error err = {""};
    ck_assert_msg(record_csv_parse(content, strlen(content), &r, &err) == -1, "%s", content);
    ck_assert_ptr_null(r);
    ck_assert_msg(strstr(err.text, word) != NULL, "%s: %s", content, err.text);
}

START_TEST(bad_records_are_named)
{
    refused("", "empty");
    refused("time_s,current_a\n", "no readings");
    refused("current_a\n1\n", "time_s");
    refused("time_s,time_s\n1,1\n", "twice");
    refused("time_s,current_a\n1,2\n1,3\n", "line 3: time does not rise");
    refused("time_s,current_a\n2,2\n1,3\n", "line 3: time does not rise");
    refused("time_s,current_a\n1,nan\n", "not a number");
    refused("time_s,current_a\n1,inf\n", "not a number");
    refused("time_s,current_a\n1,160 A\n", "not a number");
    refused("time_s,current_a\n1,1e999\n", "not a number");
    refused("time_s,current_a\n,3\n", "time_s is missing");
    refused("time_s,current_a\n1\n", "1 cells");
    refused("time_s,current_a\n1,2,3\n", "more cells");
    refused("time_s,on\n1,2\n", "0 or 1");
    refused("time_s,on\n1,\n", "0 or 1");
    refused("time_s,note\n1,\"open\n", "quote");
    refused("time_s,current_a\n1e12,3\n", "out of range");
}
END_TEST

START_TEST(odd_but_good_records)
{
    begin("\xef\xbb\xbftime_s , \"current_a\"");
    size += (size_t)snprintf(text + size, sizeof text - size, " 1 ,\"160\" \r\n\n2,161");
    struct csv_record *r = parsed();
    ck_assert_int_eq(record_csv_count(r), 2);
    ck_assert_double_eq_tol(record_csv_column(r, CSV_CURRENT)[0], 160, 1e-12);
    ck_assert_double_eq_tol(record_csv_column(r, CSV_CURRENT)[1], 161, 1e-12);
    /* a record of one reading has a cycle that is not whole */
    record_csv_free(r);
    begin("time_s,current_a");
    size += (size_t)snprintf(text + size, sizeof text - size, "5,160");
    r = parsed();
    struct record_question q = question();
    struct record_answer a;
    struct error err = {""};
    ck_assert_int_eq(record_csv_cycles(r, &q, &a, &err), 0);
    ck_assert_int_eq(a.count, 1);
    ck_assert(!a.cycles[0].whole && isnan(a.cycles[0].percent_on));
    ck_assert(!a.sliding.any);
    free(a.cycles);
    record_csv_free(r);
    record_csv_free(NULL);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("record");
    tcase_add_test(t, cycles_of_a_record);
    tcase_add_test(t, an_empty_cell_is_a_gap);
    tcase_add_test(t, heat_of_a_record);
    tcase_add_test(t, bad_records_are_named);
    tcase_add_test(t, odd_but_good_records);
    return suite_main(t);
}
