/* Scalars: from text to value and back. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "civil_time.h"
#include "net_address.h"
#include "schema.h"
#include "suite_run.h"
#include "template_check.h"

struct quantity_case {
    enum field_type type;
    enum dimension dim;
    const char *text;
    double value; /* in the base unit; NAN: refused */
};

/* Factors of the SI prefixes and of minute, hour and day: SI Brochure, 9th edition, tables 7 and 8. 1 kWh = 3.6 MJ. */
static const struct quantity_case quantities[] = {
    {FIELD_QUANTITY, DIM_CURRENT, "160 A", 160},
    {FIELD_QUANTITY, DIM_CURRENT, "160A", 160},
    {FIELD_QUANTITY, DIM_CURRENT, "0.16 kA", 160},
    {FIELD_QUANTITY, DIM_CURRENT, "160000 mA", 160},
    {FIELD_QUANTITY, DIM_CURRENT, "1.6e2 A", 160},
    {FIELD_QUANTITY, DIM_CURRENT, "+160 A", 160},
    {FIELD_QUANTITY, DIM_CURRENT, "160 a", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "160 A.", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "160 A 5", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "A", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "1,5 A", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "nan A", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "inf A", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "0x10 A", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "1e999 A", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "160", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "160 V", NAN},
    {FIELD_QUANTITY, DIM_CURRENT, "", NAN},
    {FIELD_QUANTITY, DIM_VOLTAGE, "16.4 V", 16.4},
    {FIELD_QUANTITY, DIM_VOLTAGE, "41 mV", 0.041},
    {FIELD_QUANTITY, DIM_RESISTANCE, "0.16 ohm", 0.16},
    {FIELD_QUANTITY, DIM_RESISTANCE, "160 mohm", 0.16},
    {FIELD_QUANTITY, DIM_RESISTANCE, "160 mOhm", NAN},
    {FIELD_QUANTITY, DIM_POWER, "12 kW", 12000},
    {FIELD_QUANTITY, DIM_ENERGY, "1 kWh", 3.6e6},
    {FIELD_QUANTITY, DIM_TEMPERATURE, "-40 degC", -40},
    {FIELD_QUANTITY, DIM_TEMPERATURE, "40 C", NAN},
    {FIELD_QUANTITY, DIM_TEMPERATURE, "313 K", NAN},
    {FIELD_QUANTITY, DIM_TEMP_DIFF, "2 K", 2},
    {FIELD_QUANTITY, DIM_TEMP_RATE, "2 K/h", 2},
    {FIELD_QUANTITY, DIM_PERCENT, "0.5 %", 0.5},
    {FIELD_QUANTITY, DIM_PERCENT, "0.5", NAN},
    {FIELD_QUANTITY, DIM_AREA, "50 mm2", 50},
    {FIELD_QUANTITY, DIM_SPEED, "3000 1/min", 3000},
    {FIELD_QUANTITY, DIM_FREQUENCY, "50 Hz", 50},
    {FIELD_QUANTITY, DIM_ALTITUDE, "1200 m", 1200},
    {FIELD_PERCENT, DIM_NUMBER, "60", 60},
    {FIELD_PERCENT, DIM_NUMBER, "60 %", 60},
    {FIELD_PERCENT, DIM_NUMBER, "60 A", NAN},
    {FIELD_NUMBER, DIM_NUMBER, "1.001", 1.001},
    {FIELD_NUMBER, DIM_NUMBER, "1.001 %", NAN},
    {FIELD_NUMBER, DIM_NUMBER, "-.5", -0.5},
};

START_TEST(quantities_are_read_with_their_units)
{
    const struct quantity_case *c = &quantities[_i];
    const struct field f = {.key = "k", .type = c->type, .dim = c->dim, .size = sizeof(double)};
    char what[TEXT_CAP] = "";
    char remedy[TEXT_CAP] = "";
    double v = 0;
    int rc = schema_scalar(&f, c->text, &v, what, remedy);
    ck_assert_msg((rc != 0) == (isnan(c->value) != 0), "\"%s\" gives %d, %s", c->text, rc, what);
    if (rc == 0)
        ck_assert_double_eq_tol(v, c->value, fabs(c->value) * 1e-15);
    else
        ck_assert(what[0] != '\0' && remedy[0] != '\0');
}
END_TEST

