#include "queue_expect.h"

#include <math.h>

#include "procedure.h"
#include "stagger.h"

static const double equilibrium_least_s = 3600; /* of a heating test: from memory, IEC 60974-1 7.1.3 */

double run_expected_s(const struct run *r)
{
    double cycle = seconds_of(r->cycle_ns), on = seconds_of(r->rated_on_ns + r->guard_ns);
    switch (r->rq.procedure) {
    case PROCEDURE_SCREEN:
        return on;
    case PROCEDURE_PROOF:
        return cycle * ((r->rq.cycles > 0 ? r->rq.cycles : 1) - 1) + on;
    case PROCEDURE_SOAK:
        return r->rq.to_equilibrium || r->rq.soak_ns <= 0 ? NAN : seconds_of(r->rq.soak_ns);
    default:
        return NAN;
    }
}

double run_least_s(const struct run *r)
{
    double expected = run_expected_s(r), soak = seconds_of(r->rq.soak_ns);
    if (!isnan(expected))
        return expected;
    return r->rq.procedure == PROCEDURE_SOAK && soak < equilibrium_least_s ? equilibrium_least_s : soak;
}

/* A moment from now on, s; at_least: not before it. */
struct moment {
    double at_s;
    bool at_least;
};

static struct moment later(struct moment a, struct moment b)
{
    struct moment m = a.at_s >= b.at_s ? a : b;
    m.at_least = a.at_least || b.at_least;
    return m;
}

static struct moment after(struct moment begin, const struct run *r)
{
    return (struct moment){begin.at_s + run_least_s(r), begin.at_least || isnan(run_expected_s(r))};
}

static struct moment end_of(const struct engine *e, const struct run *r)
{
    double gone_s = seconds_of(e->step_ns - r->begin_ns), wait_s = 0;
    if (r->place == PLACE_GIVEN && r->cycle == 0) {
        wait_s = seconds_of(r->place_ns - e->step_ns);
        gone_s = 0;
    }
    double left_s = run_least_s(r) - gone_s + wait_s;
    return (struct moment){left_s > 0 ? left_s : 0, isnan(run_expected_s(r)) || r->place == PLACE_WAITS};
}

/* The first of the runs under way that it has no room beside to end. */
static struct moment first_end(const struct engine *e)
{
    struct moment first = {INFINITY, true};
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct run *r = &e->channels[ch].run;
        if (r->active && end_of(e, r).at_s < first.at_s)
            first.at_s = end_of(e, r).at_s;
    }
    if (isinf(first.at_s))
        first = (struct moment){0};
    return first;
}

void queue_expect(const struct engine *e, struct bench_view *view)
{
    struct moment free_at[CHANNELS_MAX] = {{0}}, turn = {0};
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct run *r = &e->channels[ch].run;
        if (!r->active)
            continue;
        free_at[ch] = end_of(e, r);
        if (r->queued)
            turn = later(turn, free_at[ch]);
    }
    for (int i = 0; i < e->queue.count; i++) {
        const struct queue_entry *q = &e->queue.entries[i];
        struct moment begin = free_at[q->channel];
        struct run wish;
        run_prepare(e, &q->rq, &wish);
        if (!q->rq.together)
            begin = later(begin, turn);
        if (!(begin.at_s > 0) && stagger_shares(e, q->channel) && !stagger_has_room(e, q->channel, &wish))
            begin = later(begin, first_end(e));
        struct moment end = after(begin, &wish);
        free_at[q->channel] = end;
        turn = later(turn, end);
        view->queue[i].begin_s = begin.at_s;
        view->queue[i].end_s = end.at_s;
        view->queue[i].at_least = begin.at_least || end.at_least;
    }
}
