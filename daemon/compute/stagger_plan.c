#include "stagger_plan.h"

#include <math.h>
#include <string.h>

#include "stagger_room.h"

/* Looks at a place. The trees of eight runs are some two million, of which few are looked at. */
enum { EXACT_BUDGET = 4000000, BUDGET = 150000, ROOM_BUDGET = 60000, PASSES_MAX = 12 };

_Static_assert((int)STAGGER_VALUE_COUNT_ <= (int)WORKER_VALUES_MAX, "an answer has no room for its values");

/* ---- the search: trees of "begins at the end of" ---- */

/* Where a run may begin: at zero (item -1), or at the end of an on-load part of a placed run. */
struct node {
    int item, begin;
};

struct search {
    struct stagger_room *room;
    int free_count, left;
    int free[CHANNELS_MAX];
    int node_count;
    struct node nodes[STAGGER_POINTS_MAX + 1];
    bool first_only; /* any arrangement will do */
    bool found, cut;
    int64_t budget;
    struct stagger_cost best;
    int64_t offset_ms[CHANNELS_MAX]; /* of the best */
};

static void push_ends(struct search *s, int item)
{
    for (int b = 0; b < s->room->parts[item].begins; b++)
        s->nodes[s->node_count++] = (struct node){item, b};
}

static int64_t node_at(const struct search *s, int node, int item)
{
    const struct node *n = &s->nodes[node];
    return n->item < 0 ? 0 : stagger_room_end(s->room, n->item, n->begin, item);
}

static bool same_part(const struct stagger_part *a, const struct stagger_part *b)
{
    return a->cycle_ms == b->cycle_ms && a->on_ms == b->on_ms && a->power_mw == b->power_mw &&
           a->supply_ma == b->supply_ma && a->circuit == b->circuit;
}

/* One just like it, asked for earlier, is not placed yet: that one goes first, the other way round is the same plan. */
static bool after_its_twin(const struct search *s, int at)
{
    for (int k = 0; k < at; k++)
        if (!s->room->in[s->free[k]] && same_part(&s->room->parts[s->free[k]], &s->room->parts[s->free[at]]))
            return true;
    return false;
}

static void keep_best(struct search *s)
{
    s->found = true;
    s->best = s->room->cost;
    memcpy(s->offset_ms, s->room->offset_ms, sizeof s->offset_ms);
}

static bool over(const struct search *s)
{
    return s->cut || (s->first_only && s->found);
}

/* Every tree once: the children of each node in the order of asking, node after node in the order of placing. */
static void search_from(struct search *s, int node, int next)
{
    if (s->left == 0) {
        keep_best(s);
        return;
    }
    for (; node < s->node_count && !over(s); node++, next = 0)
        for (int u = next; u < s->free_count && !over(s); u++) {
            int item = s->free[u], nodes = s->node_count;
            struct stagger_cost cost;
            if (s->room->in[item] || after_its_twin(s, u))
                continue;
            s->cut = s->budget-- <= 0;
            int64_t at_ms = node_at(s, node, item);
            if (s->cut || !stagger_room_try(s->room, item, at_ms, &cost) ||
                (s->found && stagger_cost_compare(&cost, &s->best) >= 0))
                continue;
            stagger_room_put(s->room, item, at_ms);
            push_ends(s, item);
            s->left--;
            search_from(s, node, u + 1);
            s->left++;
            s->node_count = nodes;
            stagger_room_take(s->room, item);
        }
}

/* Takes the free runs out of the room, searches, and puts them back: at the best places found, or where they were. */
static void search_run(struct search *s, bool anchor)
{
    struct stagger_room *room = s->room;
    int64_t were_ms[CHANNELS_MAX];
    bool was_in[CHANNELS_MAX] = {false};
    for (int k = 0; k < s->free_count; k++) {
        int item = s->free[k];
        was_in[item] = room->in[item];
        were_ms[item] = room->offset_ms[item];
        if (was_in[item])
            stagger_room_take(room, item);
    }
    s->left = s->free_count;
    s->nodes[s->node_count++] = (struct node){-1, 0};
    for (int i = 0; i < room->job->count; i++)
        if (room->in[i])
            push_ends(s, i);
    if (anchor && s->node_count == 1 && s->free_count > 0) {
        /* Nothing is under way: turning the whole plan round the cycle changes nothing. */
        stagger_room_put(room, s->free[0], 0);
        push_ends(s, s->free[0]);
        s->left--;
        search_from(s, 0, 1);
        stagger_room_take(room, s->free[0]);
    } else {
        search_from(s, 0, 0);
    }
    for (int k = 0; k < s->free_count; k++) {
        int item = s->free[k];
        if (s->found || was_in[item])
            stagger_room_put(room, item, s->found ? s->offset_ms[item] : were_ms[item]);
    }
}

