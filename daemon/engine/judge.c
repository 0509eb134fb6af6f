#include "judge.h"

#include <math.h>
#include <string.h>

#include "error.h"
#include "figures.h"
#include "observed.h"
#include "procedure.h"
#include "supply_seen.h"
#include "survey_run.h"
#include "track.h"
#include "uncertainty.h"

/* When this unit was last on-load, on whatever channel: by the journal, and by what was seen in this session, which may
 * not be on disk yet; 0: not known. */
static int64_t unit_last_load_utc_ns(const struct engine *e, const struct run_request *rq)
{
    int64_t last_ns = rq->unit_last_load_utc_ns;
    for (int i = 0; i < e->bench.channel_count; i++) {
        const struct channel *c = &e->channels[i];
        if (c->last_load_utc_ns > last_ns && strcmp(c->last_load_serial, rq->serial) == 0)
            last_ns = c->last_load_utc_ns;
    }
    return last_ns;
}

enum start_condition judge_start(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap)
{
    const struct channel *c = &e->channels[ch];
    const struct bench_limits *l = &e->bench.limits;
    int64_t now_ns = utc_of(e, e->step_ns), rest = now_ns - c->last_load_utc_ns;
    int64_t unit_ns = unit_last_load_utc_ns(e, rq);
    bool another = c->last_load_serial[0] != '\0' && strcmp(c->last_load_serial, rq->serial) != 0;
    double over = track_value(e, ch, SIG_T_EXHAUST) - track_value(e, ch, SIG_T_INTAKE);
    /* A cool case stands over a hot transformer: how long the unit has rested counts, whatever is said or felt. */
    if (unit_ns > 0 && now_ns - unit_ns < l->cold_rest_ns) {
        (void)text_format(why, cap, "this unit was on-load %.0f min ago, cold takes %.0f min without load",
                          seconds_of(now_ns - unit_ns) / 60, seconds_of(l->cold_rest_ns) / 60);
        return START_WARM;
    }
    if (c->last_load_utc_ns > 0 && rest < l->cold_rest_ns && rq->start != START_COLD && !another) {
        (void)text_format(why, cap, "the channel was on-load %.0f min ago", seconds_of(rest) / 60);
        return START_WARM;
    }
    if (!isnan(over) && over > l->cold_within_k) {
        (void)text_format(
            why, cap, "exhaust air is %.1f K above the intake: let it rest with its fan on, or start it as warm", over);
        return START_WARM;
    }
    if (load_is_observed(e, ch) && rq->start == START_UNKNOWN) {
        (void)text_copy(why, cap, "nobody states how the unit began");
        return START_UNKNOWN;
    }
    if (rq->start == START_WARM) {
        (void)text_copy(why, cap, "warm, by the operator's word");
        return START_WARM;
    }
    (void)text_copy(why, cap,
                    isnan(over) ? "cold, by the time since the last load only"
                                : "exhaust air within limits of the intake");
    return isnan(over) && rq->start == START_UNKNOWN ? START_UNKNOWN : START_COLD;
}

int judge_cutouts(const struct engine *e, int ch, const struct run_request *rq)
{
    int most = rq->unit_cutouts;
    for (int i = 0; i < e->bench.channel_count; i++) {
        const struct channel *c = &e->channels[i];
        bool own = strcmp(c->last_load_serial, rq->serial) == 0 || (i == ch && c->last_load_serial[0] == '\0');
        if (own && utc_of(e, e->step_ns) - c->last_load_utc_ns <= time_of(e, TIME_NIGHT) && c->cutouts_tonight > most)
            most = c->cutouts_tonight;
    }
    return most;
}

static enum basis basis_of(const struct run *r, bool observed, const struct cycle_result *at,
                           const struct deviation_tolerance *tol)
{
    if (r->at_equilibrium) {
        double off = at->intake_degc - r->rq.point.ambient_degc;
        bool held_hot = r->rq.heated_intake && off <= tol->intake_k && off >= -tol->intake_k;
        return held_hot ? BASIS_EQUILIBRIUM_40 : BASIS_EQUILIBRIUM;
    }
    /* Only the first cycle of a run from cold is a cold one. */
    if (observed && r->start == START_UNKNOWN && at->number <= 1)
        return BASIS_ANY_CYCLE;
    return r->start == START_WARM || at->number > 1 ? BASIS_WARM_CYCLE : BASIS_COLD_CYCLE;
}

