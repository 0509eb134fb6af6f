#include "preflight_supply.h"

#include <math.h>

#include "breaker_heat.h"
#include "error.h"
#include "stagger.h"
#include "supply_seen.h"

static enum preflight_result say(char *text, enum preflight_result r, const char *words)
{
    (void)text_copy(text, REASON_CAP, words);
    return r;
}

/* Runs on one circuit take turns where they would overload it together; its breaker warms by all of them: the mean of
 * the squares of the others' currents, in multiples of the rated one. */
static double others_squared(const struct engine *e, int ch, int circuit, int *others)
{
    double sum = 0;
    for (int i = 0; i < e->bench.channel_count; i++) {
        const struct run *r = &e->channels[i].run;
        if (i == ch || !r->active || bench_channel_of(e, i)->circuit != circuit)
            continue;
        double multiple = stagger_supply_a(&r->rq, &r->point) / e->bench.circuits[circuit].breaker.rated_a;
        double share = r->rq.point.percent_on / 100;
        sum += multiple * multiple * (share < 1 ? share : 1);
        (*others)++;
    }
    return sum;
}

enum preflight_result preflight_circuit(struct engine *e, int ch, const struct run_request *rq,
                                        const struct load_point *point, char *text)
{
    int circuit = bench_channel_of(e, ch)->circuit;
    if (circuit < 0 || rq->point.phases == 0)
        return PREFLIGHT_NOT_ASKED;
    const struct bench_circuit *c = &e->bench.circuits[circuit];
    double amps = stagger_supply_a(rq, point);
    if (!(c->breaker.rated_a > 0) || !(amps > 0))
        return say(text, PREFLIGHT_WARN, "breaker or supply current are not known");
    double x = rq->point.percent_on / 100, multiple = amps / c->breaker.rated_a;
    int others = 0;
    double mean = sqrt(multiple * multiple * (x < 1 ? x : 1) + others_squared(e, ch, circuit, &others));
    (void)text_format(text, REASON_CAP, "%.1f A on-load on a breaker of %.0f A, effective %.0f %%", amps,
                      c->breaker.rated_a, 100 * mean);
    if (others > 0)
        (void)text_append(text, REASON_CAP, " with %d more under way", others);
    /* What earlier runs left in the breaker counts too: at the end of the first on-load part it must not be warmer than
     * the conventional non-tripping current keeps it (1.13 times rated, IEC 60898-1). */
    double on_s = rq->point.cycle_s * (x < 1 ? x : 1), left = e->circuits[circuit].heat;
    if (left > 0.05)
        (void)text_append(text, REASON_CAP, "; still %.0f %% warm from earlier runs", 100 * left);
    bool warm = breaker_heat_after(left, multiple, on_s, seconds_of(time_of(e, TIME_BREAKER))) > 1.13 * 1.13;
    return multiple > 1.13 || mean > 1 || warm ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

enum preflight_result preflight_supply(struct engine *e, int ch, const struct run_request *rq, char *text)
{
    const struct rating_point *p = &rq->point;
    const struct bench_limits *l = &e->bench.limits;
    int circuit = bench_channel_of(e, ch)->circuit;
    if (!(p->supply_v > 0) || p->phases == 0)
        return PREFLIGHT_NOT_ASKED;
    if (p->phases == 3 && circuit >= 0 && e->bench.circuits[circuit].phases == 1) {
        (void)text_format(text, REASON_CAP, "the rating point is for three phases, circuit %.47s has one",
                          e->bench.circuits[circuit].name);
        return PREFLIGHT_REFUSE;
    }
    struct supply_seen seen = supply_now(e, ch, p);
    struct phase_look phases = supply_phases_now(e, ch, p, false);
    if (isnan(seen.worst))
        seen.worst = seen.most = supply_nominal_v(e, ch, p);
    if (!(seen.most > 0.3 * p->supply_v))
        return say(text, PREFLIGHT_WARN, "the supply voltage is not seen");
    if (phases.loss != PHASES_THERE) {
        supply_phase_text(&phases, text, REASON_CAP);
        return PREFLIGHT_REFUSE;
    }
    if (seen.where != SIG_U1 && isnan(seen.mean))
        return say(text, PREFLIGHT_WARN, "a phase of the supply is not read: its cycles would not count");
    double off = supply_off_pct(seen.worst, p);
    if (seen.where == SIG_U1)
        (void)text_format(text, REASON_CAP, "%.0f V, the rating point is for %.0f V (%+.1f %%)", seen.worst,
                          p->supply_v, off);
    else
        (void)text_format(text, REASON_CAP,
                          "%.0f V in the mean, the phase farthest off (%s) at %.0f V; the rating point is for %.0f V "
                          "(%+.1f %%)",
                          seen.mean, signal_kind_name(seen.where), seen.worst, p->supply_v, off);
    if (off > l->u1_open_pct || off < -l->u1_open_pct)
        return PREFLIGHT_REFUSE;
    return off > l->u1_void_pct || off < -l->u1_void_pct ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}
