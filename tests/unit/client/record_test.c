/* Files of loggers: text, quotes, stamps and columns, and what is said of those that are wrong. */
#define _GNU_SOURCE /* mkdtemp, timegm */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "record_rows.h"
#include "suite_run.h"

#define SEC INT64_C(1000000000)

enum { ROWS_MAX = 64 };

struct got {
    int count;
    struct record_row rows[ROWS_MAX];
    struct record_map map;
    struct record_warnings warnings;
    int64_t first_utc_ns;
    struct error err;
};

static const struct record_file plain = {.stamp_half_ns = -1};

/* Reads a text as a file. Returns 0 or -1 with got->err. */
static int read_bytes(const void *bytes, size_t size, struct record_file file, const struct record_map *map,
                      struct got *got)
{
    char path[] = "/tmp/soakbench-test-XXXXXX";
    int fd = mkstemp(path), more = 1;
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(write(fd, bytes, size), (ssize_t)size);
    close(fd);
    memset(got, 0, sizeof *got);
    got->map = *map;
    file.path = path;
    struct record_rows *rows = record_rows_open(&file, &got->map, &got->warnings, &got->err);
    while (rows && got->count < ROWS_MAX && (more = record_rows_next(rows, &got->rows[got->count], &got->err)) > 0)
        got->count++;
    if (rows)
        got->first_utc_ns = record_rows_first_utc_ns(rows);
    record_rows_close(rows);
    unlink(path);
    return rows && more == 0 ? 0 : -1;
}

static struct record_map two_columns(const char *time_format)
{
    struct record_map m;
    struct error err;
    record_map_init(&m);
    ck_assert_int_eq(record_map_time(&m, "t", &err), 0);
    if (time_format) {
        ck_assert_int_eq(stamp_format_parse(time_format, &m.format, &err), 0);
        m.format_stated = true;
    }
    ck_assert_int_eq(record_map_column(&m, "i2=I;unit=A;uncertainty=unknown", &err), 0);
    ck_assert_int_eq(record_map_column(&m, "u2=U;unit=V;uncertainty=unknown", &err), 0);
    return m;
}

static void read_text(const char *text, struct got *got)
{
    struct record_map m = two_columns(NULL);
    int rc = read_bytes(text, strlen(text), plain, &m, got);
    ck_assert_msg(rc == 0, "%s", got->err.text);
}

static void refused(const char *text, const char *words)
{
    static struct got got;
    struct record_map m = two_columns(NULL);
    ck_assert_int_eq(read_bytes(text, strlen(text), plain, &m, &got), -1);
    ck_assert_msg(strstr(got.err.text, words) != NULL, "\"%s\" is not in: %s", words, got.err.text);
}

/* Value of a signal in a row; NAN when there is none. */
static double value_of(const struct got *g, int row, enum signal_kind kind)
{
    for (int i = 0; i < g->rows[row].count; i++)
        if (g->map.signals[g->rows[row].readings[i].signal].kind == kind)
            return g->rows[row].readings[i].value;
    return NAN;
}

static struct got g;

/* RFC 4180, section 2: CR LF, an end of line that the last row may lack, quotes, doubled quotes, line breaks and
 * separators in quotes. */
START_TEST(cells_as_the_rfc_says)
{
    read_text("t,note,I,U\r\n0,\"he said \"\"on\"\", then\r\nleft\",160,16\r\n1,\"\",\"161\",16.5", &g);
    ck_assert_int_eq(g.count, 2);
    ck_assert(value_of(&g, 0, SIG_I2) == 160 && value_of(&g, 0, SIG_U2) == 16);
    ck_assert(value_of(&g, 1, SIG_I2) == 161 && value_of(&g, 1, SIG_U2) == 16.5);
    ck_assert_int_eq(g.rows[0].line, 2);
    ck_assert_int_eq(g.rows[1].line, 4); /* behind the break inside the quotes */
}
END_TEST

START_TEST(ends_of_lines_marks_and_remarks)
{
    read_text("\xef\xbb\xbft,I,U\n# a remark, with \"a quote\n\n0,1,2\n   \n1,3,4\n\n", &g);
    ck_assert_int_eq(g.count, 2);
    read_text("t,I,U\r0,1,2\r1,3,4\r", &g); /* old machines */
    ck_assert_int_eq(g.count, 2);
    ck_assert_int_eq(g.rows[1].line, 3);
    read_text("t\tI\tU\n0\t1\t2\n1\t3\t\n", &g); /* tabs, an empty cell at the end */
    ck_assert_int_eq(g.count, 2);
    ck_assert(isnan(value_of(&g, 1, SIG_U2)));
}
END_TEST

