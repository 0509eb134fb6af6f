#include "verdict.h"

#include <string.h>

static const char *const procedure_names[PROCEDURE_COUNT_] = {"screen",    "proof",  "soak",
                                                              "to-cutout", "survey", "watchdog-proof"};

static const char *const state_names[STATE_COUNT_] = {"free",  "rigging",    "preflight", "setting", "on-load",
                                                      "pause", "recovering", "locked",    "done"};

static const char *const cause_names[CAUSE_COUNT_] = {
    [CAUSE_NONE] = "none",
    [CAUSE_THERMAL_CUTOUT] = "thermal-cutout",
    [CAUSE_SUPPLY_LOST] = "supply-lost",
    [CAUSE_SUPPLY_LOW] = "supply-low",
    [CAUSE_LOAD_PATH_OPEN] = "load-path-open",
    [CAUSE_LOAD_PATH_SHORT] = "load-path-short",
    [CAUSE_UNIT_PROTECTION] = "unit-protection",
    [CAUSE_UNIT_FAULT] = "unit-fault",
    [CAUSE_SWITCHED_OFF] = "switched-off",
    [CAUSE_ENGINE_STOPPED] = "engine-stopped",
    [CAUSE_BENCH_INTERLOCK] = "bench-interlock",
    [CAUSE_OPERATOR] = "operator",
    [CAUSE_LINK_LOST] = "link-lost",
    [CAUSE_UNKNOWN] = "unknown",
};

static const char *const interlock_names[INTERLOCK_COUNT_] = {
    [INTERLOCK_NONE] = "none",
    [INTERLOCK_BANK_HOT] = "bank-hot",
    [INTERLOCK_LEAD_HOT] = "lead-hot",
    [INTERLOCK_NO_FAN] = "no-fan",
    [INTERLOCK_ESTOP] = "emergency-stop",
    [INTERLOCK_SMOKE] = "smoke",
    [INTERLOCK_SIGNAL_LOST] = "signal-lost",
    [INTERLOCK_NOT_CLOSED] = "not-closed",
    [INTERLOCK_NOT_OPENED] = "not-opened",
    [INTERLOCK_ELEMENT] = "element-fault",
    [INTERLOCK_NO_LOAD_VOLTAGE] = "no-load-voltage",
    [INTERLOCK_OVER_POWER] = "over-power",
    [INTERLOCK_MAX_ON_LOAD] = "max-on-load",
    [INTERLOCK_SUPPLY] = "supply-out-of-band",
    [INTERLOCK_JOURNAL] = "record-unhealthy",
    [INTERLOCK_WATCHDOG] = "watchdog-not-proved",
    [INTERLOCK_CROSS_WIRED] = "cross-wired",
    [INTERLOCK_LINK] = "controller-lost",
    [INTERLOCK_ISOLATED] = "isolator-open",
    [INTERLOCK_QUEUE] = "inputs-lost",
    [INTERLOCK_RULE] = "rule",
    [INTERLOCK_CLOCK] = "clock-broken",
};

static const char *const verdict_names[VERDICT_COUNT_] = {"none", "met", "not-met", "undecided", "held"};

static const char *const basis_names[BASIS_COUNT_] = {"cold-cycle", "equilibrium", "equilibrium-at-40C",
                                                      "warm-cycle", "none",        "cycle-start-unknown"};

const char *procedure_name(enum procedure p)
{
    return (unsigned)p < PROCEDURE_COUNT_ ? procedure_names[p] : "?";
}

const char *procedure_words(enum procedure procedure)
{
    return procedure == PROCEDURE_SOAK ? "soak (heating test)" : procedure_name(procedure);
}

const char *channel_state_name(enum channel_state s)
{
    return (unsigned)s < STATE_COUNT_ ? state_names[s] : "?";
}

const char *shutoff_cause_name(enum shutoff_cause c)
{
    return (unsigned)c < CAUSE_COUNT_ ? cause_names[c] : "?";
}

const char *interlock_name(enum interlock i)
{
    return (unsigned)i < INTERLOCK_COUNT_ ? interlock_names[i] : "?";
}