static bool shutoff_tells(const struct run *r)
{
    return r->has_first_shutoff && r->shutoff_cycle.outcome == OUTCOME_SHUTOFF &&
           !cause_is_outside_unit(r->first_shutoff.cause) && r->first_shutoff.cause != CAUSE_UNKNOWN;
}

static enum run_outcome outcome_of(const struct run *r, enum ending ending)
{
    if (shutoff_tells(r))
        return OUTCOME_SHUTOFF;
    switch (ending) {
    case ENDING_SHUTOFF:
        return r->has_first_shutoff ? r->shutoff_cycle.outcome : OUTCOME_UNCLEAR;
    case ENDING_NEVER_REACHED:
        return r->reached_a > 0 ? OUTCOME_NEVER_REACHED : OUTCOME_UNCLEAR; /* no current at all: not the unit's word */
    case ENDING_COMPLETE:
        break;
    default:
        return OUTCOME_UNCLEAR;
    }
    if (!r->has_deciding || !r->last.valid)
        return OUTCOME_UNCLEAR;
    if (r->rq.procedure != PROCEDURE_SOAK && r->cycles_void > 0)
        return OUTCOME_UNCLEAR;
    return r->rq.procedure == PROCEDURE_SOAK || r->all_held ? r->deciding.outcome : OUTCOME_UNCLEAR;
}

static uint32_t deviations_of(struct engine *e, int ch, const struct cycle_result *at)
{
    const struct run *r = &e->channels[ch].run;
    struct deviation_tolerance tol = deviation_tolerance_default(&e->bench.limits);
    const struct bench_signal *i2 = signal_of(e, ch, SIG_I2), *u2 = signal_of(e, ch, SIG_U2);
    struct seen_conditions seen = {
        .current_a = at->figures.current_a.mean,
        .load_voltage_v = at->figures.voltage_v.mean,
        .supply_v = supply_was_out(e, at) ? at->supply_out_v : at->supply_worst_v,
        .intake_degc = at->intake_degc,
        .altitude_m = e->bench.limits.altitude_m,
        .at_equilibrium = r->at_equilibrium,
        .pause_s = r->longest_pause_s > 0 ? r->longest_pause_s : NAN,
        .heavier_cycle = at->after_heavier,
        .planned_pause_s = r->longest_pause_s > 0 ? seconds_of(r->cycle_ns - r->rated_on_ns) : NAN,
        .current_uncertainty_a = i2 ? uncertainty_expanded(&i2->uncertainty, r->point.current_a) : 0,
        .load_voltage_uncertainty_v = u2 ? uncertainty_expanded(&u2->uncertainty, r->point.voltage_v) : 0,
    };
    return deviations_seen(&r->rq.point, r->point.voltage_v, &seen, &tol);
}

static void say_start(const struct run *r, const struct verdict *v, char *text, size_t cap)
{
    if (v->basis == BASIS_EQUILIBRIUM || v->basis == BASIS_EQUILIBRIUM_40)
        (void)text_format(text, cap, "at equilibrium");
    else
        (void)text_format(text, cap, "from %s",
                          r->start == START_COLD   ? "cold"
                          : r->start == START_WARM ? "warm"
                                                   : "an unknown start");
    if (!isnan(v->intake_degc))
        (void)text_append(text, cap, " at %.0f degC intake", v->intake_degc);
}

/* Deviation bits that stand only because nobody saw the figure, and its name. */
static uint32_t unseen_bits(const struct cycle_result *at, const char *names[4])
{
    const struct {
        double value;
        uint32_t bits;
        const char *name;
    } figures[] = {{at->figures.current_a.mean, KIND_I2_LOW | HARSH_I2_HIGH, "current not seen"},
                   {at->figures.voltage_v.mean, KIND_U2_LOW | HARSH_U2_HIGH, "load voltage not seen"},
                   {at->intake_degc, KIND_COOL_INTAKE | HARSH_HOT_INTAKE, "intake air not seen"},
                   {at->supply_worst_v, HARSH_SUPPLY, "supply not seen"}};
    uint32_t bits = 0;
    for (int i = 0; i < 4; i++) {
        names[i] = isnan(figures[i].value) ? figures[i].name : NULL;
        bits |= isnan(figures[i].value) ? figures[i].bits : 0;
    }
    return bits;
}