START_TEST(times_keep_every_nanosecond)
{
    static const struct {
        const char *text;
        int64_t ns;
        const char *printed;
    } cases[] = {
        {"300 ms", 300000000, "300 ms"},
        {"0.3 s", 300000000, "300 ms"},
        {"90 min", 5400000000000, "90 min"},
        {"1.5 h", 5400000000000, "90 min"},
        {"1 d", 86400000000000, "24 h"},
        {"1750 us", 1750000, "1750 us"},
        {"1 ns", 1, "1 ns"},
        {"0 s", 0, "0 s"},
        {"123456789 ns", 123456789, "123456789 ns"},
    };
    const struct field f = {.key = "k", .type = FIELD_DURATION, .size = sizeof(int64_t)};
    char what[TEXT_CAP];
    char remedy[TEXT_CAP];
    char printed[64];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int64_t ns = -1;
        ck_assert_int_eq(schema_scalar(&f, cases[i].text, &ns, what, remedy), 0);
        ck_assert_int_eq(ns, cases[i].ns);
        ck_assert(schema_scalar_print(&f, &ns, printed, sizeof printed));
        ck_assert_str_eq(printed, cases[i].printed);
    }
}
END_TEST

START_TEST(sizes_are_decimal_and_binary)
{
    /* kB is 10^3 and KiB 2^10 bytes: IEC 80000-13. */
    static const struct {
        const char *text;
        int64_t bytes;
    } good[] = {{"1 kB", 1000}, {"1 KiB", 1024}, {"2 GB", 2000000000}, {"1 GiB", 1073741824}, {"1.5 MB", 1500000}};
    static const char *const bad[] = {"2", "2 gb", "GB", "-1 GB", "1e3 kB", "2 GB!", "99999999 TB", ".5.5 MB"};
    const struct field f = {.key = "k", .type = FIELD_SIZE, .size = sizeof(int64_t)};
    char what[TEXT_CAP];
    char remedy[TEXT_CAP];
    int64_t v = 0;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        ck_assert_int_eq(schema_scalar(&f, good[i].text, &v, what, remedy), 0);
        ck_assert_int_eq(v, good[i].bytes);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(schema_scalar(&f, bad[i], &v, what, remedy) != 0, "\"%s\" was taken", bad[i]);
}
END_TEST

START_TEST(whole_numbers_have_no_other_reading)
{
    static const char *const bad[] = {"", "-", "1.0", "12abc", "010", "0x", "0xg", "1e3", " 1", "1 ", "+1", "0X10"};
    const struct field f = {
        .key = "k", .type = FIELD_INT, .size = sizeof(int), .ranged = true, .min = -10, .max = 70000};
    char what[TEXT_CAP];
    char remedy[TEXT_CAP];
    int v = 0;
    ck_assert_int_eq(schema_scalar(&f, "0x100", &v, what, remedy), 0);
    ck_assert_int_eq(v, 256);
    ck_assert_int_eq(schema_scalar(&f, "-10", &v, what, remedy), 0);
    ck_assert_int_eq(v, -10);
    ck_assert_int_eq(schema_scalar(&f, "0", &v, what, remedy), 0);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(schema_scalar(&f, bad[i], &v, what, remedy) != 0, "\"%s\" was taken", bad[i]);
}
END_TEST

START_TEST(dates_are_those_of_the_calendar)
{
    /* Seconds since 1970-01-01 as POSIX.1-2017, 4.16 counts them: 2000-03-01 is day 11017, 2026-01-05 day 20458. */
    static const struct {
        const char *text;
        int64_t days;
    } good[] = {{"1970-01-01", 0},     {"1970-12-31", 364},   {"2000-02-29", 11016},
                {"2000-03-01", 11017}, {"2026-01-05", 20458}, {"2100-03-01", 47541}};
    static const char *const bad[] = {"2100-02-29", "2026-13-01", "2026-00-10",  "2026-04-31", "26-04-01",
                                      "2026-4-1",   "1969-12-31", "2026-01-05 ", "2026/01/05", ""};
    int64_t s = 0;
    char printed[32];
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        ck_assert_int_eq(civil_parse_date(good[i].text, &s), 0);
        ck_assert_int_eq(s, good[i].days * 86400);
        civil_print_date(s, printed, sizeof printed);
        ck_assert_str_eq(printed, good[i].text);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(civil_parse_date(bad[i], &s) != 0, "\"%s\" was taken", bad[i]);
}
END_TEST

START_TEST(moments_are_in_utc_only)
{
    static const char *const bad[] = {"2026-01-05T24:00:00Z", "2026-01-05T06:60:00Z",      "2026-01-05T06:00:60Z",
                                      "2026-01-05T06:00:00",  "2026-01-05T06:00:00+01:00", "2026-01-05 06:00:00Z",
                                      "2026-01-05t06:00:00z"};
    int64_t s = 0;
    char printed[32];
    ck_assert_int_eq(civil_parse_instant("2026-01-05T06:07:08Z", &s), 0);
    ck_assert_int_eq(s, INT64_C(20458) * 86400 + 6 * 3600 + 7 * 60 + 8);
    civil_print_instant(s, printed, sizeof printed);
    ck_assert_str_eq(printed, "2026-01-05T06:07:08Z");
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(civil_parse_instant(bad[i], &s) != 0, "\"%s\" was taken", bad[i]);
}
END_TEST