START_TEST(an_empty_cell_is_no_reading)
{
    read_text("t,I,U\n0,160,\n1,,16\n2,,\n3, 161 ,16\n", &g);
    ck_assert_int_eq(g.count, 3); /* the third has none at all */
    ck_assert(isnan(value_of(&g, 0, SIG_U2)) && isnan(value_of(&g, 1, SIG_I2)));
    ck_assert(value_of(&g, 2, SIG_I2) == 161);
    ck_assert_int_eq(g.rows[2].at_ns, 3 * SEC);
}
END_TEST

START_TEST(decimal_commas)
{
    struct record_map m = two_columns(NULL);
    m.decimal_comma = true;
    const char *text = "t;I;U\n0,0;160,25;16,4\n0,5;-0,1;1e1\n";
    ck_assert_int_eq(read_bytes(text, strlen(text), plain, &m, &g), 0);
    ck_assert(value_of(&g, 0, SIG_I2) == 160.25 && value_of(&g, 1, SIG_I2) == -0.1 && value_of(&g, 1, SIG_U2) == 10);
    ck_assert_int_eq(g.rows[1].at_ns, SEC / 2);
    text = "t;I;U\n0,0;1.160,25;16,4\n1,0;1;1\n"; /* nothing is taken for a separator of thousands */
    ck_assert_int_eq(read_bytes(text, strlen(text), plain, &m, &g), 0);
    ck_assert_int_eq(g.warnings.count[TROUBLE_NUMBER], 1);
    ck_assert_int_eq(g.warnings.told[TROUBLE_NUMBER][0].line, 2);
}
END_TEST

/* "°C" in each encoding; the temperature column is found by it. */
START_TEST(encodings)
{
    static const char latin[] = "t;I;U;Luft [\xb0"
                                "C]\n0;1;2;21\n";
    static const char utf16[] = "\xff\xfet\0;\0I\0;\0U\0;\0L\0u\0f\0t\0 \0[\0\xb0\0C\0]\0\n\0"
                                "0\0;\0"
                                "1\0;\0"
                                "2\0;\0"
                                "2\0"
                                "1\0\n";
    struct record_map m = two_columns(NULL);
    struct record_file file = plain;
    struct error err;
    ck_assert_int_eq(record_map_column(&m,
                                       "t_intake=Luft [\xc2\xb0"
                                       "C]",
                                       &err),
                     0);
    file.encoding = CSV_LATIN_1;
    ck_assert_msg(read_bytes(latin, sizeof latin - 1, file, &m, &g) == 0, "%s", g.err.text);
    ck_assert(value_of(&g, 0, SIG_T_INTAKE) == 21);
    ck_assert_msg(read_bytes(utf16, sizeof utf16, plain, &m, &g) == 0, "%s", g.err.text);
    ck_assert(value_of(&g, 0, SIG_T_INTAKE) == 21);
    ck_assert_int_eq(read_bytes(latin, sizeof latin - 1, plain, &m, &g), -1); /* no UTF-8: the heading is another */
    ck_assert_ptr_nonnull(strstr(g.err.text, "no column has the heading"));
    ck_assert_int_eq(read_bytes("t\0;\0", 4, plain, &m, &g), -1);
    ck_assert_ptr_nonnull(strstr(g.err.text, "--encoding utf-16"));
}
END_TEST

