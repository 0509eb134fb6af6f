/* Small pieces of text that the parts of a record share. */
#include <math.h>
#include <stdio.h>
#include <time.h>

#include "paper_parts.h"
#include "uncertainty.h"

static void print_time(char *to, size_t cap, int64_t utc_s, const char *form)
{
    to[0] = '\0';
    time_t t = (time_t)utc_s;
    struct tm tm;
    if (utc_s == 0 || gmtime_r(&t, &tm) == NULL)
        return;
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral" /* the two forms stand below */
    if (strftime(to, cap, form, &tm) == 0)
        to[0] = '\0';
#pragma GCC diagnostic pop
}

void paper_day(char *to, size_t cap, int64_t utc_s)
{
    print_time(to, cap, utc_s, "%Y-%m-%d");
}

void paper_moment(char *to, size_t cap, int64_t utc_us)
{
    print_time(to, cap, utc_us / 1000000, "%Y-%m-%d %H:%M:%S UTC");
}

void paper_figure(char *to, size_t cap, double value, int digits, const char *unit)
{
    to[0] = '\0';
    if (!isnan(value))
        (void)text_format(to, cap, "%.*f%s%s", digits, value, unit[0] != '\0' ? " " : "", unit);
}

const struct bench_signal *paper_signal(const struct run_data *d, enum signal_kind kind)
{
    int index = d->bench->channels[d->run.channel].signal[kind];
    return index >= 0 ? &d->bench->signals[index] : NULL;
}

static void append_expanded(char *to, size_t cap, double u, int digits, const char *unit)
{
    if (u > 0)
        (void)text_append(to, cap, ", U = %.*f %s (k = 2)", digits, u, unit);
    else
        (void)text_append(to, cap, ", U not stated");
}

void paper_measured(char *to, size_t cap, const struct run_data *d, enum signal_kind kind, double value, int digits,
                    const char *unit)
{
    paper_figure(to, cap, value, digits, unit);
    if (to[0] == '\0')
        return;
    const struct bench_signal *g = paper_signal(d, kind);
    append_expanded(to, cap, g != NULL ? uncertainty_expanded(&g->uncertainty, value) : 0, digits,
                    kind == SIG_T_INTAKE ? "K" : unit);
}

void paper_measured_supply(char *to, size_t cap, const struct run_data *d, double value)
{
    const struct bench_signal *phase = paper_signal(d, SIG_U1_A);
    if (d->run.request.point.phases != 3 || phase == NULL) {
        paper_measured(to, cap, d, SIG_U1, value, 1, "V");
        return;
    }
    paper_figure(to, cap, value, 1, "V");
    if (to[0] == '\0')
        return;
    /* One meter reads all three: their errors go the same way. */
    double root = sqrt(3);
    append_expanded(to, cap, root * uncertainty_expanded(&phase->uncertainty, value / root), 1, "V");
}
