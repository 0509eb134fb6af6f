#include "stagger.h"

#include <math.h>

#include "error.h"
#include "procedure.h"
#include "stagger_plan.h"

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

/* ---- what a plan looks at ---- */

/* What opening and the last readings take, and by how much a begin may be late. */
enum { OPENING_S = 5 };

static bool repeats(const struct run_request *rq)
{
    return rq->procedure == PROCEDURE_SOAK || (rq->procedure == PROCEDURE_PROOF && rq->cycles > 1);
}

static int64_t milli(double figure)
{
    return figure > 0 ? (int64_t)(figure * 1000 + 0.5) : 0;
}

/* On-load part at its longest, and what opening takes. A survey comes and goes as the operator does, a 100 % point has
 * no pause: on-load throughout. */
static struct stagger_item item_of(const struct engine *e, int ch, const struct run *r)
{
    bool throughout = r->rq.procedure == PROCEDURE_SURVEY || run_is_continuous(r);
    int64_t cycle_ms = r->cycle_ns / 1000000, on_ms = r->part_cap_ns / 1000000 + OPENING_S * 1000;
    return (struct stagger_item){.kind = repeats(&r->rq) && !throughout ? STAGGER_CYCLES : STAGGER_ONCE,
                                 .channel = ch,
                                 .circuit = bench_channel_of(e, ch)->circuit,
                                 .cycle_ms = cycle_ms,
                                 .on_ms = throughout || on_ms > cycle_ms ? cycle_ms : on_ms,
                                 .power_mw = milli(r->point.power_w),
                                 .supply_ma = milli(stagger_supply_a(&r->rq, &r->point))};
}

bool stagger_is_new(const struct engine *e, const struct run *r)
{
    bool soon = r->place == PLACE_GIVEN && r->place_ns <= e->now_ns + 2 * SECOND_NS;
    return r->active && r->cycle == 0 && r->place != PLACE_NONE && !soon;
}

/* Before its first cycle and not at the point yet: the limits themselves look after it. */
static bool is_not_there_yet(const struct run *r)
{
    return r->cycle == 0 && r->place == PLACE_NONE;
}

void stagger_job_begin(const struct engine *e, struct stagger_job *job)
{
    job->count = 0;
    job->limits = (struct stagger_limits){.bank_mw = milli(e->bench.limits.bank_max_power_w),
                                          .bank_mean_mw = milli(e->bench.limits.bank_mean_power_w),
                                          .circuit_count = e->bench.circuit_count};
    for (int i = 0; i < e->bench.circuit_count; i++)
        job->limits.circuit_ma[i] = milli(limit_of_circuit(e, i));
}

void stagger_job_under_way(const struct engine *e, struct stagger_job *job, int64_t zero_ns)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct run *r = &e->channels[ch].run;
        if (!r->active || is_not_there_yet(r) || stagger_is_new(e, r))
            continue;
        struct stagger_item *i = &job->items[job->count++];
        *i = item_of(e, ch, r);
        i->kind = STAGGER_FIXED;
        i->offset_ms = ((r->cycle > 0 ? r->cycle_begin_ns : r->place_ns) - zero_ns) / 1000000;
    }
}

static bool asked_before(const struct engine *e, int a, int b)
{
    int64_t first = e->channels[a].run.rq.run_no, second = e->channels[b].run.rq.run_no;
    return first != second ? first < second : a < b;
}

/* The order of asking is that of the run numbers. */
void stagger_job_new(const struct engine *e, struct stagger_job *job, bool coming)
{
    for (int last = -1;;) {
        int next = -1;
        for (int ch = 0; ch < e->bench.channel_count; ch++) {
            const struct run *r = &e->channels[ch].run;
            bool is_coming = coming && r->active && is_not_there_yet(r) && r->rq.procedure != PROCEDURE_SURVEY;
            if ((stagger_is_new(e, r) || is_coming) && (last < 0 || asked_before(e, last, ch)) &&
                (next < 0 || asked_before(e, ch, next)))
                next = ch;
        }
        if (next < 0)
            return;
        last = next;
        job->items[job->count++] = item_of(e, next, &e->channels[next].run);
    }
}

bool stagger_shares(const struct engine *e, int ch)
{
    int own = bench_channel_of(e, ch)->circuit;
    bool bank = e->bench.limits.bank_max_power_w > 0 || e->bench.limits.bank_mean_power_w > 0;
    for (int i = 0; i < e->bench.channel_count; i++)
        if (i != ch && e->channels[i].run.active &&
            (bank || (own >= 0 && e->bench.channels[i].circuit == own && limit_of_circuit(e, own) > 0)))
            return true;
    return false;
}

bool stagger_has_room(const struct engine *e, int ch, const struct run *wish)
{
    struct stagger_job job;
    struct stagger_plan plan;
    stagger_job_begin(e, &job);
    stagger_job_under_way(e, &job, e->now_ns);
    stagger_job_new(e, &job, true);
    int own = job.count;
    if (own == CHANNELS_MAX)
        return false;
    job.items[job.count++] = item_of(e, ch, wish);
    stagger_plan_in_turn(&job, &plan);
    return plan.places[own].placed && (job.items[own].kind == STAGGER_CYCLES || plan.places[own].offset_ms == 0);
}
