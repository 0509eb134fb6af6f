#include "sliding.h"

int sliding_begin(struct sliding *s, int64_t window_ns, int64_t begin_ns, struct error *err)
{
    if (window_ns <= 0)
        return error_set(err, "the sliding window must be longer than 0");
    *s = (struct sliding){.window_ns = window_ns, .begin_ns = begin_ns, .head_ns = begin_ns, .tail_ns = begin_ns};
    return 0;
}

static int slot(const struct sliding *s, int i)
{
    return (s->first + i) % SLIDING_STRETCHES;
}

/* Makes room by taking the two oldest stretches as one that was on. */
static void merge_oldest(struct sliding *s)
{
    int a = slot(s, 0), b = slot(s, 1);
    if (!s->on[a])
        s->on_ns += s->ends[a] - s->tail_ns;
    if (!s->on[b])
        s->on_ns += s->ends[b] - s->ends[a];
    s->on[b] = true;
    s->first = b;
    s->count--;
    s->result.dropped++;
}

static void append(struct sliding *s, int64_t to_ns, bool on)
{
    if (s->count > 0 && s->on[slot(s, s->count - 1)] == on) {
        s->ends[slot(s, s->count - 1)] = to_ns;
        return;
    }
    if (s->count == SLIDING_STRETCHES)
        merge_oldest(s);
    s->ends[slot(s, s->count)] = to_ns;
    s->on[slot(s, s->count)] = on;
    s->count++;
}

static void look(struct sliding *s)
{
    struct sliding_result *r = &s->result;
    if (!r->any || s->on_ns < r->least_on_ns) {
        r->least_on_ns = s->on_ns;
        r->least_end_ns = s->head_ns;
    }
    if (!r->any || s->on_ns > r->most_on_ns) {
        r->most_on_ns = s->on_ns;
        r->most_end_ns = s->head_ns;
    }
    r->any = true;
}

void sliding_feed(struct sliding *s, int64_t to_ns, bool on)
{
    if (to_ns <= s->head_ns)
        return;
    append(s, to_ns, on);
    int64_t full_ns = s->begin_ns + s->window_ns;
    if (s->head_ns < full_ns) {
        int64_t step = (to_ns < full_ns ? to_ns : full_ns) - s->head_ns;
        s->on_ns += on ? step : 0;
        s->head_ns += step;
        if (s->head_ns == full_ns)
            look(s);
    }
    /* on-time in the window is a straight line between the moments at which either end meets a change */
    while (s->head_ns < to_ns) {
        int old = slot(s, 0);
        int64_t step = to_ns - s->head_ns, left = s->ends[old] - s->tail_ns;
        if (left < step)
            step = left;
        s->on_ns += (on ? step : 0) - (s->on[old] ? step : 0);
        s->head_ns += step;
        s->tail_ns += step;
        look(s);
        if (s->tail_ns == s->ends[old]) {
            s->first = slot(s, 1);
            s->count--;
        }
    }
}

void sliding_figures(const struct sliding *s, struct sliding_result *result)
{
    *result = s->result;
    double nan = __builtin_nan("");
    result->least_percent_on = s->result.any ? 100 * (double)s->result.least_on_ns / (double)s->window_ns : nan;
    result->most_percent_on = s->result.any ? 100 * (double)s->result.most_on_ns / (double)s->window_ns : nan;
}
