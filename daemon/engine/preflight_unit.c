/* Preflight: what the unit, its rating point and its leads are fit for. */
#include <math.h>

#include "error.h"
#include "interlock.h"
#include "judge.h"
#include "lead.h"
#include "preflight_lines.h"
#include "remote.h"
#include "settable_load.h"
#include "strike.h"
#include "survey_run.h"
#include "track.h"
#include "trim.h"

enum preflight_result preflight_safety_test(const struct ask *a)
{
    if (a->rq->safety_test_failed)
        return preflight_say(a, PREFLIGHT_REFUSE, "the unit failed its latest inspection and electrical safety test");
    if (a->rq->safety_test_utc_s <= 0)
        return preflight_say(a, PREFLIGHT_WARN, "no inspection and electrical safety test on file for this unit");
    int64_t now_s = utc_of(a->e, a->e->step_ns) / SECOND_NS, due_s = a->rq->safety_test_due_utc_s;
    int64_t age_d = (now_s - a->rq->safety_test_utc_s) / 86400;
    (void)text_format(a->text, REASON_CAP, "on file, %lld days old", (long long)age_d);
    if (due_s > 0 && due_s < now_s) {
        (void)text_append(a->text, REASON_CAP, "; the next one has been due for %lld days",
                          (long long)((now_s - due_s) / 86400));
        return PREFLIGHT_WARN;
    }
    return (now_s - a->rq->safety_test_utc_s) > time_of(a->e, TIME_SAFETY_TEST) / SECOND_NS ? PREFLIGHT_WARN
                                                                                            : PREFLIGHT_PASS;
}

static enum preflight_result survey_fits(const struct ask *a)
{
    const char *trouble = survey_trouble(a->rq, a->plate);
    bool remote = remote_serves(a->e, a->ch, a->rq);
    for (int i = 0; i < a->rq->survey_count && i < SURVEY_POINTS_MAX && remote && !trouble; i++)
        trouble = remote_trouble(a->e, a->ch, a->rq->survey_a[i]);
    if (!trouble && a->rq->unattended && !remote)
        trouble = "nothing turns the unit from one current to the next: without a remote_setpoint a survey is attended";
    if (!a->point_ok)
        return preflight_say(a, PREFLIGHT_REFUSE, "the rating point makes no sense: current or load voltage");
    return trouble ? preflight_say(a, PREFLIGHT_REFUSE, trouble)
                   : preflight_say(a, PREFLIGHT_PASS,
                                   remote ? "the remote control sets the unit before each current"
                                          : "somebody turns the unit before each current");
}

enum preflight_result preflight_procedure_fits(const struct ask *a)
{
    const struct run_request *q = a->rq;
    if (q->procedure == PROCEDURE_WATCHDOG)
        return preflight_say(a, PREFLIGHT_REFUSE, "the watchdog is proved by an order of its own");
    if (q->procedure == PROCEDURE_SURVEY)
        return survey_fits(a);
    if (!(q->point.percent_on > 0) || q->point.percent_on > 100 || !a->point_ok)
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "the rating point makes no sense: current, percent-on or load voltage");
    if (q->point.percent_on >= 100 && q->procedure != PROCEDURE_SOAK)
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "a 100 % point has no pause: it is proved by a soak to equilibrium only");
    if (q->procedure == PROCEDURE_SCREEN && q->point.percent_on > 60)
        return preflight_say(a, PREFLIGHT_WARN, "above 60 % a screen takes longer than a quarter of an hour");
    if (remote_serves(a->e, a->ch, q) && remote_trouble(a->e, a->ch, q->point.current_a))
        return preflight_say(a, PREFLIGHT_REFUSE, remote_trouble(a->e, a->ch, q->point.current_a));
    int64_t part = (int64_t)(q->point.percent_on * 1e7 * (q->point.cycle_s > 0 ? q->point.cycle_s : 600));
    if (part + 60 * SECOND_NS > a->e->bench.limits.max_on_load_ns)
        return preflight_say(a, PREFLIGHT_REFUSE, "the on-load part is longer than the bench's limit");
    return preflight_say(a, PREFLIGHT_PASS, "fits the rating point");
}

/* Does a rule of the shop take the load away when the unit's case or exhaust gets hot? */
static bool temperature_is_limited(const struct ask *a)
{
    for (int i = 0; i < a->e->bench.rule_count; i++) {
        const struct bench_rule *r = &a->e->bench.rules[i];
        enum signal_kind kind = signal_kind_parse(r->signal);
        if ((kind == SIG_T_CASE || kind == SIG_T_EXHAUST) && preflight_has(a, kind) && r->sense != RULE_BELOW &&
            (r->action == RULE_END || r->action == RULE_OPEN) && (r->channel < 0 || r->channel == a->ch))
            return true;
    }
    return false;
}