START_TEST(units_scales_and_shifts)
{
    struct record_map m;
    struct error err;
    record_map_init(&m);
    ck_assert_int_eq(
        record_map_column(&m, "i2=Shunt [mV];unit=A;scale=4;offset=-1;uncertainty=0.5 % + 0.1 % of 400 A", &err), 0);
    ck_assert_int_eq(record_map_column(&m, "u2=#3;uncertainty=0.2 V", &err), 0);
    ck_assert_int_eq(record_map_column(&m,
                                       "t_case=Case (\xc2\xb0"
                                       "F)",
                                       &err),
                     0);
    ck_assert_int_eq(record_map_column(&m, "p1=P / kW;refresh=500 ms", &err), 0);
    ck_assert_int_eq(record_map_time(&m, "ms", &err), 0);
    ck_assert_int_eq(stamp_format_parse("ms", &m.format, &err), 0);
    const char *text = "ms,Shunt [mV],load voltage [mV],Case (\xc2\xb0"
                       "F),P / kW\n1500,40.25,16400,212,4.2\n";
    ck_assert_msg(read_bytes(text, strlen(text), plain, &m, &g) == 0, "%s", g.err.text);
    ck_assert(value_of(&g, 0, SIG_I2) == 160 && value_of(&g, 0, SIG_P1) == 4200);
    ck_assert_double_eq_tol(value_of(&g, 0, SIG_U2), 16.4, 1e-12);
    ck_assert_double_eq_tol(value_of(&g, 0, SIG_T_CASE), 100, 1e-9); /* boiling water: 212 degF */
    ck_assert(g.map.signals[0].uncertainty.of_reading_pct == 0.5 && g.map.signals[0].uncertainty.of_range_pct == 0.1 &&
              g.map.signals[0].uncertainty.range == 400 && g.map.signals[3].refresh_ns == SEC / 2);
    ck_assert_int_eq(g.rows[0].half_ns, 500000); /* half of the last digit, a millisecond */
}
END_TEST

/* Against the C library's own calendar (timegm). */
START_TEST(stamps_with_a_date)
{
    struct stamp_format iso, german, american;
    struct stamp s;
    struct error err;
    ck_assert_int_eq(stamp_format_parse("iso", &iso, &err), 0);
    ck_assert_int_eq(stamp_format_parse("%d.%m.%Y %H:%M:%S", &german, &err), 0);
    ck_assert_int_eq(stamp_format_parse("%m/%d/%y %I:%M:%S %p", &american, &err), 0);
    for (time_t t = 0; t < (time_t)4102444800; t += 7654321) {
        struct tm tm;
        char text[64];
        gmtime_r(&t, &tm);
        (void)strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &tm);
        ck_assert_msg(stamp_parse(text, &iso, false, &s) == 0 && s.ns == t * SEC && s.zoned && s.dated, "%s", text);
        (void)strftime(text, sizeof text, "%d.%m.%Y %H:%M:%S", &tm);
        ck_assert_msg(stamp_parse(text, &german, false, &s) == 0 && s.ns == t * SEC && !s.zoned, "%s", text);
        if (tm.tm_year >= 170) /* two digits: 1970 to 2069 */
            continue;
        char day[16], clock[16];
        (void)strftime(day, sizeof day, "%m/%d/", &tm);
        (void)strftime(clock, sizeof clock, "%I:%M:%S %p", &tm);
        (void)text_format(text, sizeof text, "%s%02d %s", day, tm.tm_year % 100, clock);
        ck_assert_msg(stamp_parse(text, &american, false, &s) == 0 && s.ns == t * SEC, "%s", text);
    }
}
END_TEST

START_TEST(stamps_of_other_kinds)
{
    struct stamp_format iso, f;
    struct stamp s;
    struct error err;
    ck_assert_int_eq(stamp_format_parse("iso", &iso, &err), 0);
    ck_assert_int_eq(stamp_parse("2019-03-14 08:15:30,25+01:00", &iso, false, &s), 0);
    ck_assert_int_eq(s.ns, INT64_C(1552547730) * SEC + SEC / 4); /* 07:15:30 UTC */
    ck_assert_int_eq(s.digit_ns, SEC / 100);
    ck_assert_int_eq(stamp_parse("2019-03-14T08:15", &iso, false, &s), 0);
    ck_assert_int_eq(s.digit_ns, 60 * SEC);
    static const char *const bad[] = {"2019-02-29 10:00:00",
                                      "2019-13-01T00:00",
                                      "2019-01-01T24:00",
                                      "2019-01-01",
                                      "2019-01-01T10:00:61",
                                      "2019-01-01T10:00:00+",
                                      "x",
                                      ""};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(stamp_parse(bad[i], &iso, false, &s) != 0, "%s", bad[i]);
    static const char *const formats[] = {"%Q", "seconds", "%", "%H:%M:%"};
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++)
        ck_assert_msg(stamp_format_parse(formats[i], &f, &err) != 0, "%s", formats[i]);
    ck_assert_int_eq(stamp_format_parse("h", &f, &err), 0);
    ck_assert_int_eq(stamp_parse("1,5", &f, true, &s), 0);
    ck_assert_int_eq(s.ns, 5400 * SEC);
}
END_TEST

