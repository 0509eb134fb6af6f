#include "trim.h"

#include <math.h>

#include "emit.h"
#include "figures.h"
#include "settable_load.h"
#include "track.h"

double trim_highest_v(const struct engine *e, int ch, const struct load_point *point)
{
    (void)ch;
    return point->voltage_v * (1 + e->bench.limits.band_high_pct / 100);
}

/* What is closed now, as far as it counts for the choice. */
struct present {
    uint32_t mask;
    double setting, factor;
};

static int choose_settable(const struct engine *e, int ch, double target_s, const struct load_point *point,
                           double present, struct step_choice *choice, double *setting, struct error *err)
{
    struct settable_wish wish = {
        .load = &bench_channel_of(e, ch)->load,
        .target_conductance_s = target_s,
        .lead_resistance_ohm = channel_lead_ohm(e, ch),
        .current_a = point->current_a,
        .voltage_v = trim_highest_v(e, ch, point),
        .present = present,
    };
    return settable_choose(&wish, choice, setting, err);
}

static int choose(const struct engine *e, int ch, double target_s, const struct load_point *point,
                  const struct present *present, struct step_choice *choice, double *setting, struct error *err)
{
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    *setting = 0;
    if (l->kind != LOAD_STEPPED)
        return choose_settable(e, ch, target_s, point, present->setting, choice, setting, err);
    struct step_wish wish = {
        .steps = l->steps,
        .step_count = l->step_count,
        .usable_mask = (UINT32_C(1) << l->step_count) - 1,
        .target_conductance_s = target_s,
        .lead_resistance_ohm = channel_lead_ohm(e, ch),
        .voltage_v = trim_highest_v(e, ch, point),
        .temperature_factor = present->factor,
        .step_load_pct = 100,
        .max_power_w = l->max_power_w,
        .present_mask = present->mask,
        .tie_pct = present->mask ? 1 : 0,
    };
    return step_choose(&wish, choice, err);
}

int trim_for_request(const struct engine *e, int ch, const struct run_request *rq, const struct load_point *point,
                     struct step_choice *choice, double *setting, struct error *err)
{
    static const struct present nothing = {.factor = 1};
    double target = rq->target_resistance_ohm > 0 ? 1 / rq->target_resistance_ohm : point->conductance_s;
    if (rq->target_resistance_ohm > 0 && bench_channel_of(e, ch)->load.kind == LOAD_SETTABLE_CURRENT)
        return error_set(err, "a load that is set to a current cannot be given a resistance");
    return choose(e, ch, target, point, &nothing, choice, setting, err);
}

/* Constant-current units keep their current whatever the load: the load follows the current that they really give, so
 * that U2 is conventional for it. Constant-voltage ones (mig) get the rated resistance. */
static double wanted_conductance(const struct run *r)
{
    double seen = r->has_last ? r->last.figures.current_a.mean : NAN, rated = r->point.current_a;
    struct load_point at;
    struct error err;
    if (r->rq.target_resistance_ohm > 0)
        return 1 / r->rq.target_resistance_ohm;
    if (r->rq.point.process == PROCESS_MIG || !(seen > 0.95 * rated && seen < 1.05 * rated) ||
        load_point_find(r->rq.point.process, seen, NAN, &at, &err) != 0)
        return r->point.conductance_s;
    double shift = r->point.from_plate ? r->point.voltage_v : 0;
    return shift > 0 ? seen / shift : at.conductance_s;
}

int trim_choose(struct engine *e, int ch, struct step_choice *choice, double *setting, struct error *err)
{
    const struct run *r = &e->channels[ch].run;
    const struct present present = {.mask = r->mask, .setting = r->setting, .factor = channel_ohm_factor(e, ch)};
    return choose(e, ch, wanted_conductance(r), &r->point, &present, choice, setting, err);
}

void trim_learn(struct engine *e, int ch, const struct cycle_result *r)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    double i = r->figures.current_a.mean, u = r->figures.voltage_v.mean, lead = channel_lead_ohm(e, ch);
    if (l->kind != LOAD_STEPPED)
        return;
    double cold = step_conductance(l->steps, l->step_count, c->run.mask, 1, 0);
    if (!(i > 0) || !(u > 0) || !(cold > 0))
        return;
    double factor = (u / i - lead) * cold;
    if (factor > 0.9 && factor < 1.2)
        c->run.temperature_factor = factor;
}

void trim_advise(struct engine *e, int ch)
{
    struct channel *c = channel_of(e, ch);
    double i = track_value(e, ch, SIG_I2), rated = c->run.point.current_a;
    if (c->load.phase != LOAD_ON || isnan(i) || e->step_ns - c->load.commanded_on_ns < 3 * SECOND_NS)
        return;
    double off = rated - i;
    int whole = off < 0 ? -(int)(0.5 - off) : (int)(off + 0.5);
    int change = whole - c->advised;
    bool near_enough = off < 0.01 * rated && off > -0.02 * rated;
    if ((change < 2 && change > -2) || (near_enough && c->advised == 0))
        return;
    c->advised = near_enough ? 0 : whole;
    if (near_enough)
        emit_text(e, EVENT_ADVICE, ch, "the unit gives %.0f A: set", i);
    else
        emit_text(e, EVENT_ADVICE, ch, whole > 0 ? "raise the unit by %d A" : "lower the unit by %d A",
                  whole > 0 ? whole : -whole);
}
