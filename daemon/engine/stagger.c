#include "stagger.h"

#include <math.h>

#include "error.h"
#include "procedure.h"

double stagger_supply_a(const struct run_request *rq, const struct load_point *point)
{
    if (rq->point.i1max_a > 0)
        return rq->point.i1max_a;
    if (!(rq->point.supply_v > 0) || rq->point.phases == 0)
        return 0;
    double in_w = point->power_w / 0.8;
    if (rq->point.phases == 3)
        return in_w / (rq->point.supply_v * sqrt(3) * 0.9);
    return in_w / (rq->point.supply_v * 0.65);
}

/* On-load now, about to be, or not yet seen open. */
static bool takes_power(const struct channel *c)
{
    if (c->load.phase != LOAD_OPEN)
        return true;
    return c->run.active && (c->course == COURSE_PART || c->course == COURSE_STRIKE || c->course == COURSE_SETTING ||
                             c->course == COURSE_CONFIRM);
}

static double limit_of_circuit(const struct engine *e, int circuit)
{
    return circuit >= 0 ? e->bench.circuits[circuit].breaker.rated_a : 0;
}

bool stagger_hinders(struct engine *e, int ch, char *text, size_t cap)
{
    const struct channel *own = &e->channels[ch];
    int circuit = bench_channel_of(e, ch)->circuit;
    double power = own->run.point.power_w, amps = stagger_supply_a(&own->run.rq, &own->run.point);
    bool others_power = false, others_amps = false;
    for (int i = 0; i < e->bench.channel_count; i++) {
        const struct channel *c = &e->channels[i];
        if (i == ch || !takes_power(c))
            continue;
        power += c->run.point.power_w;
        others_power = true;
        if (circuit >= 0 && e->bench.channels[i].circuit == circuit) {
            amps += stagger_supply_a(&c->run.rq, &c->run.point);
            others_amps = true;
        }
    }
    double bank = e->bench.limits.bank_max_power_w, breaker = limit_of_circuit(e, circuit);
    if (bank > 0 && power > bank && others_power)
        return text_format(text, cap, "waiting: with the other channels the bank would take %.0f W, limit %.0f W",
                           power, bank),
               true;
    if (breaker > 0 && amps > breaker && others_amps)
        return text_format(text, cap, "waiting: circuit %.47s would carry %.0f A, breaker %.0f A",
                           e->bench.circuits[circuit].name, amps, breaker),
               true;
    return false;
}

bool stagger_is_waiting(const struct engine *e, int ch)
{
    return e->channels[ch].doing[0] == 'w' && e->channels[ch].run.tries < 12 * 3600;
}

struct load_peak {
    bool within;
    double peak_w;
};

/* Periods overlap when their begins differ, round the cycle, by less than the earlier one's on-load part. */
static bool is_on(const struct stagger_item *i, double at_s)
{
    double since = at_s - i->offset_s;
    while (since < 0)
        since += i->cycle_s;
    while (since >= i->cycle_s)
        since -= i->cycle_s;
    return since < i->on_s;
}

/* Demand can only rise where something begins: looking there is enough. */
static struct load_peak peak_of(const struct stagger_item *items, int placed, double bank_w, const double *circuit_a,
                                int circuit_count)
{
    struct load_peak p = {.within = true};
    for (int k = 0; k < placed; k++) {
        if (!items[k].fits)
            continue;
        double watts = 0, amps = 0;
        for (int i = 0; i < placed; i++) {
            if (!items[i].fits || !is_on(&items[i], items[k].offset_s))
                continue;
            watts += items[i].power_w;
            if (items[i].circuit == items[k].circuit)
                amps += items[i].supply_a;
        }
        if (watts > p.peak_w)
            p.peak_w = watts;
        int c = items[k].circuit;
        if ((bank_w > 0 && watts > bank_w) || (c >= 0 && c < circuit_count && circuit_a[c] > 0 && amps > circuit_a[c]))
            p.within = false;
    }
    return p;
}

/* Best place for item n among the ends of those before it; later items see it. */
static void place(struct stagger_item *items, int n, double bank_w, const double *circuit_a, int circuit_count)
{
    double best_w = 0, best_s = 0;
    bool found = false;
    items[n].fits = true;
    for (int k = -1; k < n; k++) {
        double at = k < 0 ? 0 : items[k].offset_s + items[k].on_s;
        while (at >= items[n].cycle_s)
            at -= items[n].cycle_s;
        if (k >= 0 && !items[k].fits)
            continue;
        items[n].offset_s = at;
        struct load_peak p = peak_of(items, n + 1, bank_w, circuit_a, circuit_count);
        if (p.within && (!found || p.peak_w < best_w)) {
            found = true;
            best_w = p.peak_w;
            best_s = at;
        }
    }
    items[n].offset_s = found ? best_s : 0;
    items[n].fits = found;
}

struct search {
    struct stagger_item *items;
    const double *circuit_a;
    int count, circuit_count;
    double bank_w, best_w;
    double best_s[8];
    bool found;
};