/* ---- one after the other ---- */

/* Among zero and the ends of the others, the best place for one; false: there is none. */
static bool best_place(const struct stagger_room *r, int item, bool soonest, int64_t *best_ms)
{
    struct stagger_cost best = {0}, cost;
    double best_crowd = 0;
    bool found = false;
    for (int i = -1; i < r->job->count; i++)
        for (int b = 0; i < 0 ? b < 1 : r->in[i] && b < r->parts[i].begins; b++) {
            int64_t at_ms = i < 0 ? 0 : stagger_room_end(r, i, b, item);
            if (!stagger_room_try(r, item, at_ms, &cost))
                continue;
            double crowd = soonest ? 0 : stagger_room_crowd(r, item, at_ms);
            cost.wait_ms = 0;
            int c = stagger_cost_compare(&cost, &best);
            bool better = c < 0 || (c == 0 && (crowd < best_crowd || (crowd <= best_crowd && at_ms < *best_ms)));
            if (found && (soonest ? at_ms >= *best_ms : !better))
                continue;
            found = true;
            best = cost;
            best_crowd = crowd;
            *best_ms = at_ms;
        }
    return found;
}

static void place_fixed(struct stagger_room *r)
{
    for (int i = 0; i < r->job->count; i++) {
        int64_t cycle_ms = r->parts[i].cycle_ms, at_ms = r->job->items[i].offset_ms % cycle_ms;
        if (r->job->items[i].kind == STAGGER_FIXED)
            stagger_room_put(r, i, at_ms < 0 ? at_ms + cycle_ms : at_ms);
    }
}

/* Those whose cycles may still be moved, and one more (-1: none). */
static void gather_free(struct search *s, int more)
{
    const struct stagger_job *job = s->room->job;
    for (int i = 0; i < job->count; i++)
        if (i == more || (job->items[i].kind == STAGGER_CYCLES && s->room->in[i]))
            s->free[s->free_count++] = i;
}

/* No room as the others stand: is there when they are moved? */
static void make_room(struct stagger_room *r, int item, int64_t *budget)
{
    struct search s = {.room = r, .first_only = true, .budget = *budget};
    gather_free(&s, item);
    search_run(&s, true);
    *budget = s.budget > 0 ? s.budget : 0;
}

static void admit(struct stagger_room *r, bool jointly)
{
    const struct stagger_job *job = r->job;
    int64_t budget = job->count <= STAGGER_EXACT_MAX ? EXACT_BUDGET : ROOM_BUDGET;
    place_fixed(r);
    for (int i = 0; i < job->count; i++) {
        int64_t at_ms;
        if (job->items[i].kind == STAGGER_FIXED || !stagger_room_bears(r, i))
            continue;
        if (best_place(r, i, job->items[i].kind == STAGGER_ONCE, &at_ms))
            stagger_room_put(r, i, at_ms);
        else if (jointly && budget > 0)
            make_room(r, i, &budget);
    }
}

/* ---- many: good, not the best ---- */

/* Each in turn out of the plan and back where it is best now, until nothing moves. */
static void settle(struct stagger_room *r)
{
    bool moved = true;
    for (int pass = 0; pass < PASSES_MAX && moved; pass++) {
        moved = false;
        for (int i = 0; i < r->job->count; i++) {
            int64_t was_ms = r->offset_ms[i], at_ms;
            if (!r->in[i] || r->job->items[i].kind != STAGGER_CYCLES)
                continue;
            stagger_room_take(r, i);
            if (!best_place(r, i, false, &at_ms))
                at_ms = was_ms;
            struct stagger_cost old, new;
            bool old_holds = stagger_room_try(r, i, was_ms, &old), new_holds = stagger_room_try(r, i, at_ms, &new);
            old.wait_ms = new.wait_ms = 0;
            int c = old_holds && new_holds ? stagger_cost_compare(&new, &old) : 0;
            bool better =
                new_holds &&
                (c < 0 || (c == 0 && stagger_room_crowd(r, i, at_ms) < stagger_room_crowd(r, i, was_ms) * (1 - 1e-9)));
            moved = moved || better;
            stagger_room_put(r, i, better ? at_ms : was_ms);
        }
    }
}