const char *verdict_kind_name(enum verdict_kind v)
{
    return (unsigned)v < VERDICT_COUNT_ ? verdict_names[v] : "?";
}

const char *basis_name(enum basis b)
{
    return (unsigned)b < BASIS_COUNT_ ? basis_names[b] : "?";
}

static int index_of(const char *const *names, int n, const char *text)
{
    for (int i = 0; i < n; i++)
        if (strcmp(names[i], text) == 0)
            return i;
    return -1;
}

int procedure_parse(const char *text, enum procedure *p)
{
    int i = index_of(procedure_names, PROCEDURE_COUNT_, text);
    if (i < 0)
        return -1;
    *p = (enum procedure)i;
    return 0;
}

int channel_state_parse(const char *text, enum channel_state *s)
{
    int i = index_of(state_names, STATE_COUNT_, text);
    if (i < 0)
        return -1;
    *s = (enum channel_state)i;
    return 0;
}

bool cause_is_outside_unit(enum shutoff_cause c)
{
    switch (c) {
    case CAUSE_SUPPLY_LOST:
    case CAUSE_SUPPLY_LOW:
    case CAUSE_LOAD_PATH_OPEN:
    case CAUSE_LOAD_PATH_SHORT:
    case CAUSE_SWITCHED_OFF:
    case CAUSE_BENCH_INTERLOCK:
    case CAUSE_OPERATOR:
    case CAUSE_LINK_LOST:
        return true;
    default:
        return false;
    }
}

void put_verdict(struct writer *w, const struct verdict *v)
{
    put_i64(w, v->run_no);
    put_i32(w, v->revision);
    put_i32(w, v->rules_version);
    put_i32(w, v->channel);
    put_u32(w, (uint32_t)v->procedure);
    put_u32(w, (uint32_t)v->kind);
    put_u32(w, (uint32_t)v->basis);
    put_u32(w, (uint32_t)v->cause);
    put_u32(w, (uint32_t)v->cause_second);
    put_u32(w, v->deviations);
    put_i32(w, v->cycles_valid);
    put_i32(w, v->cycles_void);
    const double figures[] = {
        v->rated_percent_on, v->rated_on_s,          v->commanded_s,          v->conducting_s, v->at_rated_s,
        v->in_band_s,        v->percent_on_demanded, v->percent_on_delivered, v->shutoff_s,    v->shutoff_half_width_s,
        v->reset_s,          v->own_percent_on,      v->time_uncertainty_s,   v->current_a,    v->load_voltage_v,
        v->supply_v,         v->intake_degc,         v->drift_k_per_h,
    };
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++)
        put_f64(w, figures[i]);
    put_text(w, v->reason);
    put_text(w, v->finding);
}

void get_verdict(struct reader *r, struct verdict *v)
{
    v->run_no = get_i64(r);
    v->revision = get_i32(r);
    v->rules_version = get_i32(r);
    v->channel = get_i32(r);
    v->procedure = (enum procedure)get_below(r, PROCEDURE_COUNT_);
    v->kind = (enum verdict_kind)get_below(r, VERDICT_COUNT_);
    v->basis = (enum basis)get_below(r, BASIS_COUNT_);
    v->cause = (enum shutoff_cause)get_below(r, CAUSE_COUNT_);
    v->cause_second = (enum shutoff_cause)get_below(r, CAUSE_COUNT_);
    v->deviations = get_u32(r);
    v->cycles_valid = get_i32(r);
    v->cycles_void = get_i32(r);
    double *figures[] = {
        &v->rated_percent_on,
        &v->rated_on_s,
        &v->commanded_s,
        &v->conducting_s,
        &v->at_rated_s,
        &v->in_band_s,
        &v->percent_on_demanded,
        &v->percent_on_delivered,
        &v->shutoff_s,
        &v->shutoff_half_width_s,
        &v->reset_s,
        &v->own_percent_on,
        &v->time_uncertainty_s,
        &v->current_a,
        &v->load_voltage_v,
        &v->supply_v,
        &v->intake_degc,
        &v->drift_k_per_h,
    };
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++)
        *figures[i] = get_f64(r);
    get_text(r, v->reason, sizeof v->reason);
    get_text(r, v->finding, sizeof v->finding);
}