static void say_deviations(uint32_t bits, const struct cycle_result *at, char *text, size_t cap)
{
    static const uint32_t of_name[] = {KIND_I2_LOW | HARSH_I2_HIGH, KIND_U2_LOW | HARSH_U2_HIGH,
                                       KIND_COOL_INTAKE | HARSH_HOT_INTAKE, HARSH_SUPPLY};
    int n;
    const struct deviation_rule *rules = deviation_rules(&n);
    const char *between = " (", *unseen[4];
    uint32_t not_seen = unseen_bits(at, unseen);
    for (int i = 0; i < n; i++) {
        if (!(bits & ~not_seen & (uint32_t)rules[i].bit))
            continue;
        (void)text_append(text, cap, "%s%s", between, rules[i].name);
        between = ", ";
    }
    for (int i = 0; i < 4; i++) {
        if (!unseen[i] || !(bits & of_name[i]))
            continue;
        (void)text_append(text, cap, "%s%s", between, unseen[i]);
        between = ", ";
    }
    if (between[0] == ',')
        (void)text_append(text, cap, ")");
}

/* Why the verdict is no better. What nobody saw may have been kind or harsh, and is not said to have been. */
static const char *say_why(const struct allowed *a, const struct cycle_result *at)
{
    const char *unseen[4];
    bool conditions = a->reason == ALLOWED_KIND || a->reason == ALLOWED_HARSH;
    if (conditions && (a->because & ~unseen_bits(at, unseen)) == 0)
        return "conditions that it hangs on were not seen";
    return allowed_reason_text(a->reason);
}

/* What a run to the cut-out is for: how far past the rating, and how long to the reset. */
static void say_past_rating(const struct run *r, struct verdict *v, const char *start)
{
    size_t cap = sizeof v->reason;
    (void)text_format(v->reason, cap, "held %.0f s at %.0f A %s, rated %.0f s", v->at_rated_s, r->point.current_a,
                      start, v->rated_on_s);
    if (v->rated_on_s > 0 && v->at_rated_s > v->rated_on_s)
        (void)text_append(v->reason, cap, " (%.0f %% past it)", 100 * (v->at_rated_s / v->rated_on_s - 1));
    if (r->has_first_shutoff)
        (void)text_append(v->reason, cap, ", then %s", shutoff_cause_name(v->cause));
    else
        (void)text_append(v->reason, cap, ", ended by the cap without a shutoff");
    if (v->reset_s > 0)
        (void)text_append(v->reason, cap, "; reset after %.1f min", v->reset_s / 60);
    if (!isnan(v->own_percent_on))
        (void)text_append(v->reason, cap, "; own capability %.0f %% by %d cut-outs", v->own_percent_on, r->cutouts);
}

static void say_hold(const struct run *r, struct verdict *v, const char *start)
{
    size_t cap = sizeof v->reason;
    if (r->rq.procedure == PROCEDURE_TO_CUTOUT)
        say_past_rating(r, v, start);
    else if (v->kind == VERDICT_MET)
        (void)text_format(v->reason, cap, "met: held %.0f A for the rated %.0f s of each cycle %s", r->point.current_a,
                          v->rated_on_s, start);
    else
        (void)text_format(v->reason, cap, "held %d cycle%s %s: %.0f s at %.0f A, rated %.0f s", v->cycles_valid,
                          v->cycles_valid == 1 ? "" : "s", start, v->at_rated_s, r->point.current_a, v->rated_on_s);
}

static void say_not_met(const struct run *r, struct verdict *v, const char *start)
{
    size_t cap = sizeof v->reason;
    (void)text_format(v->reason, cap, "not met: %s after %.0f s, rated %.0f s, in cycle %d %s",
                      shutoff_cause_name(v->cause), v->shutoff_s, v->rated_on_s, r->shutoff_cycle.number, start);
    if (v->reset_s > 0)
        (void)text_append(v->reason, cap, "; reset after %.1f min", v->reset_s / 60);
    if (!isnan(v->own_percent_on))
        (void)text_append(v->reason, cap, "; own capability %.0f %% by %d cut-outs", v->own_percent_on, r->cutouts);
}

