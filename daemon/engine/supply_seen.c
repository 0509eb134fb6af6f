#include "supply_seen.h"

#include <math.h>

#include "error.h"
#include "track.h"

static const double root_of_three = 1.7320508075688772;

static enum signal_kind phase_of(enum signal_kind first, int k)
{
    return (enum signal_kind)((int)first + k);
}

static void take_phases(const struct engine *e, int ch, struct supply_sources *s)
{
    for (int k = 0; k < SUPPLY_PHASES; k++)
        if (signal_of(e, ch, phase_of(SIG_U1_A, k)))
            s->kinds[s->count++] = phase_of(SIG_U1_A, k);
}

/* A unit of one phase on a circuit of three: between a line and neutral, or between two lines? */
static bool between_lines(const struct engine *e, int ch, const struct rating_point *p)
{
    int c = bench_channel_of(e, ch)->circuit;
    if (p->phases == 3)
        return true;
    return c >= 0 && e->bench.circuits[c].phases == 3 && p->supply_v > 0.8 * e->bench.circuits[c].voltage_v;
}

struct supply_sources supply_sources_of(const struct engine *e, int ch, const struct rating_point *p)
{
    struct supply_sources s = {.factor = 1};
    if (p->phases == 0 || !(p->supply_v > 0))
        return s;
    take_phases(e, ch, &s);
    bool whole = signal_of(e, ch, SIG_U1) != NULL;
    if (whole && (p->phases != 3 || s.count < SUPPLY_PHASES)) {
        s.count = 1;
        s.kinds[0] = SIG_U1;
    } else if (between_lines(e, ch, p)) {
        s.factor = root_of_three;
    }
    return s;
}

double supply_nominal_v(const struct engine *e, int ch, const struct rating_point *p)
{
    int c = bench_channel_of(e, ch)->circuit;
    if (c < 0)
        return 0;
    bool to_neutral = e->bench.circuits[c].phases == 3 && !between_lines(e, ch, p);
    return e->bench.circuits[c].voltage_v / (to_neutral ? root_of_three : 1);
}

double supply_off_pct(double volts, const struct rating_point *p)
{
    return 100 * (volts - p->supply_v) / p->supply_v;
}

bool supply_was_out(const struct engine *e, const struct cycle_result *r)
{
    return r->supply_out_ns >= e->bench.limits.u1_void_after_ns;
}

static double size_of(double v)
{
    return v < 0 ? -v : v;
}

struct supply_seen supply_together(const struct supply_sources *s, const double readings[SUPPLY_PHASES],
                                   const struct rating_point *p)
{
    struct supply_seen seen = {.mean = NAN, .worst = NAN, .least = NAN, .most = NAN, .where = SIG_U1};
    double sum = 0;
    for (int k = 0; k < s->count; k++) {
        double v = readings[k] * s->factor;
        sum += v; /* NAN when one is not seen */
        if (isnan(v))
            continue;
        if (isnan(seen.worst) || size_of(v - p->supply_v) > size_of(seen.worst - p->supply_v)) {
            seen.worst = v;
            seen.where = s->kinds[k];
        }
        seen.least = isnan(seen.least) || v < seen.least ? v : seen.least;
        seen.most = isnan(seen.most) || v > seen.most ? v : seen.most;
    }
    if (s->count > 0)
        seen.mean = sum / s->count;
    return seen;
}

struct supply_seen supply_now(struct engine *e, int ch, const struct rating_point *p)
{
    struct supply_sources s = supply_sources_of(e, ch, p);
    double readings[SUPPLY_PHASES] = {NAN, NAN, NAN};
    for (int k = 0; k < s.count; k++)
        readings[k] = track_value(e, ch, s.kinds[k]);
    return supply_together(&s, readings, p);
}

bool supply_is_dead(const struct supply_seen *s, const struct rating_point *p)
{
    return s->most < 0.5 * p->supply_v;
}

int64_t supply_lag_ns(const struct engine *e, int ch)
{
    static const enum signal_kind kinds[] = {SIG_U1, SIG_U1_A, SIG_U1_B, SIG_U1_C, SIG_I1_A, SIG_I1_B, SIG_I1_C};
    return signals_lag_ns(e, ch, kinds, sizeof kinds / sizeof kinds[0]);
}

/* Weakest of three over the strongest; NAN when one is not seen or all are next to nothing. */
static double weakest(const double values[SUPPLY_PHASES], double least_that_counts, int *which)
{
    double least = values[0], most = values[0];
    *which = 0;
    for (int k = 0; k < SUPPLY_PHASES; k++) {
        if (isnan(values[k]))
            return NAN;
        if (values[k] < least) {
            least = values[k];
            *which = k;
        }
        most = values[k] > most ? values[k] : most;
    }
    return most > least_that_counts ? least / most : NAN;
}

struct phase_look supply_phases(const double volts[SUPPLY_PHASES], const double amps[SUPPLY_PHASES])
{
    int phase;
    double share = weakest(volts, 30, &phase);
    if (share < 0.6)
        return (struct phase_look){PHASE_WITHOUT_VOLTS, phase, share};
    share = weakest(amps, 0.5, &phase);
    if (share < 0.2)
        return (struct phase_look){PHASE_WITHOUT_AMPERES, phase, share};
    return (struct phase_look){PHASES_THERE, 0, 1};
}

struct phase_look supply_phases_now(struct engine *e, int ch, const struct rating_point *p, bool on_load)
{
    double volts[SUPPLY_PHASES], amps[SUPPLY_PHASES];
    if (p->phases != 3)
        return (struct phase_look){PHASES_THERE, 0, 1};
    for (int k = 0; k < SUPPLY_PHASES; k++) {
        volts[k] = track_value(e, ch, phase_of(SIG_U1_A, k));
        amps[k] = on_load ? track_value(e, ch, phase_of(SIG_I1_A, k)) : NAN;
    }
    return supply_phases(volts, amps);
}

void supply_phase_text(const struct phase_look *look, char *text, size_t cap)
{
    if (look->loss == PHASE_WITHOUT_AMPERES)
        (void)text_format(text, cap, "phase %c of the supply carries no current, %.0f %% of the others",
                          'a' + look->phase, 100 * look->share);
    else
        (void)text_format(text, cap, "phase %c of the supply is gone, %.0f %% of the others", 'a' + look->phase,
                          100 * look->share);
}

void supply_currents_add(struct engine *e, int ch, double amps[SUPPLY_PHASES])
{
    double whole = track_value(e, ch, SIG_I1);
    for (int k = 0; k < SUPPLY_PHASES; k++) {
        double phase = track_value(e, ch, phase_of(SIG_I1_A, k));
        double add = isnan(phase) ? whole : phase;
        amps[k] += isnan(add) ? 0 : add;
    }
}
