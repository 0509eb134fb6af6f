#include "breaker.h"

#include <math.h>
#include <string.h>

enum { CYCLES_MAX = 1000 };

/* Time constant with which a body that starts cold and is heated by multiple^2 reaches `heat` after time_s. */
static double tau_for(double multiple, double heat, double time_s)
{
    double goal = multiple * multiple;
    return time_s / log(goal / (goal - heat));
}

static int iec_model(const struct breaker *b, struct breaker_model *m, struct error *err)
{
    /* limits of the instantaneous trip, IEC 60898-1 as tabulated in several secondary texts */
    double low, high;
    switch (b->curve) {
    case 'B':
        low = 3, high = 5;
        break;
    case 'C':
        low = 5, high = 10;
        break;
    case 'D':
        low = 10, high = 20;
        break;
    default:
        return error_set(err, "an IEC 60898-1 breaker has curve B, C or D");
    }
    double conventional_s = b->rated_a <= 63 ? 3600 : 7200;
    double slow_255_s = b->rated_a <= 32 ? 60 : 120;
    double tau_slow = tau_for(2.55, 1.45 * 1.45, slow_255_s);
    /* trips within the conventional time at 1.45, begun after that time at 1.13: hardly below 1.45^2 */
    double left = exp(-conventional_s / tau_slow);
    m->slow = (struct breaker_edge){1.45 * 1.45 - (1.45 * 1.45 - 1.13 * 1.13) * left, tau_slow, high, 0.1};
    m->fast = (struct breaker_edge){1.13 * 1.13, tau_for(2.55, 1.13 * 1.13, 1), low, 0};
    m->basis = "limits of IEC 60898-1 with a single time constant between them";
    return 0;
}

/* Longest time at 200 % by rating, UL 489: from memory, unverified. */
static double ul_200_s(double rated_a)
{
    static const double up_to[] = {30, 50, 100, 150, 225, 400, 600, 800, 1000};
    for (int i = 0; i < 9; i++) {
        if (rated_a <= up_to[i])
            return 120 * (i + 1);
    }
    return 120 * 10;
}

static void ul_model(const struct breaker *b, struct breaker_model *m)
{
    /* no shortest time is laid down at 200 %: a tenth of the longest is assumed for the fast edge, and magnetic trip
     * from 5 (fast) or 20 (slow) times rated: common practice, no published source */
    double longest_s = ul_200_s(b->rated_a);
    double tau_slow = tau_for(2, 1.35 * 1.35, longest_s);
    double left = exp(-(b->rated_a <= 50 ? 3600 : 7200) / tau_slow);
    m->slow = (struct breaker_edge){1.35 * 1.35 * (1 - left), tau_slow, 20, 0.1};
    m->fast = (struct breaker_edge){1, tau_for(2, 1, longest_s / 10), 5, 0};
    m->from_memory = true;
    m->basis = "limits of UL 489 (times from memory) with a single time constant between them";
}

/* Time on one edge of the maker's curve, straight in logarithms between points. */
static double curve_time(const struct breaker *b, const double *times, double multiple)
{
    for (int i = 1; i < b->point_count; i++) {
        double a = b->point_multiple[i - 1], z = b->point_multiple[i];
        if (multiple >= a && multiple <= z) {
            double share = log(multiple / a) / log(z / a);
            return exp(log(times[i - 1]) + share * log(times[i] / times[i - 1]));
        }
    }
    return NAN;
}

static int check_points(const struct breaker *b, struct error *err)
{
    if (b->point_count < 0 || b->point_count == 1 || b->point_count > CURVE_POINTS_MAX)
        return error_set(err, "a breaker's curve needs 2 to %d points, or none", CURVE_POINTS_MAX);
    for (int i = 0; i < b->point_count; i++) {
        if (!(b->point_multiple[i] > 1) || !(b->point_min_s[i] > 0) || !(b->point_max_s[i] >= b->point_min_s[i]) ||
            !isfinite(b->point_multiple[i]) || !isfinite(b->point_max_s[i]))
            return error_set(err, "curve point %d: multiple above 1, and 0 < min <= max are needed", i + 1);
        if (i > 0 && !(b->point_multiple[i] > b->point_multiple[i - 1]))
            return error_set(err, "curve point %d: the multiples of rated current must rise", i + 1);
    }
    return 0;
}

/* Where the maker's points reach, they take the place of the standard's time; the level stays, and the time constant
 * follows, so that a constant current from cold trips just when the curve says. */
static void use_curve(const struct breaker *b, double multiple, struct breaker_model *m)
{
    if (b->point_count == 0)
        return;
    double min_s = curve_time(b, b->point_min_s, multiple), max_s = curve_time(b, b->point_max_s, multiple);
    if (isnan(min_s))
        return;
    double goal = multiple * multiple;
    /* the curve says that it trips here: the level cannot lie above the heat of this current */
    m->fast.trip_heat = fmin(m->fast.trip_heat, goal * 0.98);
    m->slow.trip_heat = fmin(m->slow.trip_heat, goal * 0.98);
    m->fast.tau_s = tau_for(multiple, m->fast.trip_heat, min_s);
    m->slow.tau_s = tau_for(multiple, m->slow.trip_heat, max_s);
    m->from_curve = true;
    m->from_memory = false;
    m->basis = "the maker's curve as typed in";
}