static void say_reason(const struct run *r, enum ending ending, const struct allowed *a, const struct cycle_result *at,
                       enum run_outcome outcome, struct verdict *v)
{
    char start[80];
    size_t cap = sizeof v->reason;
    say_start(r, v, start, sizeof start);
    if (v->kind == VERDICT_MET || v->kind == VERDICT_HELD) {
        say_hold(r, v, start);
    } else if (v->kind == VERDICT_NOT_MET && outcome == OUTCOME_NEVER_REACHED) {
        (void)text_format(v->reason, cap, "not met: %s with the control at maximum", r->never_text);
    } else if (v->kind == VERDICT_NOT_MET) {
        say_not_met(r, v, start);
    } else if (ending == ENDING_CUT_SHORT) {
        (void)text_format(v->reason, cap, "undecided: cut short, %s", r->ending_text);
    } else if (r->has_first_shutoff && ending != ENDING_NEVER_REACHED) {
        (void)text_format(v->reason, cap, "undecided: shut off after %.0f s (%s%s%s), %s", v->shutoff_s,
                          shutoff_cause_name(v->cause), v->cause_second ? " or " : "",
                          v->cause_second ? shutoff_cause_name(v->cause_second) : "", say_why(a, at));
        say_deviations(a->because, at, v->reason, cap);
    } else {
        (void)text_format(v->reason, cap, "undecided: %s",
                          ending == ENDING_NEVER_REACHED ? r->never_text : say_why(a, at));
        say_deviations(a->because, at, v->reason, cap);
        if (!r->last.valid && r->has_last)
            (void)text_append(v->reason, cap, "; cycle %d is void: %s", r->last.number, r->last.void_text);
    }
    if (r->flags[0] != '\0')
        (void)text_append(v->reason, cap, "; flagged: %s", r->flags);
}

/* A cause outside the unit is a finding on the installation. */
static void say_finding(const struct engine *e, int ch, const struct run *r, bool by_shutoff, struct verdict *v)
{
    const struct bench_channel *b = bench_channel_of(e, ch);
    size_t cap = sizeof v->finding;
    const char *evidence = by_shutoff ? r->first_shutoff.evidence : r->ending_text;
    switch (v->cause) {
    case CAUSE_SUPPLY_LOST:
    case CAUSE_SUPPLY_LOW:
        (void)text_format(v->finding, cap, "supply %.47s does not carry this rating: %.120s",
                          b->circuit >= 0 ? e->bench.circuits[b->circuit].name : "of the channel", evidence);
        break;
    case CAUSE_LOAD_PATH_OPEN:
    case CAUSE_LOAD_PATH_SHORT:
        (void)text_format(v->finding, cap, "load path of channel %.47s: %.140s. Look at leads, connectors and adaptor",
                          b->name, evidence);
        break;
    case CAUSE_BENCH_INTERLOCK:
    case CAUSE_LINK_LOST:
        (void)text_format(v->finding, cap, "bench, channel %.47s: %.150s", b->name, r->ending_text);
        break;
    default:
        break;
    }
}

static void fill_figures(const struct run *r, const struct cycle_result *at, struct verdict *v)
{
    const struct cycle_figures *f = &at->figures;
    v->commanded_s = seconds_of(f->commanded.best_ns);
    v->conducting_s = seconds_of(f->conducting.best_ns);
    v->at_rated_s = seconds_of(f->at_rated.best_ns);
    v->in_band_s = seconds_of(f->in_band.best_ns);
    v->percent_on_demanded = percent_on_of(f->commanded.best_ns, r->cycle_ns);
    v->percent_on_delivered = percent_on_of(f->conducting.best_ns, r->cycle_ns);
    v->time_uncertainty_s = figures_time_uncertainty_s(f);
    v->current_a = f->current_a.mean;
    v->load_voltage_v = f->voltage_v.mean;
    v->supply_v = at->supply_v;
    v->intake_degc = at->intake_degc;
}

static void fill_shutoff(const struct run *r, double settled_pct, struct verdict *v)
{
    v->shutoff_s = v->shutoff_half_width_s = v->reset_s = v->own_percent_on = NAN;
    if (!r->has_first_shutoff)
        return;
    const struct shutoff *s = &r->first_shutoff;
    v->shutoff_s = s->on_s;
    v->shutoff_half_width_s = seconds_of(s->at.half_width_ns);
    v->reset_s = s->reset_seen ? s->reset_s : NAN;
    struct capability own;
    struct error err;
    int n = 0;
    while (n < CAPABILITY_MAX && n < r->cutouts && r->cutout_cycles[n].reset_s > 0)
        n++;
    if (capability_find(r->cutout_cycles, n, settled_pct, &own, &err) == 0)
        v->own_percent_on = own.percent_on;
}