static void search_from(struct search *s, int n)
{
    if (n == s->count) {
        struct load_peak p = peak_of(s->items, n, s->bank_w, s->circuit_a, s->circuit_count);
        if (!p.within || (s->found && p.peak_w >= s->best_w))
            return;
        s->found = true;
        s->best_w = p.peak_w;
        for (int i = 0; i < n; i++)
            s->best_s[i] = s->items[i].offset_s;
        return;
    }
    s->items[n].fits = true;
    for (int k = -1; k < n; k++) {
        double at = k < 0 ? 0 : s->items[k].offset_s + s->items[k].on_s;
        while (at >= s->items[n].cycle_s)
            at -= s->items[n].cycle_s;
        s->items[n].offset_s = at;
        struct load_peak p = peak_of(s->items, n + 1, s->bank_w, s->circuit_a, s->circuit_count);
        if (p.within && (!s->found || p.peak_w < s->best_w))
            search_from(s, n + 1);
    }
}

void stagger_plan(struct stagger_item *items, int count, double bank_w, const double *circuit_a, int circuit_count)
{
    if (count <= 8) {
        struct search s = {
            .items = items, .circuit_a = circuit_a, .count = count, .circuit_count = circuit_count, .bank_w = bank_w};
        search_from(&s, 0);
        if (s.found) {
            for (int i = 0; i < count; i++) {
                items[i].offset_s = s.best_s[i];
                items[i].fits = true;
            }
            return;
        }
    }
    for (int n = 0; n < count; n++)
        place(items, n, bank_w, circuit_a, circuit_count);
}

/* ---- in the engine: where a run that begins puts its cycles among those under way ---- */

static bool repeats(const struct run *r)
{
    bool more = r->rq.procedure == PROCEDURE_SOAK || (r->rq.procedure == PROCEDURE_PROOF && r->rq.cycles > 1);
    return r->active && more && !run_is_continuous(r);
}

/* When the cycles of another channel begin, from now on; false where it has no place yet, or no cycle like this one. */
static bool place_of(const struct engine *e, const struct channel *c, int64_t cycle_ns, struct stagger_item *item)
{
    int64_t begin_ns = c->run.cycle_begin_ns;
    if (!repeats(&c->run) || c->run.cycle_ns != cycle_ns)
        return false;
    if (c->run.cycle == 0) { /* waits for its own place */
        bool waits = (c->course == COURSE_READY || c->course == COURSE_REST) && c->timers[TIMER_PHASE] != NEVER_NS &&
                     c->timers[TIMER_PHASE] > e->now_ns + 2 * SECOND_NS;
        if (!waits)
            return false;
        begin_ns = c->timers[TIMER_PHASE];
    }
    int64_t since_ns = (begin_ns - e->now_ns) % cycle_ns;
    item->offset_s = seconds_of(since_ns < 0 ? since_ns + cycle_ns : since_ns);
    return true;
}

/* On-load part at its longest, and what opening and the last readings take. */
static struct stagger_item item_of(const struct engine *e, int ch)
{
    enum { OPENING_S = 5 };
    const struct run *r = &e->channels[ch].run;
    double on_s = seconds_of(r->part_cap_ns) + OPENING_S, cycle_s = seconds_of(r->cycle_ns);
    return (struct stagger_item){.on_s = on_s < cycle_s ? on_s : cycle_s,
                                 .cycle_s = cycle_s,
                                 .power_w = r->point.power_w,
                                 .supply_a = stagger_supply_a(&r->rq, &r->point),
                                 .circuit = bench_channel_of(e, ch)->circuit,
                                 .fits = true};
}

int64_t stagger_delay_ns(const struct engine *e, int ch, char *text, size_t cap)
{
    const struct run *r = &e->channels[ch].run;
    struct stagger_item items[CHANNELS_MAX];
    double circuit_a[CIRCUITS_MAX], bank_w = e->bench.limits.bank_max_power_w;
    int n = 0, own = bench_channel_of(e, ch)->circuit;
    if (r->cycle > 0 || !repeats(r) || e->now_ns - r->begin_ns > r->cycle_ns)
        return 0;
    for (int i = 0; i < e->bench.circuit_count; i++)
        circuit_a[i] = limit_of_circuit(e, i);
    for (int i = 0; i < e->bench.channel_count; i++) {
        bool shares = bank_w > 0 || (own >= 0 && e->bench.channels[i].circuit == own && circuit_a[own] > 0);
        items[n] = item_of(e, i);
        if (i != ch && shares && place_of(e, &e->channels[i], r->cycle_ns, &items[n]))
            n++;
    }
    items[n] = item_of(e, ch);
    struct load_peak now = peak_of(items, n + 1, bank_w, circuit_a, e->bench.circuit_count);
    if (n == 0)
        return 0;
    place(items, n, bank_w, circuit_a, e->bench.circuit_count);
    struct load_peak then = peak_of(items, n + 1, bank_w, circuit_a, e->bench.circuit_count);
    if (!items[n].fits || items[n].offset_s < 1 || (now.within && then.peak_w >= now.peak_w))
        return 0;
    (void)text_format(text, cap, "waiting %.0f s for its place: then %d channels peak at %.1f kW, now at %.1f kW",
                      items[n].offset_s, n + 1, then.peak_w / 1000, now.peak_w / 1000);
    return (int64_t)(items[n].offset_s * 1e9);
}