START_TEST(addresses_are_numeric)
{
    static const char *const good[] = {"127.0.0.1:502", "192.168.1.20:65535", "[::1]:502", "[fe80::1]:1"};
    static const char *const bad[] = {"localhost:502",
                                      "127.0.0.1",
                                      "127.0.0.1:",
                                      "127.0.0.1:0",
                                      "127.0.0.1:65536",
                                      "127.0.0.1:5 2",
                                      "::1:502",
                                      "[::1]502",
                                      "[::1",
                                      "1.2.3:5",
                                      "",
                                      ":502",
                                      "127.0.0.1:+5",
                                      "127.0.0.1:5e2"};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        ck_assert_msg(net_address_is_numeric(good[i]), "%s", good[i]);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(!net_address_is_numeric(bad[i]), "%s", bad[i]);
    ck_assert(net_address_is_loopback("127.0.0.1:1") && net_address_is_loopback("[::1]:1"));
    ck_assert(!net_address_is_loopback("0.0.0.0:1") && !net_address_is_loopback("192.168.1.1:1"));
}
END_TEST

START_TEST(distance_counts_single_letters)
{
    /* The pair of every textbook on edit distance: kitten, sitting, 3. */
    ck_assert_int_eq(word_distance("kitten", "sitting"), 3);
    ck_assert_int_eq(word_distance("", "abc"), 3);
    ck_assert_int_eq(word_distance("abc", "abc"), 0);
    ck_assert_int_eq(word_distance("ab", "ba"), 2);
    ck_assert_int_eq(word_distance("timeout", "timout"), 1);
    char longest[80];
    memset(longest, 'x', sizeof longest);
    longest[sizeof longest - 1] = '\0';
    ck_assert_int_eq(word_distance(longest, "x"), 99);
}
END_TEST

START_TEST(raw_values_are_bits)
{
    uint64_t v = 0;
    ck_assert_int_eq(schema_raw("0x7fff", &v), 0);
    ck_assert_uint_eq(v, 0x7fff);
    ck_assert_int_eq(schema_raw("-1", &v), 0);
    ck_assert_uint_eq(v, UINT64_MAX);
    ck_assert_int_eq(schema_raw("18446744073709551615", &v), 0);
    ck_assert_uint_eq(v, UINT64_MAX);
    ck_assert_int_ne(schema_raw("18446744073709551616", &v), 0);
    ck_assert_int_ne(schema_raw("nan", &v), 0);
}
END_TEST

START_TEST(numbers_print_as_people_write_them)
{
    static const struct {
        double v;
        const char *text;
    } cases[] = {{230, "230"},       {0.1, "0.1"}, {12200, "12200"}, {1e-3, "0.001"},
                 {0.0039, "0.0039"}, {-40, "-40"}, {0, "0"},         {1.0 / 3, "0.3333333333333333"},
                 {1e20, "1e+20"}};
    const struct field f = {.key = "k", .type = FIELD_NUMBER, .size = sizeof(double)};
    char printed[64];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        ck_assert(schema_scalar_print(&f, &cases[i].v, printed, sizeof printed));
        ck_assert_str_eq(printed, cases[i].text);
        ck_assert(strtod(printed, NULL) == cases[i].v);
    }
}
END_TEST

int main(void)
{
    Suite *s = suite_create("values");
    TCase *t = tcase_create("all");
    tcase_set_timeout(t, 30);
    tcase_add_loop_test(t, quantities_are_read_with_their_units, 0, (int)(sizeof quantities / sizeof quantities[0]));
    tcase_add_test(t, times_keep_every_nanosecond);
    tcase_add_test(t, sizes_are_decimal_and_binary);
    tcase_add_test(t, whole_numbers_have_no_other_reading);
    tcase_add_test(t, dates_are_those_of_the_calendar);
    tcase_add_test(t, moments_are_in_utc_only);
    tcase_add_test(t, addresses_are_numeric);
    tcase_add_test(t, distance_counts_single_letters);
    tcase_add_test(t, raw_values_are_bits);
    tcase_add_test(t, numbers_print_as_people_write_them);
    suite_add_tcase(s, t);
    return suite_run(s);
}
