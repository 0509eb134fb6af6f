#include "cycle.h"

/* Levels, as shares of the rated current, that tell "conducting" from "not": common practice, no published source. They
 * lie above the noise of a current meter and far below any rated point. */
#define CONDUCTING_ENTER 0.05
#define CONDUCTING_LEAVE 0.03
#define BAND_HYSTERESIS 0.0025

static int64_t gap_of(const struct bench_signal *s, const struct bench_limits *limits)
{
    int64_t stale = s->stale_after_ns > 0 ? s->stale_after_ns : limits->stale_ns[s->cls];
    return stale + s->refresh_ns;
}

int cycle_setup_for(const struct rating_point *point, double load_voltage_v, double i2_uncertainty_a,
                    const struct bench_limits *limits, const struct bench_signal *i2, const struct bench_signal *u2,
                    struct cycle_setup *setup, struct error *err)
{
    double rated = point->current_a;
    if (!(rated > 0) || !__builtin_isfinite(rated))
        return error_set(err, "the rated current must be a number above 0 A");
    if (!(load_voltage_v > 0) || !__builtin_isfinite(load_voltage_v))
        return error_set(err, "the load voltage must be a number above 0 V");
    if (!(i2_uncertainty_a >= 0) || i2_uncertainty_a >= rated / 2)
        return error_set(err, "the uncertainty of the current meter must lie between 0 A and half the rated current");
    double low = 1 - limits->band_low_pct / 100, high = 1 + limits->band_high_pct / 100;
    if (!(low > 0) || !(high > low + 2 * BAND_HYSTERESIS))
        return error_set(err, "the band of the test conditions is empty");
    double level = rated - i2_uncertainty_a;
    *setup = (struct cycle_setup){
        .conducting = range_at_least(CONDUCTING_ENTER * rated, CONDUCTING_LEAVE * rated),
        .at_rated = range_at_least(level + i2_uncertainty_a / 4, level),
        .band_current = range_band(low * rated, high * rated, BAND_HYSTERESIS * rated),
        .band_voltage = range_band(low * load_voltage_v, high * load_voltage_v, BAND_HYSTERESIS * load_voltage_v),
        .rated_a = rated,
        .timing = {meter_timing_of(i2), meter_timing_of(u2)},
        .gap_ns = {gap_of(i2, limits), gap_of(u2, limits)},
        .settle_ns = limits->settle_ns[point->process],
    };
    return 0;
}

static void reset_sums(struct cycle *c, int64_t begin_ns)
{
    struct cycle_sum zero = {0, 0, 0, 0};
    struct cycle_mean none = {0, 0, 0, 0};
    c->begin_ns = begin_ns;
    c->end_ns = INT64_MAX;
    c->sum_conducting = c->sum_at_rated = c->sum_band = c->sum_commanded = zero;
    c->joined_ns = begin_ns;
    c->overflowed = false;
    c->began = c->ended = false;
    c->ends = 0;
    c->mean[CYCLE_I2] = c->mean[CYCLE_U2] = none;
}

int cycle_begin(struct cycle *c, const struct cycle_setup *setup, int64_t begin_ns, struct error *err)
{
    *c = (struct cycle){.setup = *setup, .on_since_ns = INT64_MIN / 2};
    reset_sums(c, begin_ns);
    const struct meter_timing *i2 = &setup->timing[CYCLE_I2], *u2 = &setup->timing[CYCLE_U2];
    if (crossing_begin(&c->conducting, &setup->conducting, i2, setup->gap_ns[CYCLE_I2], begin_ns, err) != 0 ||
        crossing_begin(&c->at_rated, &setup->at_rated, i2, setup->gap_ns[CYCLE_I2], begin_ns, err) != 0 ||
        crossing_begin(&c->band[CYCLE_I2], &setup->band_current, i2, setup->gap_ns[CYCLE_I2], begin_ns, err) != 0 ||
        crossing_begin(&c->band[CYCLE_U2], &setup->band_voltage, u2, setup->gap_ns[CYCLE_U2], begin_ns, err) != 0)
        return -1;
    return 0;
}

void cycle_begin_after(struct cycle *c, const struct cycle *previous, int64_t begin_ns)
{
    *c = *previous;
    reset_sums(c, begin_ns);
    if (c->commanded && c->commanded_ns < begin_ns) {
        c->commanded_ns = begin_ns;
        c->commanded_half_ns = 0;
    }
}

void cycle_end(struct cycle *c, int64_t end_ns)
{
    c->end_ns = end_ns;
}

/* Cuts to the cycle. False when nothing is left. */
static bool clip(const struct cycle *c, struct stretch *s)
{
    if (s->from_ns < c->begin_ns)
        s->from_ns = c->begin_ns;
    if (s->to_ns > c->end_ns)
        s->to_ns = c->end_ns;
    return s->from_ns < s->to_ns;
}