enum preflight_result preflight_protection(const struct ask *a)
{
    const struct run_request *q = a->rq;
    bool past = q->procedure == PROCEDURE_TO_CUTOUT || q->procedure == PROCEDURE_SURVEY;
    if (past && q->protection != PROTECTION_FITTED)
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "running past the rating needs a unit whose thermal protection is known to be fitted");
    if (past && !q->consent_past_rating)
        return preflight_say(a, PREFLIGHT_REFUSE, "running past the rating needs the owner's consent");
    if (q->protection == PROTECTION_FITTED)
        return preflight_say(a, PREFLIGHT_PASS, "thermal protection fitted");
    if (q->unattended && !temperature_is_limited(a))
        return preflight_say(
            a, PREFLIGHT_REFUSE,
            "thermal protection not known to be fitted: unattended needs a rule that ends or opens on t_case or "
            "t_exhaust");
    if (!preflight_has(a, SIG_T_EXHAUST) && !preflight_has(a, SIG_T_CASE))
        return preflight_say(a, PREFLIGHT_WARN,
                             "thermal protection not known to be fitted, and no case or exhaust temperature");
    return preflight_say(a, PREFLIGHT_WARN,
                         "thermal protection not known to be fitted: somebody should watch the temperatures");
}

enum preflight_result preflight_cutouts(const struct ask *a)
{
    int most = a->e->bench.limits.cutouts_per_night, so_far = judge_cutouts(a->e, a->ch, a->rq);
    bool survey = a->rq->procedure == PROCEDURE_SURVEY;
    int wanted = survey ? survey_cutouts(a->rq) : a->rq->repeats > 0 ? a->rq->repeats : 1;
    if ((a->rq->procedure != PROCEDURE_TO_CUTOUT && !survey) || most <= 0 || so_far + wanted <= most)
        return PREFLIGHT_NOT_ASKED;
    (void)text_format(a->text, REASON_CAP, "%d cut-outs so far and %d to come, %d a night are allowed", so_far, wanted,
                      most);
    return a->rq->unattended ? PREFLIGHT_REFUSE : PREFLIGHT_WARN;
}

enum preflight_result preflight_set_up(const struct ask *a)
{
    if (!a->rq->setup_confirmed)
        return preflight_say(a, PREFLIGHT_WARN, "the set-up sheet is not confirmed");
    return preflight_say(a, PREFLIGHT_PASS, "sheet confirmed");
}

/* The highest no-load voltage that the output may have: by the plate, else the most that its process allows. */
static double highest_u0_v(const struct ask *a)
{
    return highest_no_load_v(&a->e->bench.limits, &a->rq->point, a->rq->s_marked);
}

static bool is_plasma(const struct ask *a)
{
    enum process p = a->rq->point.process;
    return p == PROCESS_PLASMA_CUT || p == PROCESS_PLASMA_WELD || p == PROCESS_PLASMA_GOUGE;
}

enum preflight_result preflight_breaking(const struct ask *a)
{
    const struct bench_load *l = &a->b->load;
    if (a->rq->point.control != CONTROL_ALWAYS_LIVE && l->has_trigger)
        return preflight_say(a, PREFLIGHT_PASS, "the torch switch is held by the bench: contactors break no current");
    double u0 = highest_u0_v(a);
    if (!(l->breaks_dc_v >= u0) || (l->breaks_a > 0 && l->breaks_a < a->point.current_a)) {
        (void)text_format(a->text, REASON_CAP,
                          "contactors break %.0f A at %.0f V; this output is live at %.0f A and %.0f V", l->breaks_a,
                          l->breaks_dc_v, a->point.current_a, u0);
        return PREFLIGHT_REFUSE;
    }
    return preflight_say(a, PREFLIGHT_PASS, "contactors may break this current; their wear is counted");
}

enum preflight_result preflight_bank(const struct ask *a)
{
    const struct bench_load *l = &a->b->load;
    double most = a->e->bench.limits.bank_max_power_w, u0 = a->rq->point.no_load_v;
    struct step_choice choice;
    struct error err;
    double setting;
    if (!a->point_ok)
        return PREFLIGHT_NOT_ASKED;
    if (l->feedback_signal < 0)
        return preflight_say(a, PREFLIGHT_REFUSE, "the load gives no feedback of its contactors");
    if (most > 0 && a->point.power_w > most)
        return preflight_say(a, PREFLIGHT_REFUSE, "more power than the bank may take");
    if (is_plasma(a) && !(l->max_voltage_v > 0))
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "a plasma output has hundreds of volts: state max_voltage of elements, contactors and "
                             "meters first");
    if (is_plasma(a) && !(u0 > 0))
        u0 = highest_u0_v(a);
    if (l->max_voltage_v > 0 && (a->point.voltage_v > l->max_voltage_v || u0 > l->max_voltage_v))
        return preflight_say(a, PREFLIGHT_REFUSE, "more voltage than elements, contactors and meters may see");
    if (!settable_fits(l->kind, a->rq->point.process))
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "a load set to a current and a unit that holds its current work against each other: set a "
                             "resistance instead");
    if (trim_for_request(a->e, a->ch, a->rq, &a->point, &choice, &setting, &err) != 0) {
        (void)text_format(a->text, REASON_CAP, "%.150s", err.text);
        return PREFLIGHT_REFUSE;
    }
    (void)text_format(a->text, REASON_CAP, "%.4f ohm of %.4f ohm wanted (%+.1f %%), %.0f W", choice.resistance_ohm,
                      a->point.resistance_ohm, choice.error_pct, choice.power_w);
    double most_off = level_of(a->e, LEVEL_LOAD_ERROR);
    return choice.error_pct > most_off || choice.error_pct < -most_off ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result no_strike(const struct ask *a)
{
    bool fitted = a->b->load.strike.fitted;
    if (!fitted && a->rq->strike == STRIKE_USED)
        return preflight_say(a, PREFLIGHT_REFUSE, "a strike is asked for, but the channel's load has none");
    if (!a->rq->point.strike)
        return PREFLIGHT_NOT_ASKED;
    return preflight_say(a, PREFLIGHT_WARN,
                         fitted ? "the unit is on file as one that starts only by a strike, and this run leaves it out"
                                : "the unit is on file as one that starts only by a strike, and the channel has none");
}

