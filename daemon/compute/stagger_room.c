#include "stagger_room.h"

#include <string.h>

/* at, brought into one cycle. */
static int64_t within(int64_t at_ms, int64_t cycle_ms)
{
    int64_t m = at_ms % cycle_ms;
    return m < 0 ? m + cycle_ms : m;
}

static struct stagger_part part_of(const struct stagger_job *job, const struct stagger_item *i, int64_t period_ms)
{
    struct stagger_part p = {.cycle_ms = i->cycle_ms,
                             .on_ms = i->on_ms,
                             .power_mw = i->power_mw,
                             .supply_ma = i->supply_ma,
                             .circuit = i->circuit,
                             .begins = 1};
    bool divides = i->cycle_ms > 0 && period_ms % i->cycle_ms == 0 && period_ms / i->cycle_ms <= STAGGER_BEGINS_MAX;
    if (divides)
        p.begins = (int32_t)(period_ms / i->cycle_ms);
    if (!divides || p.on_ms >= p.cycle_ms) {
        p.on_ms = p.cycle_ms = period_ms;
        p.begins = 1;
    }
    if (p.circuit < 0 || p.circuit >= job->limits.circuit_count || p.circuit >= CIRCUITS_MAX ||
        job->limits.circuit_ma[p.circuit] <= 0 || p.supply_ma <= 0)
        p.circuit = -1;
    return p;
}

void stagger_room_init(struct stagger_room *r, const struct stagger_job *job)
{
    memset(r, 0, sizeof *r);
    r->job = job;
    r->period_ms = 1;
    for (int i = 0; i < job->count; i++)
        if (job->items[i].cycle_ms > r->period_ms)
            r->period_ms = job->items[i].cycle_ms;
    for (int i = 0; i < job->count; i++)
        r->parts[i] = part_of(job, &job->items[i], r->period_ms);
}

static bool is_on(const struct stagger_part *p, int64_t offset_ms, int64_t at_ms)
{
    return within(at_ms - offset_ms, p->cycle_ms) < p->on_ms;
}

/* What is carried when the run's on-load part begins there, itself included. */
static struct stagger_point look(const struct stagger_room *r, int item, int64_t at_ms)
{
    const struct stagger_part *own = &r->parts[item];
    struct stagger_point p = {at_ms, own->power_mw, own->supply_ma, item, 1, 1};
    for (int i = 0; i < r->job->count; i++) {
        const struct stagger_part *other = &r->parts[i];
        if (!r->in[i] || i == item || !is_on(other, r->offset_ms[i], at_ms))
            continue;
        p.mw += other->power_mw;
        p.on++;
        if (other->circuit == own->circuit) {
            p.ma += other->supply_ma;
            p.on_circuit++;
        }
    }
    return p;
}

static void add_to(struct stagger_point *p, const struct stagger_part *part, bool same_circuit)
{
    p->mw += part->power_mw;
    p->on++;
    if (same_circuit) {
        p->ma += part->supply_ma;
        p->on_circuit++;
    }
}

/* Peaks and their sums, anew. */
static void tally(struct stagger_room *r)
{
    r->cost = (struct stagger_cost){0};
    memset(r->circuit_ma, 0, sizeof r->circuit_ma);
    for (int k = 0; k < r->point_count; k++) {
        const struct stagger_point *p = &r->points[k];
        int c = r->parts[p->item].circuit;
        if (p->mw > r->cost.peak_mw)
            r->cost.peak_mw = p->mw;
        if (c >= 0 && p->ma > r->circuit_ma[c])
            r->circuit_ma[c] = p->ma;
    }
    if (r->job->limits.bank_mw <= 0) /* nobody minds */
        r->cost.peak_mw = 0;
    for (int c = 0; c < r->job->limits.circuit_count && c < CIRCUITS_MAX; c++)
        r->cost.circuits_ma += r->circuit_ma[c];
    for (int i = 0; i < r->job->count; i++)
        if (r->in[i] && r->job->items[i].kind != STAGGER_FIXED)
            r->cost.wait_ms += r->offset_ms[i];
}

void stagger_room_put(struct stagger_room *r, int item, int64_t offset_ms)
{
    const struct stagger_part *own = &r->parts[item];
    for (int k = 0; k < r->point_count; k++)
        if (is_on(own, offset_ms, r->points[k].at_ms))
            add_to(&r->points[k], own, r->parts[r->points[k].item].circuit == own->circuit);
    r->offset_ms[item] = offset_ms;
    r->in[item] = true;
    for (int b = 0; b < own->begins; b++)
        r->points[r->point_count++] = look(r, item, within(offset_ms + b * own->cycle_ms, r->period_ms));
    tally(r);
}

void stagger_room_take(struct stagger_room *r, int item)
{
    const struct stagger_part *own = &r->parts[item];
    int kept = 0;
    for (int k = 0; k < r->point_count; k++) {
        struct stagger_point p = r->points[k];
        if (p.item == item)
            continue;
        if (is_on(own, r->offset_ms[item], p.at_ms)) {
            p.mw -= own->power_mw;
            p.on--;
            if (r->parts[p.item].circuit == own->circuit) {
                p.ma -= own->supply_ma;
                p.on_circuit--;
            }
        }
        r->points[kept++] = p;
    }
    r->point_count = kept;
    r->in[item] = false;
    tally(r);
}