static void sum_add(struct cycle_sum *sum, unsigned known, int64_t length_ns)
{
    if ((known & INSIDE_SURE) != 0)
        sum->low_ns += length_ns;
    if ((known & INSIDE_BEST) != 0)
        sum->best_ns += length_ns;
    if ((known & INSIDE_MAYBE) != 0)
        sum->high_ns += length_ns;
    if ((known & INSIDE_UNSEEN) != 0)
        sum->unseen_ns += length_ns;
}

static void sum_stretch(const struct cycle *c, struct cycle_sum *sum, struct stretch s)
{
    if (clip(c, &s))
        sum_add(sum, s.known, s.to_ns - s.from_ns);
}

static void close_commanded(const struct cycle *c, struct cycle_sum *sum, int64_t off_ns, int64_t off_half_ns)
{
    sum_stretch(c, sum, (struct stretch){c->commanded_ns, off_ns, INSIDE_BEST});
    sum_stretch(c, sum, (struct stretch){c->commanded_ns + c->commanded_half_ns, off_ns - off_half_ns, INSIDE_SURE});
    sum_stretch(c, sum, (struct stretch){c->commanded_ns - c->commanded_half_ns, off_ns + off_half_ns, INSIDE_MAYBE});
}

void cycle_command(struct cycle *c, int64_t at_ns, int64_t half_width_ns, bool on)
{
    if (on == c->commanded)
        return;
    if (!on)
        close_commanded(c, &c->sum_commanded, at_ns, half_width_ns);
    c->commanded = on;
    c->commanded_ns = at_ns;
    c->commanded_half_ns = half_width_ns;
}

static void mean_add(struct cycle_mean *m, double from, double to, int64_t length_ns)
{
    double low = from < to ? from : to, high = from < to ? to : from;
    if (m->over_ns == 0 || low < m->min)
        m->min = low;
    if (m->over_ns == 0 || high > m->max)
        m->max = high;
    m->weighted += (from + to) / 2 * (double)length_ns;
    m->over_ns += length_ns;
}

static double value_at(const struct cycle_piece *p, int64_t at_ns)
{
    const struct stretch *s = &p->stretch;
    double share = (double)(at_ns - s->from_ns) / (double)(s->to_ns - s->from_ns);
    return p->value_from + (p->value_to - p->value_from) * share;
}

