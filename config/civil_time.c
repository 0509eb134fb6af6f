#include "civil_time.h"

#include <stdbool.h>
#include <string.h>

#include "error.h"

static bool is_leap(int year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

static int days_of_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return month == 2 && is_leap(year) ? 29 : days[month - 1];
}

static int64_t days_before_year(int year)
{
    int64_t y = year - 1;
    return y * 365 + y / 4 - y / 100 + y / 400 - 719162; /* 719162 days lie before 1970-01-01 */
}

/* Exactly n digits, else -1. */
static int digits(const char *text, int n)
{
    int v = 0;
    for (int i = 0; i < n; i++) {
        if (text[i] < '0' || text[i] > '9')
            return -1;
        v = v * 10 + (text[i] - '0');
    }
    return v;
}

static int parse_day(const char *text, int64_t *utc_s)
{
    int year = digits(text, 4);
    int month = digits(text + 5, 2);
    int day = digits(text + 8, 2);
    if (text[4] != '-' || text[7] != '-' || year < 1970 || year > 2199 || month < 1 || month > 12)
        return -1;
    if (day < 1 || day > days_of_month(year, month))
        return -1;
    int64_t days = days_before_year(year) + day - 1;
    for (int m = 1; m < month; m++)
        days += days_of_month(year, m);
    *utc_s = days * 86400;
    return 0;
}

int civil_parse_date(const char *text, int64_t *utc_s)
{
    return strlen(text) == 10 ? parse_day(text, utc_s) : -1;
}

int civil_parse_instant(const char *text, int64_t *utc_s)
{
    int64_t day;
    if (strlen(text) != 20 || parse_day(text, &day) != 0)
        return -1;
    int hour = digits(text + 11, 2);
    int minute = digits(text + 14, 2);
    int s = digits(text + 17, 2);
    if (text[10] != 'T' || text[13] != ':' || text[16] != ':' || text[19] != 'Z')
        return -1;
    if (hour < 0 || hour > 23 || minute < 0 || minute > 59 || s < 0 || s > 59)
        return -1;
    *utc_s = day + hour * INT64_C(3600) + minute * INT64_C(60) + s;
    return 0;
}

void civil_print_date(int64_t utc_s, char *to, size_t cap)
{
    int64_t days = utc_s / 86400;
    int year = 1970;
    while (days_before_year(year + 1) <= days)
        year++;
    days -= days_before_year(year);
    int month = 1;
    while (days >= days_of_month(year, month))
        days -= days_of_month(year, month++);
    (void)text_format(to, cap, "%04d-%02d-%02d", year, month, (int)days + 1);
}

void civil_print_instant(int64_t utc_s, char *to, size_t cap)
{
    civil_print_date(utc_s, to, cap);
    int rest = (int)(utc_s % 86400);
    (void)text_append(to, cap, "T%02d:%02d:%02dZ", rest / 3600, rest / 60 % 60, rest % 60);
}
