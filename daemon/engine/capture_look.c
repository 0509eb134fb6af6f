#include "capture_look.h"

#include <math.h>
#include <stddef.h>

/* A single sample is no evidence: noise of contactors. Common practice, no published source. */
enum { SAMPLES_LEAST = 2 };
static const double sure_s = 0.02, near_s = 0.05, decay_s = 0.15, rise_within_s = 0.5, start_share = 0.25;

double open_path_line_v(double before_v, double no_load_v)
{
    double line = 1.3 * before_v;
    return no_load_v > 0 && 0.6 * no_load_v > line ? 0.6 * no_load_v : line;
}

static double mean(const double *values, int from, int to)
{
    double sum = 0;
    int n = 0;
    for (int i = from; i < to; i++)
        if (!isnan(values[i])) {
            sum += values[i];
            n++;
        }
    return n > 0 ? sum / n : NAN;
}

static int samples_in(double s, double interval_s)
{
    int n = (int)(s / interval_s + 0.5);
    return n > SAMPLES_LEAST ? n : SAMPLES_LEAST;
}

/* First sample from which on the values stay below the limit, for as long as counts; count: there is none. */
static int falls_below(const double *values, int from, int count, double limit, int lasting)
{
    int since = -1;
    for (int i = from; i < count; i++) {
        if (isnan(values[i]))
            continue; /* no value is no rise either */
        if (!(values[i] < limit)) {
            since = -1;
            continue;
        }
        since = since < 0 ? i : since;
        if (i - since + 1 >= lasting)
            return since;
    }
    return count;
}

/* The voltage rises beyond the line near the fall. */
static bool look_open(const double *u, int count, double interval_s, double no_load_v, struct capture_look *l)
{
    double line = open_path_line_v(l->u_before_v, no_load_v);
    int from = l->fall - samples_in(0.1, interval_s), until = l->fall + samples_in(rise_within_s, interval_s);
    int i = from < 0 ? 0 : from;
    while (i < count && i < until && !(u[i] > line))
        i++;
    int begin = i;
    double most = 0;
    for (; i < count && !(u[i] <= line); i++)
        most = u[i] > most ? u[i] : most;
    if (begin >= count || begin >= until || i - begin < samples_in(sure_s, interval_s))
        return false;
    l->shows = SHOWS_OPEN;
    l->u_most_v = most;
    l->rise_s = (i - begin) * interval_s;
    l->rise_to_end = i >= count;
    return true;
}

/* The voltage is low and the current is not, before both are gone. */
static bool look_short(const double *u, const double *i2, double interval_s, struct capture_look *l)
{
    int n = 0, at = l->fall;
    double least = l->u_before_v, amps = 0;
    /* The fall itself takes a sample or two. */
    while (at > 0 && l->fall - at < samples_in(decay_s, interval_s) && !(i2[at - 1] > 0.95 * l->i_before_a))
        at--;
    for (; at > 0 && !(u[at - 1] >= 0.4 * l->u_before_v) && i2[at - 1] > 0.95 * l->i_before_a; at--) {
        n++;
        amps += i2[at - 1];
        least = u[at - 1] < least ? u[at - 1] : least;
    }
    if (n < samples_in(sure_s, interval_s) || !(l->u_before_v > 5))
        return false;
    l->shows = SHOWS_SHORT;
    l->u_least_v = least;
    l->i_then_a = amps / n;
    l->short_s = n * interval_s;
    return true;
}

static bool look_together(const double *u, int count, double interval_s, struct capture_look *l)
{
    int lasting = samples_in(sure_s, interval_s), apart = samples_in(near_s, interval_s);
    int fall = falls_below(u, 0, count, 0.4 * l->u_before_v, lasting);
    if (fall >= count || fall - l->fall > apart || l->fall - fall > apart)
        return false;
    l->shows = SHOWS_TOGETHER;
    return true;
}

void capture_look(const double *u2, const double *i2, int count, int event, double interval_s, double before_v,
                  double no_load_v, struct capture_look *l)
{
    int start = (int)(count * start_share);
    *l = (struct capture_look){.shows = SHOWS_NOTHING, .fall = event, .i_before_a = NAN, .u_before_v = NAN};
    if (start < SAMPLES_LEAST || !(interval_s > 0))
        return;
    if (i2 != NULL) {
        l->i_before_a = mean(i2, 0, start);
        if (!(l->i_before_a > 1))
            return;
        l->fall = falls_below(i2, 0, count, 0.1 * l->i_before_a, samples_in(near_s, interval_s));
        if (l->fall >= count || l->fall < SAMPLES_LEAST)
            return;
    }
    if (l->fall <= 0 || l->fall > count)
        return;
    l->shows = SHOWS_UNCLEAR;
    if (u2 == NULL)
        return;
    /* A short may have begun before the samples did. */
    l->u_before_v = mean(u2, 0, start / 2 < l->fall ? start / 2 + 1 : l->fall);
    if (before_v > l->u_before_v)
        l->u_before_v = before_v;
    if (!(l->u_before_v > 1))
        return;
    if (look_open(u2, count, interval_s, no_load_v, l))
        return;
    if (i2 == NULL || look_short(u2, i2, interval_s, l))
        return;
    (void)look_together(u2, count, interval_s, l);
}