/* A point against the limits; takes it into the peaks. */
static bool bears(const struct stagger_room *r, const struct stagger_point *p, int64_t *peak_mw, int64_t *own_ma,
                  int own_circuit)
{
    const struct stagger_limits *l = &r->job->limits;
    int c = r->parts[p->item].circuit;
    if (l->bank_mw > 0 && p->mw > l->bank_mw && p->on > 1)
        return false;
    if (c >= 0 && p->ma > l->circuit_ma[c] && p->on_circuit > 1)
        return false;
    if (p->mw > *peak_mw)
        *peak_mw = p->mw;
    if (c >= 0 && c == own_circuit && p->ma > *own_ma)
        *own_ma = p->ma;
    return true;
}

bool stagger_room_try(const struct stagger_room *r, int item, int64_t offset_ms, struct stagger_cost *cost)
{
    const struct stagger_part *own = &r->parts[item];
    int c = own->circuit;
    int64_t peak_mw = r->cost.peak_mw, own_ma = c >= 0 ? r->circuit_ma[c] : 0;
    for (int b = 0; b < own->begins; b++) {
        struct stagger_point p = look(r, item, within(offset_ms + b * own->cycle_ms, r->period_ms));
        if (!bears(r, &p, &peak_mw, &own_ma, c))
            return false;
    }
    for (int k = 0; k < r->point_count; k++) {
        struct stagger_point p = r->points[k];
        if (!is_on(own, offset_ms, p.at_ms))
            continue;
        add_to(&p, own, r->parts[p.item].circuit == c);
        if (!bears(r, &p, &peak_mw, &own_ma, c))
            return false;
    }
    cost->peak_mw = r->job->limits.bank_mw > 0 ? peak_mw : 0;
    cost->circuits_ma = r->cost.circuits_ma + (c >= 0 ? own_ma - r->circuit_ma[c] : 0);
    cost->wait_ms = r->cost.wait_ms + (r->job->items[item].kind != STAGGER_FIXED ? offset_ms : 0);
    return true;
}

/* As the preflight counts a breaker's heat: the mean over a cycle of the squares of the runs' currents, A^2. */
static double square_mean(const struct stagger_part *p)
{
    double a = (double)p->supply_ma / 1000;
    return a * a * (double)p->on_ms / (double)p->cycle_ms;
}

static double mean_mw(const struct stagger_part *p)
{
    return (double)p->power_mw * (double)p->on_ms / (double)p->cycle_ms;
}

bool stagger_room_bears(const struct stagger_room *r, int item)
{
    const struct stagger_limits *l = &r->job->limits;
    const struct stagger_part *own = &r->parts[item];
    double mw = mean_mw(own), squares = square_mean(own);
    bool others = false, on_circuit = false;
    for (int i = 0; i < r->job->count; i++) {
        if (!r->in[i] || i == item)
            continue;
        others = true;
        mw += mean_mw(&r->parts[i]);
        if (own->circuit >= 0 && r->parts[i].circuit == own->circuit) {
            on_circuit = true;
            squares += square_mean(&r->parts[i]);
        }
    }
    if (others && l->bank_mean_mw > 0 && mw > (double)l->bank_mean_mw)
        return false;
    double rated = own->circuit >= 0 ? (double)l->circuit_ma[own->circuit] / 1000 : 0;
    return !on_circuit || squares <= rated * rated;
}

int stagger_cost_compare(const struct stagger_cost *a, const struct stagger_cost *b)
{
    if (a->peak_mw != b->peak_mw)
        return a->peak_mw < b->peak_mw ? -1 : 1;
    if (a->circuits_ma != b->circuits_ma)
        return a->circuits_ma < b->circuits_ma ? -1 : 1;
    if (a->wait_ms != b->wait_ms)
        return a->wait_ms < b->wait_ms ? -1 : 1;
    return 0;
}

/* Time that two on-load parts share, their begins `apart` in a cycle of `period`. */
static int64_t shared(int64_t apart, int64_t on_a, int64_t on_b, int64_t period)
{
    int64_t first = (on_a < apart + on_b ? on_a : apart + on_b) - apart;
    int64_t back = period - apart;
    int64_t second = (on_b < back + on_a ? on_b : back + on_a) - back;
    return (first > 0 ? first : 0) + (second > 0 ? second : 0);
}

double stagger_room_crowd(const struct stagger_room *r, int item, int64_t offset_ms)
{
    const struct stagger_part *own = &r->parts[item];
    bool bank = r->job->limits.bank_mw > 0;
    double crowd = 0;
    for (int i = 0; i < r->job->count; i++) {
        const struct stagger_part *other = &r->parts[i];
        double weight = bank ? (double)own->power_mw * (double)other->power_mw : 0;
        if (own->circuit >= 0 && own->circuit == other->circuit)
            weight += (double)own->supply_ma * (double)other->supply_ma;
        if (!r->in[i] || i == item || !(weight > 0))
            continue;
        for (int a = 0; a < own->begins; a++)
            for (int b = 0; b < other->begins; b++) {
                int64_t apart =
                    within(r->offset_ms[i] + b * other->cycle_ms - offset_ms - a * own->cycle_ms, r->period_ms);
                crowd += (double)shared(apart, own->on_ms, other->on_ms, r->period_ms) * weight;
            }
    }
    return crowd;
}

int64_t stagger_room_end(const struct stagger_room *r, int placed, int begin, int item)
{
    const struct stagger_part *p = &r->parts[placed];
    return within(r->offset_ms[placed] + begin * p->cycle_ms + p->on_ms, r->parts[item].cycle_ms);
}