static int64_t earlier(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static struct cycle_piece *oldest(struct cycle_pending *p)
{
    return &p->items[p->first];
}

static void pending_pop(struct cycle_pending *p)
{
    p->first = (p->first + 1) % CYCLE_PENDING;
    p->count--;
}

/* Sums what both signals say about the same time, as far as both are known. */
static void join(struct cycle *c)
{
    struct cycle_pending *a = &c->pending[CYCLE_I2], *b = &c->pending[CYCLE_U2];
    while (a->count > 0 && b->count > 0) {
        const struct cycle_piece *i = oldest(a), *u = oldest(b);
        int64_t to = earlier(i->stretch.to_ns, u->stretch.to_ns);
        struct stretch s = {later(later(i->stretch.from_ns, u->stretch.from_ns), c->joined_ns), to,
                            i->stretch.known & u->stretch.known};
        if (clip(c, &s)) {
            sum_add(&c->sum_band, s.known, s.to_ns - s.from_ns);
            if (i->flowing && u->line)
                mean_add(&c->mean[CYCLE_U2], value_at(u, s.from_ns), value_at(u, s.to_ns), s.to_ns - s.from_ns);
        }
        c->joined_ns = later(c->joined_ns, to);
        bool pop_a = i->stretch.to_ns == to, pop_b = u->stretch.to_ns == to;
        if (pop_a)
            pending_pop(a);
        if (pop_b)
            pending_pop(b);
    }
}

/* Queues what is known of one signal. When the other lags so far behind that the queue is full, the oldest piece is
 * given up: that time counts for the upper bound only. */
static void pending_push(struct cycle *c, enum cycle_signal signal, const struct cycle_piece *piece)
{
    struct cycle_pending *p = &c->pending[signal];
    if (p->count == CYCLE_PENDING) {
        struct stretch lost = {later(oldest(p)->stretch.from_ns, c->joined_ns), oldest(p)->stretch.to_ns,
                               oldest(p)->stretch.known & INSIDE_MAYBE};
        sum_stretch(c, &c->sum_band, lost);
        c->joined_ns = later(c->joined_ns, oldest(p)->stretch.to_ns);
        c->overflowed = true;
        pending_pop(p);
    }
    p->items[(p->first + p->count) % CYCLE_PENDING] = *piece;
    p->count++;
}

/* A stretch of I2's band, cut where the settling time after the begin of conduction ends; what lies in it is kept out,
 * or, when it is not known since when current flows, is not known. */
static void push_settled(struct cycle *c, struct stretch s, bool flowing)
{
    int64_t settled_ns = c->on_since_ns + c->setup.settle_ns;
    unsigned mask = c->on_since_hidden ? INSIDE_MAYBE | INSIDE_UNSEEN : INSIDE_UNSEEN;
    int64_t cuts[4] = {s.from_ns, s.to_ns, s.to_ns, s.to_ns};
    if (settled_ns > s.from_ns && c->on_since_ns < s.to_ns) {
        cuts[1] = later(c->on_since_ns, s.from_ns);
        cuts[2] = earlier(settled_ns, s.to_ns);
    }
    for (int k = 0; k < 3; k++) {
        struct cycle_piece piece = {.stretch = {cuts[k], cuts[k + 1], k == 1 ? s.known & mask : s.known},
                                    .flowing = flowing && k != 1 && cuts[k] >= settled_ns};
        if (cuts[k] < cuts[k + 1])
            pending_push(c, CYCLE_I2, &piece);
    }
}

static bool within(const struct cycle *c, int64_t at_ns)
{
    return at_ns >= c->begin_ns && at_ns < c->end_ns;
}

/* The begin of conduction; a slow meter is taken to rise towards the rated current. */
static struct edge begin_edge(const struct cycle *c, const struct cycle_mark *here)
{
    struct cycle_mark before = c->last_outside;
    if (!before.any)
        before = (struct cycle_mark){true, earlier(c->begin_ns, here->at_ns), 0};
    double share = c->setup.conducting.enter_low / c->setup.rated_a; /* must build up in the meter */
    return edge_locate(&c->setup.timing[CYCLE_I2], before.at_ns, before.half_ns, here->at_ns, here->half_ns,
                       share < 1 ? 1 / (1 - share) : 1);
}

static void note_end(struct cycle *c, const struct cycle_mark *here)
{
    struct edge e = edge_locate(&c->setup.timing[CYCLE_I2], c->last_inside.at_ns, c->last_inside.half_ns, here->at_ns,
                                here->half_ns, c->peak_a / c->setup.conducting.leave_low);
    if (!within(c, e.at_ns))
        return;
    if (c->ends == 0)
        c->first_end = e;
    c->ended = true;
    c->end = e;
    c->ends++;
}

/* Follows when conduction begins and ends. on_since_ns: when the straight line crossed the level. */
static void follow_edges(struct cycle *c, enum range_state before, const struct cycle_mark *here, double value_a,
                         int64_t on_since_ns)
{
    enum range_state state = crossing_state(&c->conducting);
    if (state == RANGE_INSIDE) {
        if (before != RANGE_INSIDE) {
            /* after a gap nobody knows whether the output was interrupted and had to settle again */
            c->on_since_hidden = before == RANGE_UNKNOWN;
            c->on_since_ns = on_since_ns;
        }
        if (!c->flowing_last && !c->began) {
            struct edge e = begin_edge(c, here);
            c->began = within(c, e.at_ns);
            c->begin = e;
        }
        if (!c->flowing_last || value_a > c->peak_a)
            c->peak_a = value_a;
        c->flowing_last = true;
        c->last_inside = *here;
    } else if (state == RANGE_OUTSIDE) {
        if (c->flowing_last)
            note_end(c, here);
        c->flowing_last = false;
        c->last_outside = *here;
    }
}

static void feed_current(struct cycle *c, int64_t stamp_ns, int64_t half_ns, double value, enum quality quality)
{
    struct stretch out[STRETCHES_PER_READING];
    enum range_state before = crossing_state(&c->conducting);
    bool had_point = c->conducting.has_point;
    double value_before = c->conducting.point_value;
    int64_t from_ns = crossing_known_ns(&c->conducting), dropped = crossing_out_of_order(&c->conducting);
    int n = crossing_feed(&c->conducting, stamp_ns, half_ns, value, quality, out);
    if (crossing_known_ns(&c->conducting) != stamp_ns || crossing_out_of_order(&c->conducting) != dropped)
        return; /* a repeated value or a stamp out of order says nothing new */
    for (int k = 0; k < n; k++)
        sum_stretch(c, &c->sum_conducting, out[k]);
    bool sure = n == 1 && out[0].known == INSIDE && had_point && before == RANGE_INSIDE;
    struct cycle_mark here = {true, stamp_ns, half_ns};
    bool rising = n > 0 && (out[n - 1].known & INSIDE_BEST) != 0;
    follow_edges(c, before, &here, value, rising ? out[n - 1].from_ns : stamp_ns);
    bool settled = from_ns >= c->on_since_ns + c->setup.settle_ns;
    struct stretch whole = {from_ns, stamp_ns, INSIDE};
    if (sure && settled && clip(c, &whole)) {
        struct cycle_piece p = {.stretch = {from_ns, stamp_ns, INSIDE}, .value_from = value_before, .value_to = value};
        mean_add(&c->mean[CYCLE_I2], value_at(&p, whole.from_ns), value_at(&p, whole.to_ns),
                 whole.to_ns - whole.from_ns);
    }
    n = crossing_feed(&c->at_rated, stamp_ns, half_ns, value, quality, out);
    for (int k = 0; k < n; k++)
        sum_stretch(c, &c->sum_at_rated, out[k]);
    n = crossing_feed(&c->band[CYCLE_I2], stamp_ns, half_ns, value, quality, out);
    for (int k = 0; k < n; k++)
        push_settled(c, out[k], sure && settled);
}

static void feed_voltage(struct cycle *c, int64_t stamp_ns, int64_t half_ns, double value, enum quality quality)
{
    struct crossing *band = &c->band[CYCLE_U2];
    struct stretch out[STRETCHES_PER_READING];
    double value_before = band->point_value;
    int64_t from_ns = crossing_known_ns(band);
    int n = crossing_feed(band, stamp_ns, half_ns, value, quality, out);
    struct cycle_piece whole = {.stretch = {from_ns, stamp_ns, 0}, .value_from = value_before, .value_to = value};
    for (int k = 0; k < n; k++) {
        struct cycle_piece piece = {.stretch = out[k], .line = (out[k].known & INSIDE_UNSEEN) == 0};
        if (piece.line) {
            piece.value_from = value_at(&whole, out[k].from_ns);
            piece.value_to = value_at(&whole, out[k].to_ns);
        }
        pending_push(c, CYCLE_U2, &piece);
    }
}

void cycle_feed(struct cycle *c, enum cycle_signal signal, int64_t stamp_ns, int64_t half_width_ns, double value,
                enum quality quality)
{
    if (signal == CYCLE_I2)
        feed_current(c, stamp_ns, half_width_ns, value, quality);
    else
        feed_voltage(c, stamp_ns, half_width_ns, value, quality);
    join(c);
}

/* A sum together with the time from known_ns to limit_ns, which nobody has seen. */
static struct bounded_time with_tail(const struct cycle *c, const struct cycle_sum *sum, int64_t known_ns,
                                     int64_t limit_ns)
{
    struct cycle_sum total = *sum;
    sum_stretch(c, &total, (struct stretch){known_ns, limit_ns, INSIDE_MAYBE | INSIDE_UNSEEN});
    return (struct bounded_time){total.low_ns, total.best_ns, total.high_ns};
}

static struct series_mean mean_of(const struct cycle_mean *m)
{
    if (m->over_ns == 0) {
        double none = __builtin_nan("");
        return (struct series_mean){none, none, none, 0};
    }
    return (struct series_mean){m->weighted / (double)m->over_ns, m->min, m->max, m->over_ns};
}

void cycle_figures(const struct cycle *c, int64_t upto_ns, struct cycle_figures *figures)
{
    int64_t limit = earlier(upto_ns, c->end_ns);
    int64_t known = crossing_known_ns(&c->conducting);
    struct cycle_sum commanded = c->sum_commanded;
    if (c->commanded)
        close_commanded(c, &commanded, limit, 0);
    struct stretch tail = {known, limit, INSIDE_UNSEEN};
    *figures = (struct cycle_figures){
        .commanded = {commanded.low_ns, commanded.best_ns, commanded.high_ns},
        .conducting = with_tail(c, &c->sum_conducting, known, limit),
        .at_rated = with_tail(c, &c->sum_at_rated, known, limit),
        .in_band = with_tail(c, &c->sum_band, c->joined_ns, limit),
        .unseen_ns = c->sum_conducting.unseen_ns + (clip(c, &tail) ? tail.to_ns - tail.from_ns : 0),
        .began = c->began,
        .ended = c->ended,
        .begin = c->begin,
        .end = c->end,
        .ends = c->ends,
        .first_end = c->first_end,
        .current_a = mean_of(&c->mean[CYCLE_I2]),
        .voltage_v = mean_of(&c->mean[CYCLE_U2]),
        .known_ns = cycle_known_ns(c),
        .overflowed = c->overflowed,
    };
}

int64_t cycle_known_ns(const struct cycle *c)
{
    return earlier(crossing_known_ns(&c->conducting), crossing_known_ns(&c->band[CYCLE_U2]));
}

enum range_state cycle_conducting(const struct cycle *c)
{
    return crossing_state(&c->conducting);
}

double percent_on_of(int64_t on_ns, int64_t cycle_ns)
{
    if (cycle_ns <= 0)
        return __builtin_nan("");
    return 100 * (double)on_ns / (double)cycle_ns;
}