static double weight(const struct stagger_part *p, int order)
{
    double w = (double)p->power_mw;
    return order == 1 ? w : order == 2 ? w * (double)p->on_ms : (double)p->on_ms;
}

/* The movable ones out, and in again: heaviest first. False, and not to be used: one found no room. */
static bool refill(struct stagger_room *r, int order)
{
    bool to_place[CHANNELS_MAX] = {false};
    int count = 0;
    for (int i = 0; i < r->job->count; i++)
        if (r->in[i] && r->job->items[i].kind == STAGGER_CYCLES) {
            stagger_room_take(r, i);
            to_place[i] = true;
            count++;
        }
    for (; count > 0; count--) {
        int heaviest = -1;
        for (int i = 0; i < r->job->count; i++)
            if (to_place[i] && (heaviest < 0 || weight(&r->parts[i], order) > weight(&r->parts[heaviest], order)))
                heaviest = i;
        int64_t at_ms;
        if (!best_place(r, heaviest, false, &at_ms))
            return false;
        stagger_room_put(r, heaviest, at_ms);
        to_place[heaviest] = false;
    }
    return true;
}

static void improve(struct stagger_room *r)
{
    enum { ORDERS = 3 };
    struct stagger_room other;
    struct stagger_room start = *r;
    settle(r);
    for (int order = 1; order <= ORDERS; order++) {
        other = start;
        if (!refill(&other, order))
            continue;
        settle(&other);
        if (stagger_cost_compare(&other.cost, &r->cost) < 0)
            *r = other;
    }
}

/* ---- results ---- */

static int64_t bound_of(const struct stagger_room *r)
{
    int64_t most_mw = 0, always_mw = 0;
    double mean_mw = 0;
    for (int i = 0; i < r->job->count; i++) {
        const struct stagger_part *p = &r->parts[i];
        if (!r->in[i])
            continue;
        mean_mw += (double)p->power_mw * (double)p->on_ms / (double)p->cycle_ms;
        if (p->on_ms >= p->cycle_ms)
            always_mw += p->power_mw;
        else if (p->power_mw > most_mw)
            most_mw = p->power_mw;
    }
    int64_t mean = (int64_t)mean_mw;
    return always_mw + most_mw > mean ? always_mw + most_mw : mean;
}

static void tell_peaks(const struct stagger_room *r, int64_t *peak_mw, int64_t circuit_ma[CIRCUITS_MAX])
{
    *peak_mw = 0;
    for (int k = 0; k < r->point_count; k++)
        if (r->points[k].mw > *peak_mw)
            *peak_mw = r->points[k].mw;
    memcpy(circuit_ma, r->circuit_ma, sizeof r->circuit_ma);
}

static void tell(const struct stagger_room *r, struct stagger_plan *plan)
{
    struct stagger_room together;
    memset(plan, 0, sizeof *plan);
    stagger_room_init(&together, r->job);
    for (int i = 0; i < r->job->count; i++) {
        bool fixed = r->job->items[i].kind == STAGGER_FIXED;
        plan->places[i] = (struct stagger_place){.placed = r->in[i], .offset_ms = r->in[i] ? r->offset_ms[i] : 0};
        if (r->in[i])
            stagger_room_put(&together, i, fixed ? r->offset_ms[i] : 0);
        else
            plan->places[i].turn = ++plan->waiting;
    }
    tell_peaks(r, &plan->peak_mw, plan->circuit_ma);
    tell_peaks(&together, &plan->together_mw, plan->together_ma);
    plan->bound_mw = bound_of(r);
}

static bool makes_sense(const struct stagger_job *job)
{
    bool sense = job->count >= 0 && job->count <= CHANNELS_MAX && job->limits.circuit_count >= 0 &&
                 job->limits.circuit_count <= CIRCUITS_MAX;
    for (int i = 0; sense && i < job->count; i++) {
        const struct stagger_item *it = &job->items[i];
        sense = it->cycle_ms > 0 && it->cycle_ms < INT64_C(1) << 40 && it->on_ms > 0 && it->power_mw >= 0 &&
                it->power_mw < INT64_C(1) << 50 && it->supply_ma >= 0 && it->supply_ma < INT64_C(1) << 50;
    }
    return sense;
}