static void read_local(const char *text, bool local, const char *format)
{
    struct record_map m = two_columns(format);
    struct record_file file = plain;
    file.local_time = local;
    ck_assert_msg(read_bytes(text, strlen(text), file, &m, &g) == 0, "%s", g.err.text);
}

/* Central Europe, 2019: clocks went forth on 31 March at 02:00 and back on 27 October at 03:00. */
START_TEST(summer_time)
{
    const char *back = "t,I,U\n2019-10-27 02:59:50,1,1\n2019-10-27 02:59:55,2,1\n2019-10-27 02:00:00,3,1\n"
                       "2019-10-27 02:00:05,4,1\n";
    const char *forth = "t,I,U\n2019-03-31 01:59:50,1,1\n2019-03-31 01:59:55,2,1\n2019-03-31 03:00:00,3,1\n";
    read_local(back, true, "iso");
    ck_assert_int_eq(g.count, 4);
    ck_assert_int_eq(g.rows[2].at_ns, 10 * SEC);
    ck_assert_int_eq(g.rows[3].at_ns, 15 * SEC);
    ck_assert_int_eq(g.warnings.count[TROUBLE_CLOCK], 1);
    ck_assert_int_eq(g.warnings.told[TROUBLE_CLOCK][0].line, 4);
    read_local(back, false, "iso"); /* as nobody says what it is: stamps that run back */
    ck_assert_int_eq(g.count, 2);
    ck_assert_int_eq(g.warnings.count[TROUBLE_ORDER], 2);
    ck_assert_ptr_nonnull(strstr(g.warnings.told[TROUBLE_ORDER][0].text, "--local-time"));
    read_local(forth, true, "iso");
    ck_assert_int_eq(g.rows[2].at_ns, 10 * SEC);
    read_local(forth, false, "iso");
    ck_assert_int_eq(g.rows[2].at_ns, 3610 * SEC);
    read_local("t,I,U\n23:59:58,1,1\n00:00:03,2,1\n", false, "%H:%M:%S"); /* past midnight, without a date */
    ck_assert_int_eq(g.rows[1].at_ns, 5 * SEC);
}
END_TEST

START_TEST(stamps_out_of_order_and_repeated)
{
    read_text("t,I,U\n0,1,1\n1,2,1\n1,3,1\n0.5,4,1\n2,5,1\n", &g);
    ck_assert_int_eq(g.count, 3);
    ck_assert(value_of(&g, 2, SIG_I2) == 5);
    ck_assert_int_eq(g.warnings.count[TROUBLE_REPEATED], 1);
    ck_assert_int_eq(g.warnings.told[TROUBLE_REPEATED][0].line, 4);
    ck_assert_int_eq(g.warnings.count[TROUBLE_ORDER], 1);
    ck_assert_int_eq(g.warnings.told[TROUBLE_ORDER][0].line, 5);
}
END_TEST

START_TEST(cells_that_are_no_numbers)
{
    read_text("t,I,U\n0,OL,16\n1,---,16\n2,160,16\nend of log,,\n3,160\n", &g);
    ck_assert_int_eq(g.count, 4);
    ck_assert_int_eq(g.rows[0].readings[0].quality, QUALITY_INVALID);
    ck_assert_int_eq(g.warnings.count[TROUBLE_NUMBER], 3);
    ck_assert_int_eq(g.warnings.told[TROUBLE_NUMBER][2].line, 5);
    ck_assert_int_eq(g.warnings.count[TROUBLE_CELLS], 1);
    ck_assert_int_eq(g.warnings.told[TROUBLE_CELLS][0].line, 6);
}
END_TEST

