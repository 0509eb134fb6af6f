#include "deviation.h"

enum { ALL_KIND = 0xff, ALL_HARSH = 0xff00 };

/* The table. A cold start and a cool intake are what `held`, and the intake temperature in the basis, say aloud; every
 * other kind deviation bars each form of a pass. Harsh ones bar the fail only. Common practice, no published source. */
static const struct deviation_rule table[] = {
    /*                                               held   met,eq met,40 not-met */
    {KIND_COLD_START, "kind: cold start", /*       */ false, true, true, false},
    {KIND_COOL_INTAKE, "kind: cool intake", /*     */ false, false, true, false},
    {KIND_I2_LOW, "kind: current low", /*          */ true, true, true, false},
    {KIND_U2_LOW, "kind: load voltage low", /*     */ true, true, true, false},
    {KIND_LONG_PAUSE, "kind: long pause", /*       */ true, true, true, false},
    {HARSH_I2_HIGH, "harsh: current high", /*      */ false, false, false, true},
    {HARSH_U2_HIGH, "harsh: load voltage high", /* */ false, false, false, true},
    {HARSH_HOT_INTAKE, "harsh: hot intake", /*     */ false, false, false, true},
    {HARSH_ALTITUDE, "harsh: altitude", /*         */ false, false, false, true},
    {HARSH_SUPPLY, "harsh: supply", /*             */ false, false, false, true},
    {HARSH_HEAVY_CYCLE, "harsh: heavier cycle", /* */ false, false, false, true},
};

enum { TABLE_COUNT = sizeof table / sizeof table[0] };

const struct deviation_rule *deviation_rules(int *count)
{
    *count = TABLE_COUNT;
    return table;
}

struct deviation_tolerance deviation_tolerance_default(const struct bench_limits *limits)
{
    return (struct deviation_tolerance){
        .i2_low_pct = limits->band_low_pct,  /* M: -2 % */
        .i2_high_pct = limits->band_low_pct, /* the same way up: 2 % of current is 4 % of heat */
        .u2_low_pct = limits->band_low_pct,  /* M: -2 % */
        .u2_high_pct = 4,                    /* the finest step of a bank is about this: common practice */
        .u1_pct = limits->u1_void_pct,       /* M: 5 % */
        .intake_k = 2,                       /* M: the thermometer's own tolerance */
        .altitude_m = 1000,                  /* IEC 60974-1, clause 4: service conditions up to 1000 m */
        .pause_pct = 2,
    };
}

/* Bits for a value that may lie below or above a reference by a tolerance. A value that was not seen may do both. */
static uint32_t two_sided(double value, double reference, double below, double above, uint32_t low_bit,
                          uint32_t high_bit)
{
    if (!__builtin_isfinite(value))
        return low_bit | high_bit;
    uint32_t bits = 0;
    if (value < reference - below)
        bits |= low_bit;
    if (value > reference + above)
        bits |= high_bit;
    return bits;
}

static double larger(double a, double b)
{
    return b > a ? b : a; /* a when b is not a number */
}

uint32_t deviations_seen(const struct rating_point *point, double load_voltage_v, const struct seen_conditions *seen,
                         const struct deviation_tolerance *tolerance)
{
    const struct deviation_tolerance *t = tolerance;
    double i2 = point->current_a, ui = seen->current_uncertainty_a, uu = seen->load_voltage_uncertainty_v;
    uint32_t bits = two_sided(seen->current_a, i2, larger(i2 * t->i2_low_pct / 100, ui),
                              larger(i2 * t->i2_high_pct / 100, ui), KIND_I2_LOW, HARSH_I2_HIGH);
    bits |= two_sided(seen->load_voltage_v, load_voltage_v, larger(load_voltage_v * t->u2_low_pct / 100, uu),
                      larger(load_voltage_v * t->u2_high_pct / 100, uu), KIND_U2_LOW, HARSH_U2_HIGH);
    bits |=
        two_sided(seen->intake_degc, point->ambient_degc, t->intake_k, t->intake_k, KIND_COOL_INTAKE, HARSH_HOT_INTAKE);
    if (point->phases > 0 && point->supply_v > 0) {
        double off = point->supply_v * t->u1_pct / 100;
        bits |= two_sided(seen->supply_v, point->supply_v, off, off, HARSH_SUPPLY, HARSH_SUPPLY);
    }
    if (!(seen->altitude_m <= t->altitude_m))
        bits |= HARSH_ALTITUDE;
    if (!seen->at_equilibrium)
        bits |= KIND_COLD_START;
    if (seen->heavier_cycle)
        bits |= HARSH_HEAVY_CYCLE;
    if (seen->pause_s > seen->planned_pause_s * (1 + t->pause_pct / 100))
        bits |= KIND_LONG_PAUSE;
    return bits;
}

static bool is_units_own(enum shutoff_cause cause)
{
    return cause == CAUSE_THERMAL_CUTOUT || cause == CAUSE_UNIT_FAULT;
}