/* Which cycle the figures are of, and whose cause counts. */
static const struct cycle_result *deciding_cycle(const struct run *r, enum ending ending)
{
    if (shutoff_tells(r) || (ending == ENDING_SHUTOFF && r->has_first_shutoff))
        return &r->shutoff_cycle;
    return r->has_deciding ? &r->deciding : &r->last;
}

/* A survey measures. Its map is in its events; the plate is judged by a proof or a soak. */
static void judge_survey(const struct run *r, enum ending ending, struct verdict *v)
{
    char air[48] = "";
    if (!isnan(v->intake_degc))
        (void)text_format(air, sizeof air, " at %.0f degC intake", v->intake_degc);
    v->kind = VERDICT_UNDECIDED;
    v->basis = BASIS_NONE;
    v->deviations = 0;
    v->percent_on_demanded = v->percent_on_delivered = NAN;
    v->rated_percent_on = r->survey.plate.percent_on;
    v->rated_on_s = seconds_of(r->cycle_ns) * r->survey.plate.percent_on / 100;
    v->own_percent_on = NAN;
    survey_say(r, air, v->reason, sizeof v->reason);
    if (ending == ENDING_CUT_SHORT)
        (void)text_append(v->reason, sizeof v->reason, "; cut short, %s", r->ending_text);
    else if (ending == ENDING_NEVER_REACHED)
        (void)text_append(v->reason, sizeof v->reason, "; %s", r->never_text);
    else if (ending == ENDING_SHUTOFF)
        (void)text_append(v->reason, sizeof v->reason, "; ended by %s", shutoff_cause_name(v->cause));
    if (r->flags[0] != '\0')
        (void)text_append(v->reason, sizeof v->reason, "; flagged: %s", r->flags);
}

void judge_run(struct engine *e, int ch, enum ending ending, struct verdict *v)
{
    struct run *r = &channel_of(e, ch)->run;
    struct cycle_result none = {
        .supply_v = NAN, .supply_worst_v = NAN, .intake_degc = track_value(e, ch, SIG_T_INTAKE)};
    none.figures.current_a.mean = none.figures.voltage_v.mean = NAN;
    const struct cycle_result *at = r->has_last ? deciding_cycle(r, ending) : &none;
    bool by_shutoff = at == &r->shutoff_cycle;
    struct deviation_tolerance tol = deviation_tolerance_default(&e->bench.limits);
    *v = (struct verdict){.run_no = r->rq.run_no,
                          .revision = ++r->revision,
                          .rules_version = RULES_VERSION,
                          .channel = ch,
                          .procedure = r->rq.procedure,
                          .cycles_valid = r->cycles_valid,
                          .cycles_void = r->cycles_void,
                          .rated_percent_on = r->rq.point.percent_on,
                          .rated_on_s = seconds_of(r->rated_on_ns)};
    v->drift_k_per_h = r->drift_known ? r->drift.high_k_per_h : NAN;
    fill_figures(r, at, v);
    if (!load_knows_command(e, ch))
        v->commanded_s = v->percent_on_demanded = NAN;
    fill_shutoff(r, level_of(e, LEVEL_CAPABILITY), v);
    if (by_shutoff) {
        v->cause = r->first_shutoff.cause;
        v->cause_second = r->first_shutoff.second;
    } else if (ending == ENDING_CUT_SHORT || ending == ENDING_NEVER_REACHED) {
        v->cause = r->ending_cause;
    }
    v->basis = r->has_last ? basis_of(r, load_is_observed(e, ch), at, &tol) : BASIS_NONE;
    v->deviations = r->has_last ? deviations_of(e, ch, at) : 0;
    enum run_outcome outcome = outcome_of(r, ending);
    struct allowed_case k = {
        .outcome = outcome,
        .basis = v->basis,
        .deviations = v->deviations,
        .cause = outcome == OUTCOME_HOLD ? CAUSE_NONE : v->cause,
        .cause_second = outcome == OUTCOME_HOLD ? CAUSE_NONE : v->cause_second,
        .control_confirmed = r->rq.control_at_maximum && r->rq.setup_confirmed,
    };
    struct allowed a = verdict_allowed(&k);
    v->kind = a.kind;
    if (r->rq.procedure == PROCEDURE_SURVEY)
        judge_survey(r, ending, v);
    else
        say_reason(r, ending, &a, at, outcome, v);
    say_finding(e, ch, r, by_shutoff, v);
}