enum preflight_result preflight_strike(const struct ask *a)
{
    struct strike_plan plan;
    struct step_choice choice;
    struct error err;
    double setting = 0;
    if (!strike_wanted(a->e, a->ch, a->rq))
        return no_strike(a);
    if (!a->point_ok || trim_for_request(a->e, a->ch, a->rq, &a->point, &choice, &setting, &err) != 0)
        return PREFLIGHT_NOT_ASKED; /* the line before says why */
    if (strike_plan_for(a->e, a->ch, a->rq, &a->point, choice.mask, setting, &plan, &err) != 0) {
        (void)text_format(a->text, REASON_CAP, "%.158s", err.text);
        return PREFLIGHT_REFUSE;
    }
    a->text[0] = '\0';
    for (int i = 0; i < plan.count - 1; i++)
        (void)text_append(a->text, REASON_CAP, "%.3f ohm for %.1f s, then ", plan.moves[i].ohm,
                          seconds_of(plan.moves[i].for_ns));
    (void)text_append(a->text, REASON_CAP, "the point's %.4f ohm; at most %d attempts", plan.moves[plan.count - 1].ohm,
                      a->b->load.strike.attempts);
    return PREFLIGHT_PASS;
}

enum preflight_result preflight_load_path(const struct ask *a)
{
    struct lead_load load = {a->point.current_a, a->rq->point.percent_on,
                             a->rq->point.cycle_s > 0 ? a->rq->point.cycle_s : 600, NAN};
    struct lead_state state;
    struct error err;
    if (a->b->path_count == 0 || !a->point_ok)
        return preflight_say(a, PREFLIGHT_WARN, "the load path is not described: cables, connectors, adaptor");
    if (lead_check(a->b->path, a->b->path_count, &load, &state, &err) != 0) {
        (void)text_format(a->text, REASON_CAP, "%.150s", err.text);
        return PREFLIGHT_WARN;
    }
    double loading = state.weakest >= 0 ? state.parts[state.weakest].loading_pct : 0;
    (void)text_format(a->text, REASON_CAP, "weakest part %d at %.0f %% of its rating", state.weakest + 1, loading);
    return loading > level_of(a->e, LEVEL_PATH) ? PREFLIGHT_REFUSE : loading > 100 ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

enum preflight_result preflight_meters(const struct ask *a)
{
    const struct bench_signal *i2 = signal_of(a->e, a->ch, SIG_I2), *u2 = signal_of(a->e, a->ch, SIG_U2);
    if (!i2 || !u2)
        return preflight_say(a, PREFLIGHT_REFUSE, "the channel has no current or no voltage signal");
    if ((i2->uncertainty.range > 0 && i2->uncertainty.range < 1.1 * a->point.current_a) ||
        (u2->uncertainty.range > 0 && u2->uncertainty.range < a->point.voltage_v))
        return preflight_say(a, PREFLIGHT_REFUSE, "a meter's range is too small for this point");
    if (a->rq->point.output == OUTPUT_AC && (i2->mean != MEAN_RMS || u2->mean != MEAN_RMS))
        return preflight_say(a, PREFLIGHT_REFUSE, "an AC output needs meters of the r.m.s. value");
    if (a->rq->point.output == OUTPUT_DC && (i2->mean != MEAN_ARITHMETIC || u2->mean != MEAN_ARITHMETIC))
        return preflight_say(a, PREFLIGHT_WARN, "a DC output is judged by mean values, a meter gives the r.m.s. value");
    int64_t now_s = utc_of(a->e, a->e->step_ns) / SECOND_NS;
    if ((i2->calibration_due_utc_s > 0 && i2->calibration_due_utc_s < now_s) ||
        (u2->calibration_due_utc_s > 0 && u2->calibration_due_utc_s < now_s))
        return preflight_say(a, PREFLIGHT_WARN, "a meter's calibration is overdue");
    return preflight_say(a, PREFLIGHT_PASS, "range, kind of mean and calibration fit");
}