/* Bits of the case that bar a verdict, by the table's column. */
static uint32_t barring(uint32_t deviations, enum verdict_kind kind, enum basis basis)
{
    uint32_t found = deviations & ~(uint32_t)(ALL_KIND | ALL_HARSH), known = 0;
    for (int i = 0; i < TABLE_COUNT; i++) {
        const struct deviation_rule *r = &table[i];
        bool bars = kind == VERDICT_NOT_MET         ? r->bars_not_met
                    : kind == VERDICT_HELD          ? r->bars_held
                    : basis == BASIS_EQUILIBRIUM_40 ? r->bars_met_40
                                                    : r->bars_met_equilibrium;
        known |= (uint32_t)r->bit;
        if (bars && (deviations & (uint32_t)r->bit) != 0)
            found |= (uint32_t)r->bit;
    }
    return found | (deviations & ~known);
}

static struct allowed undecided(enum allowed_reason reason, uint32_t because)
{
    return (struct allowed){VERDICT_UNDECIDED, reason, because};
}

static struct allowed allow_hold(const struct allowed_case *c)
{
    bool equilibrium = c->basis == BASIS_EQUILIBRIUM || c->basis == BASIS_EQUILIBRIUM_40;
    enum verdict_kind kind = equilibrium ? VERDICT_MET : VERDICT_HELD;
    uint32_t because = barring(c->deviations, kind, c->basis);
    if (equilibrium && (because & KIND_COLD_START) != 0)
        return undecided(ALLOWED_BASIS_CONTRADICTS, KIND_COLD_START);
    if (c->basis == BASIS_EQUILIBRIUM_40 && (because & KIND_COOL_INTAKE) != 0)
        return undecided(ALLOWED_BASIS_CONTRADICTS, KIND_COOL_INTAKE);
    if (because != 0)
        return undecided(ALLOWED_KIND, because);
    return (struct allowed){kind, equilibrium ? ALLOWED_CLEAR : ALLOWED_NOT_EQUILIBRIUM, 0};
}

static struct allowed allow_fail(const struct allowed_case *c)
{
    uint32_t because = barring(c->deviations, VERDICT_NOT_MET, c->basis);
    if (because != 0)
        return undecided(ALLOWED_HARSH, because);
    return (struct allowed){VERDICT_NOT_MET, ALLOWED_CLEAR, 0};
}

static struct allowed allow_shutoff(const struct allowed_case *c)
{
    if (cause_is_outside_unit(c->cause) || c->cause == CAUSE_ENGINE_STOPPED)
        return undecided(ALLOWED_OUTSIDE_CAUSE, 0);
    if (c->cause == CAUSE_UNIT_PROTECTION)
        return undecided(ALLOWED_UNIT_PROTECTION, 0);
    if (!is_units_own(c->cause) || (c->cause_second != CAUSE_NONE && !is_units_own(c->cause_second)))
        return undecided(ALLOWED_CAUSE_UNSURE, 0);
    return allow_fail(c);
}

struct allowed verdict_allowed(const struct allowed_case *c)
{
    if (c->outcome == OUTCOME_UNCLEAR)
        return undecided(ALLOWED_UNCLEAR, 0);
    if ((int)c->basis < 0 || c->basis >= BASIS_COUNT_ || c->basis == BASIS_NONE)
        return undecided(ALLOWED_NO_BASIS, 0);
    switch (c->outcome) {
    case OUTCOME_HOLD:
        return allow_hold(c);
    case OUTCOME_SHUTOFF:
        return allow_shutoff(c);
    case OUTCOME_NEVER_REACHED:
        if (!c->control_confirmed)
            return undecided(ALLOWED_NOT_CONFIRMED, 0);
        return allow_fail(c);
    default:
        return undecided(ALLOWED_UNCLEAR, 0);
    }
}

enum run_outcome hold_outcome(int64_t low_ns, int64_t high_ns, int64_t rated_ns, int64_t uncertainty_ns, bool shutoff)
{
    if (low_ns - uncertainty_ns >= rated_ns)
        return OUTCOME_HOLD;
    if (shutoff && high_ns + uncertainty_ns < rated_ns)
        return OUTCOME_SHUTOFF;
    return OUTCOME_UNCLEAR;
}

const char *run_outcome_name(enum run_outcome outcome)
{
    static const char *const names[] = {"held", "shut off", "never reached", "unclear"};
    return (int)outcome >= 0 && outcome <= OUTCOME_UNCLEAR ? names[outcome] : "unclear";
}

const char *allowed_reason_text(enum allowed_reason reason)
{
    static const char *const texts[ALLOWED_REASON_COUNT_] = {
        [ALLOWED_CLEAR] = "nothing stands in the way",
        [ALLOWED_NO_BASIS] = "there is no basis for a judgement",
        [ALLOWED_NOT_EQUILIBRIUM] = "the unit was not at thermal equilibrium",
        [ALLOWED_KIND] = "conditions were kinder than the plate's",
        [ALLOWED_HARSH] = "conditions were harsher than the plate's",
        [ALLOWED_OUTSIDE_CAUSE] = "the cause does not lie in the unit",
        [ALLOWED_CAUSE_UNSURE] = "the cause is not known for sure",
        [ALLOWED_UNIT_PROTECTION] = "a protection acted that the bench itself can provoke",
        [ALLOWED_NOT_CONFIRMED] = "control at maximum, mode and load were not confirmed",
        [ALLOWED_UNCLEAR] = "what was seen does not decide",
        [ALLOWED_BASIS_CONTRADICTS] = "the basis claimed does not fit the conditions seen",
    };
    return (int)reason >= 0 && reason < ALLOWED_REASON_COUNT_ ? texts[reason] : "unknown";
}
