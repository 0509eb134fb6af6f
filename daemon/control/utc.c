#include "utc.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "error.h"

enum { DAY_S = 86400, HOUR_S = 3600, MINUTE_S = 60 };

struct date {
    int year, month, day;
};

static bool is_leap(int year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

static int days_in_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return month == 2 && is_leap(year) ? 29 : days[month - 1];
}

/* Days since 1970-01-01, counted in whole Gregorian years before the date. */
static int64_t days_of(struct date d)
{
    int64_t before = d.year - 1;
    int64_t days = before * 365 + before / 4 - before / 100 + before / 400 - 719162;
    for (int m = 1; m < d.month; m++)
        days += days_in_month(d.year, m);
    return days + d.day - 1;
}

static struct date date_of(int64_t days)
{
    struct date d = {.year = (int)(1970 + days / 366), .month = 1, .day = 1};
    while (days_of((struct date){d.year + 1, 1, 1}) <= days)
        d.year++;
    days -= days_of(d);
    while (days >= days_in_month(d.year, d.month)) {
        days -= days_in_month(d.year, d.month);
        d.month++;
    }
    d.day += (int)days;
    return d;
}

void utc_print(char *to, size_t cap, int64_t utc_ns)
{
    int64_t ms = utc_ns > 0 ? utc_ns / 1000000 : 0;
    int64_t s = ms / 1000;
    struct date d = date_of(s / DAY_S);
    int in_day = (int)(s % DAY_S);
    (void)text_format(to, cap, "%04d-%02d-%02dT%02d:%02d:%02d.%03dZ", d.year, d.month, d.day, in_day / HOUR_S,
                      in_day % HOUR_S / MINUTE_S, in_day % MINUTE_S, (int)(ms % 1000));
}

void utc_print_date(char *to, size_t cap, int64_t utc_s)
{
    struct date d = date_of(utc_s > 0 ? utc_s / DAY_S : 0);
    (void)text_format(to, cap, "%04d-%02d-%02d", d.year, d.month, d.day);
}

int utc_parse(const char *text, int64_t *utc_s)
{
    struct date d;
    int hour = 0, minute = 0, second = 0, used = 0;
    if (strlen(text) < 10 || strspn(text, "0123456789-:TZ ") != strlen(text) ||
        sscanf(text, "%4d-%2d-%2d%n", &d.year, &d.month, &d.day, &used) != 3 || used != 10)
        return -1;
    const char *rest = text + used;
    if (*rest == 'T' || *rest == ' ') {
        rest++;
        if (sscanf(rest, "%2d:%2d%n", &hour, &minute, &used) != 2 || used != 5)
            return -1;
        rest += used;
        if (*rest == ':') {
            if (sscanf(rest, ":%2d%n", &second, &used) != 1 || used != 3)
                return -1;
            rest += used;
        }
        if (*rest == 'Z')
            rest++;
    }
    if (*rest || d.year < 1970 || d.year > 2261 || d.month < 1 || d.month > 12 || d.day < 1 ||
        d.day > days_in_month(d.year, d.month) || hour < 0 || hour > 23 || minute < 0 || minute > 59 || second < 0 ||
        second > 59)
        return -1;
    *utc_s = days_of(d) * DAY_S + hour * HOUR_S + minute * MINUTE_S + second;
    return 0;
}
