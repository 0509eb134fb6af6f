#include "crossing.h"

static bool finite_in_order(const struct range *r)
{
    return __builtin_isfinite(r->enter_low) && __builtin_isfinite(r->leave_low) && __builtin_isfinite(r->enter_high) &&
           __builtin_isfinite(r->leave_high) && r->leave_low <= r->enter_low && r->enter_low <= r->enter_high &&
           r->enter_high <= r->leave_high;
}

int crossing_begin(struct crossing *c, const struct range *range, const struct meter_timing *timing, int64_t gap_ns,
                   int64_t begin_ns, struct error *err)
{
    if (!finite_in_order(range))
        return error_set(err, "the limits of a range must be numbers in the order leave, enter, enter, leave");
    if (timing->refresh_ns < 0 || timing->averaging_ns < 0 || timing->damping_ns < 0 || gap_ns < 0)
        return error_set(err, "refresh, averaging, damping and gap must be times of at least 0");
    *c = (struct crossing){.range = *range,
                           .timing = *timing,
                           .gap_ns = gap_ns,
                           .seen_ns = INT64_MIN,
                           .done_ns = begin_ns,
                           .state = RANGE_UNKNOWN};
    return 0;
}

static enum range_state classify(const struct range *r, double value, enum range_state before)
{
    if (value < r->leave_low || value > r->leave_high)
        return RANGE_OUTSIDE;
    if (value >= r->enter_low && value <= r->enter_high)
        return RANGE_INSIDE;
    return before;
}

/* Where the straight line from a to b crosses the level, in [from, to]. */
static int64_t cross_at(int64_t from_ns, int64_t to_ns, double a, double b, double level)
{
    double share = (level - a) / (b - a);
    if (!(share > 0))
        return from_ns;
    if (share >= 1)
        return to_ns;
    return from_ns + (int64_t)((double)(to_ns - from_ns) * share);
}

static int put(struct stretch *out, int n, int64_t from_ns, int64_t to_ns, unsigned known)
{
    if (from_ns >= to_ns)
        return n;
    out[n] = (struct stretch){from_ns, to_ns, known};
    return n + 1;
}

/* The line from the last point to (stamp, value), whose state is now `after`. */
static int line(const struct crossing *c, int64_t stamp_ns, double value, enum range_state after, struct stretch *out)
{
    const struct range *r = &c->range;
    int64_t from = c->done_ns;
    if (c->state == RANGE_UNKNOWN || after == RANGE_UNKNOWN)
        return put(out, 0, from, stamp_ns, INSIDE_MAYBE);
    if (c->state == after)
        return put(out, 0, from, stamp_ns, after == RANGE_INSIDE ? INSIDE : OUTSIDE);
    if (after == RANGE_OUTSIDE) {
        double level = value < r->leave_low ? r->leave_low : r->leave_high;
        int64_t at = cross_at(from, stamp_ns, c->point_value, value, level);
        int n = put(out, 0, from, at, INSIDE_BEST | INSIDE_MAYBE);
        return put(out, n, at, stamp_ns, INSIDE_MAYBE);
    }
    double level = c->point_value < r->enter_low ? r->enter_low : r->enter_high;
    int64_t at = cross_at(from, stamp_ns, c->point_value, value, level);
    int n = put(out, 0, from, at, INSIDE_MAYBE);
    return put(out, n, at, stamp_ns, INSIDE_BEST | INSIDE_MAYBE);
}

int crossing_feed(struct crossing *c, int64_t stamp_ns, int64_t half_width_ns, double value, enum quality quality,
                  struct stretch out[STRETCHES_PER_READING])
{
    if (c->seen_ns != INT64_MIN && stamp_ns <= c->seen_ns) {
        c->out_of_order++;
        return 0;
    }
    c->seen_ns = stamp_ns;
    if (quality != QUALITY_GOOD || !__builtin_isfinite(value)) {
        int n = put(out, 0, c->done_ns, stamp_ns, INSIDE_MAYBE | INSIDE_UNSEEN);
        c->done_ns = stamp_ns;
        c->has_point = false;
        c->state = RANGE_UNKNOWN;
        return n;
    }
    int64_t age = c->has_point ? stamp_ns - c->point_ns : 0;
    if (c->has_point && age < c->timing.refresh_ns && !(value < c->point_value) && !(value > c->point_value))
        return 0; /* the same value shown again: it becomes part of the line to the next new one */
    int n;
    if (!c->has_point || (c->gap_ns > 0 && age > c->gap_ns)) {
        n = put(out, 0, c->done_ns, stamp_ns, INSIDE_MAYBE | INSIDE_UNSEEN);
        c->state = classify(&c->range, value, RANGE_UNKNOWN);
    } else {
        enum range_state after = classify(&c->range, value, c->state);
        n = line(c, stamp_ns, value, after, out);
        c->state = after;
    }
    c->has_point = true;
    c->point_ns = stamp_ns;
    c->point_half_ns = half_width_ns;
    c->point_value = value;
    c->done_ns = stamp_ns;
    return n;
}

enum range_state crossing_state(const struct crossing *c)
{
    return c->state;
}

int64_t crossing_out_of_order(const struct crossing *c)
{
    return c->out_of_order;
}

int64_t crossing_known_ns(const struct crossing *c)
{
    return c->done_ns;
}

/* Upper bound of ln(ratio), see the header; 0 below 1, and no more than for one part in a million. */
static double log_bound(double ratio)
{
    if (!(ratio > 1))
        return 0;
    if (ratio > 1e6)
        ratio = 1e6;
    double root = __builtin_sqrt(__builtin_sqrt(ratio));
    return 4 * (root - 1) / __builtin_sqrt(root);
}

struct edge edge_locate(const struct meter_timing *timing, int64_t before_ns, int64_t before_half_ns, int64_t after_ns,
                        int64_t after_half_ns, double ratio)
{
    int64_t lag_ns = (int64_t)((double)timing->damping_ns * log_bound(ratio));
    int64_t hidden_ns = timing->refresh_ns + timing->averaging_ns + lag_ns;
    struct edge e = {.earliest_ns = before_ns - before_half_ns - hidden_ns, .latest_ns = after_ns + after_half_ns};
    int64_t span = e.latest_ns - e.earliest_ns;
    e.half_width_ns = span / 2 + span % 2;
    e.at_ns = e.earliest_ns + span / 2;
    return e;
}

struct range range_at_least(double enter, double leave)
{
    return (struct range){enter, leave, RANGE_OPEN, RANGE_OPEN};
}

struct range range_band(double low, double high, double hysteresis)
{
    return (struct range){low + hysteresis, low, high - hysteresis, high};
}

struct meter_timing meter_timing_of(const struct bench_signal *signal)
{
    return (struct meter_timing){signal->refresh_ns, signal->averaging_ns, signal->damping_ns};
}