START_TEST(bad_files_are_refused_with_line_and_cell)
{
    refused("", "no headings");
    refused("t,I,U\n", "no readings");
    refused("t,J,U\n0,1,1\n", "no column has the heading \"I\"");
    refused("t,I,U\n0,\"1,1\n2,3,4\n", "line 2, cell 2: a quote is not closed");
    refused("t,I,U\n0,\"1\"x,1\n", "line 2, cell 2: text behind a closed quote");
    refused("t;I;U\n0;160,5;16\n", "line 2, cell 2: \"160,5\" is no number with a decimal point: say --decimal-comma");
    refused("t,I,U\n0,1,1\n1,160,5,16,4\n", "line 3, cell 4: 5 cells where 3 are expected");
    refused("t,I,U\nx,1,1\n", "line 2, cell 1: \"x\" is no stamp");
    struct record_map m;
    struct error err;
    record_map_init(&m);
    static const char *const bad[][2] = {{"i9=I", "no signal"},
                                         {"estop=E", "no signal"},
                                         {"i2", "is not like"},
                                         {"i2=I;unit", "no key=value"},
                                         {"i2=I;size=3", "is none of unit"},
                                         {"i2=I;scale=0", "but zero"},
                                         {"i2=I;uncertainty=3 V", "uncertainty"},
                                         {"i2=I;refresh=-1 s", "no time"}};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        record_map_init(&m);
        ck_assert_int_eq(record_map_column(&m, bad[i][0], &err), -1);
        ck_assert_msg(strstr(err.text, bad[i][1]) != NULL, "%s: %s", bad[i][0], err.text);
    }
}
END_TEST

START_TEST(what_a_mapping_lacks_is_asked_for)
{
    struct record_map m = two_columns(NULL);
    const char *text = "t,I,U\n0,1,1\n";
    m.signals[0].uncertainty_unknown = false;
    ck_assert_int_eq(read_bytes(text, strlen(text), plain, &m, &g), -1);
    ck_assert_ptr_nonnull(strstr(g.err.text, "what is the meter of i2 good for?"));
    m = two_columns(NULL);
    m.count = 1;
    ck_assert_int_eq(read_bytes(text, strlen(text), plain, &m, &g), -1);
    ck_assert_ptr_nonnull(strstr(g.err.text, "which column is u2?"));
    m = two_columns(NULL);
    m.time_count = 0;
    text = "when,I,U\n0,1,1\n";
    ck_assert_int_eq(read_bytes(text, strlen(text), plain, &m, &g), -1);
    ck_assert_ptr_nonnull(
        strstr(g.err.text, "which column is the time? --time HEADING (or #N). The headings are: when"));
}
END_TEST

START_TEST(rows_before_the_headings_and_of_units)
{
    struct record_map m = two_columns(NULL);
    struct record_file file = plain;
    m.signals[0].unit[0] = m.signals[1].unit[0] = '\0';
    file.skip_lines = 2;
    file.units_row = true;
    const char *text = "Logger 3\nJob;4711\nt;I;U\ns;kA;mV\n0;0.16;16400\n";
    ck_assert_msg(read_bytes(text, strlen(text), file, &m, &g) == 0, "%s", g.err.text);
    ck_assert_double_eq_tol(value_of(&g, 0, SIG_I2), 160, 1e-9);
    ck_assert_double_eq_tol(value_of(&g, 0, SIG_U2), 16.4, 1e-9);
    m = two_columns(NULL);
    file = plain;
    file.no_headings = true;
    (void)text_copy(m.time_heads[0], MAP_HEAD_CAP, "#1");
    (void)text_copy(m.signals[0].head, MAP_HEAD_CAP, "#3");
    (void)text_copy(m.signals[1].head, MAP_HEAD_CAP, "#2");
    text = "0,16,160\n1,16,161\n";
    ck_assert_msg(read_bytes(text, strlen(text), file, &m, &g) == 0, "%s", g.err.text);
    ck_assert(g.count == 2 && value_of(&g, 1, SIG_I2) == 161);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("records from elsewhere");
    TCase *c = tcase_create("files");
    tcase_add_test(c, cells_as_the_rfc_says);
    tcase_add_test(c, ends_of_lines_marks_and_remarks);
    tcase_add_test(c, an_empty_cell_is_no_reading);
    tcase_add_test(c, decimal_commas);
    tcase_add_test(c, encodings);
    tcase_add_test(c, units_scales_and_shifts);
    tcase_add_test(c, stamps_with_a_date);
    tcase_add_test(c, stamps_of_other_kinds);
    tcase_add_test(c, summer_time);
    tcase_add_test(c, stamps_out_of_order_and_repeated);
    tcase_add_test(c, cells_that_are_no_numbers);
    tcase_add_test(c, bad_files_are_refused_with_line_and_cell);
    tcase_add_test(c, what_a_mapping_lacks_is_asked_for);
    tcase_add_test(c, rows_before_the_headings_and_of_units);
    suite_add_tcase(suite, c);
    return suite_run(suite);
}