int breaker_model_find(const struct breaker *breaker, double multiple, struct breaker_model *model, struct error *err)
{
    if (!(breaker->rated_a > 0) || !isfinite(breaker->rated_a))
        return error_set(err, "the breaker's rated current must be a number above 0 A");
    if (!(multiple >= 0) || !isfinite(multiple))
        return error_set(err, "the current over the rated current must be a number of at least 0");
    if (check_points(breaker, err) != 0)
        return -1;
    *model = (struct breaker_model){.basis = ""};
    if (strcmp(breaker->standard, "iec-60898-1") == 0) {
        if (iec_model(breaker, model, err) != 0)
            return -1;
    } else if (strcmp(breaker->standard, "ul-489") == 0) {
        ul_model(breaker, model);
    } else {
        return error_set(err, "unknown breaker standard \"%s\": iec-60898-1 or ul-489", breaker->standard);
    }
    use_curve(breaker, multiple, model);
    return 0;
}

/* Time until the edge trips, in *cycle which; INFINITY and 0 when it does not. */
static double edge_trip(const struct breaker_edge *e, const struct breaker_cycle *c, double multiple,
                        double pause_multiple, int *cycle, double *heat)
{
    double goal = multiple * multiple, idle = pause_multiple * pause_multiple;
    double theta = c->start_heat;
    *cycle = 1;
    *heat = theta;
    if (multiple >= e->at_once_multiple)
        return e->at_once_s;
    if (theta >= e->trip_heat)
        return 0;
    for (int k = 0; k < c->cycles; k++) {
        double time_s = k * (c->on_s + c->pause_s);
        if (goal > e->trip_heat) {
            double until = e->tau_s * log((goal - theta) / (goal - e->trip_heat));
            if (until <= c->on_s) {
                *cycle = k + 1;
                *heat = e->trip_heat;
                return time_s + until;
            }
        }
        theta = goal + (theta - goal) * exp(-c->on_s / e->tau_s);
        *heat = theta;
        theta = idle + (theta - idle) * exp(-c->pause_s / e->tau_s);
    }
    *cycle = 0;
    return INFINITY;
}

int breaker_predict(const struct breaker *breaker, const struct breaker_cycle *cycle, struct breaker_trip *trip,
                    struct breaker_model *model, struct error *err)
{
    if (!(cycle->on_current_a >= 0) || !isfinite(cycle->on_current_a) || !(cycle->pause_current_a >= 0) ||
        !isfinite(cycle->pause_current_a))
        return error_set(err, "supply currents must be numbers of at least 0 A");
    if (!(cycle->on_s > 0) || !isfinite(cycle->on_s) || !(cycle->pause_s >= 0) || !isfinite(cycle->pause_s))
        return error_set(err, "the on-load part must be longer than 0 s and the pause at least 0 s");
    if (!(cycle->start_heat >= 0) || !isfinite(cycle->start_heat) || !(cycle->ambient_factor > 0) ||
        cycle->ambient_factor > 10)
        return error_set(err, "start heat must be at least 0 and the ambient factor above 0");
    if (cycle->cycles < 1 || cycle->cycles > CYCLES_MAX)
        return error_set(err, "1 to %d cycles can be predicted, not %d", CYCLES_MAX, cycle->cycles);
    double rated = breaker->rated_a * cycle->ambient_factor;
    double multiple = cycle->on_current_a / rated, idle = cycle->pause_current_a / rated;
    if (breaker_model_find(breaker, multiple, model, err) != 0)
        return -1;
    *trip = (struct breaker_trip){.multiple = multiple};
    trip->trip_min_s = edge_trip(&model->fast, cycle, multiple, idle, &trip->cycle_min, &trip->end_heat_fast);
    trip->trip_max_s = edge_trip(&model->slow, cycle, multiple, idle, &trip->cycle_max, &trip->end_heat_slow);
    return 0;
}

void breaker_trip_print(char *to, unsigned cap, const struct breaker_trip *trip, const struct breaker_model *model)
{
    if (isinf(trip->trip_min_s))
        (void)text_format(to, cap, "is not expected to trip (%s)", model->basis);
    else if (isinf(trip->trip_max_s))
        (void)text_format(to, cap, "may trip after %.1f min or later, or not at all (%s)", trip->trip_min_s / 60,
                          model->basis);
    else
        (void)text_format(to, cap, "trips after %.1f to %.1f min (%s)", trip->trip_min_s / 60, trip->trip_max_s / 60,
                          model->basis);
}