void stagger_plan_in_turn(const struct stagger_job *job, struct stagger_plan *plan)
{
    struct stagger_room room;
    memset(plan, 0, sizeof *plan);
    if (!makes_sense(job))
        return;
    stagger_room_init(&room, job);
    admit(&room, false);
    tell(&room, plan);
}

void stagger_plan_jointly(const struct stagger_job *job, struct stagger_plan *plan)
{
    struct stagger_room room;
    memset(plan, 0, sizeof *plan);
    if (!makes_sense(job))
        return;
    stagger_room_init(&room, job);
    admit(&room, true);
    bool few = job->count <= STAGGER_EXACT_MAX;
    improve(&room);
    struct search s = {.room = &room, .budget = few ? EXACT_BUDGET : BUDGET, .found = true, .best = room.cost};
    memcpy(s.offset_ms, room.offset_ms, sizeof s.offset_ms);
    gather_free(&s, -1);
    search_run(&s, true);
    tell(&room, plan);
    plan->exact = !s.cut;
}

bool stagger_plan_holds(const struct stagger_job *job, struct stagger_plan *plan)
{
    struct stagger_room room;
    struct stagger_cost cost;
    bool holds = makes_sense(job), exact = plan->exact;
    if (!holds)
        return false;
    stagger_room_init(&room, job);
    place_fixed(&room);
    for (int i = 0; i < job->count && holds; i++) {
        const struct stagger_place *p = &plan->places[i];
        if (job->items[i].kind == STAGGER_FIXED || !p->placed)
            continue;
        holds = p->offset_ms >= 0 && p->offset_ms < job->items[i].cycle_ms && stagger_room_bears(&room, i) &&
                stagger_room_try(&room, i, p->offset_ms % room.parts[i].cycle_ms, &cost);
        if (holds)
            stagger_room_put(&room, i, p->offset_ms % room.parts[i].cycle_ms);
    }
    if (holds) {
        tell(&room, plan);
        plan->exact = exact;
    }
    return holds;
}

void stagger_plan_to_values(const struct stagger_job *job, const struct stagger_plan *plan,
                            double values[WORKER_VALUES_MAX])
{
    for (int i = 0; i < WORKER_VALUES_MAX; i++)
        values[i] = NAN;
    for (int i = 0; i < job->count && i < CHANNELS_MAX; i++) {
        const struct stagger_item *it = &job->items[i];
        if (it->kind != STAGGER_FIXED && it->channel >= 0 && it->channel < CHANNELS_MAX)
            values[it->channel] = plan->places[i].placed ? (double)plan->places[i].offset_ms : -plan->places[i].turn;
    }
    values[STAGGER_VALUE_PEAK_W] = (double)plan->peak_mw / 1000;
    values[STAGGER_VALUE_BOUND_W] = (double)plan->bound_mw / 1000;
    values[STAGGER_VALUE_TOGETHER_W] = (double)plan->together_mw / 1000;
    values[STAGGER_VALUE_EXACT] = plan->exact;
}

bool stagger_plan_from_values(const struct stagger_job *job, const double values[WORKER_VALUES_MAX],
                              struct stagger_plan *plan)
{
    memset(plan, 0, sizeof *plan);
    for (int i = 0; i < job->count && i < CHANNELS_MAX; i++) {
        const struct stagger_item *it = &job->items[i];
        if (it->kind == STAGGER_FIXED)
            continue;
        if (it->channel < 0 || it->channel >= CHANNELS_MAX)
            return false;
        double v = values[it->channel];
        if (!(v >= -CHANNELS_MAX) || !(v < (double)it->cycle_ms))
            return false;
        plan->places[i] = (struct stagger_place){.placed = v >= 0};
        if (v < 0)
            plan->places[i].turn = (int32_t)-v;
        else
            plan->places[i].offset_ms = (int64_t)v;
        plan->waiting += v < 0;
    }
    plan->exact = values[STAGGER_VALUE_EXACT] > 0;
    return true;
}
