#include "preflight.h"

#include <math.h>
#include <string.h>

#include "emit.h"
#include "error.h"
#include "interlock.h"
#include "judge.h"
#include "lead.h"
#include "load.h"
#include "preflight_supply.h"
#include "renewal.h"
#include "settable_load.h"
#include "track.h"
#include "trim.h"
#include "watchdog.h"

/* A test message that a person acknowledged stands for the coming night. */
enum { MESSAGE_GOOD_FOR_S = 12 * 3600 };

/* What a line looks at. */
struct ask {
    struct engine *e;
    int ch;
    const struct run_request *rq;
    const struct bench_channel *b;
    struct load_point point;
    bool point_ok;
    char *text; /* REASON_CAP */
};

static enum preflight_result say(const struct ask *a, enum preflight_result r, const char *text)
{
    (void)text_copy(a->text, REASON_CAP, text);
    return r;
}

static bool has_signal(const struct ask *a, enum signal_kind kind)
{
    return a->b->signal[kind] >= 0;
}

static enum preflight_result rigging(const struct ask *a)
{
    if (!a->e->channels[a->ch].rigged)
        return say(a, PREFLIGHT_REFUSE, "rigging is not confirmed at the bench");
    return say(a, PREFLIGHT_PASS, "confirmed at the bench");
}

static enum preflight_result isolator(const struct ask *a)
{
    if (!has_signal(a, SIG_ISOLATED))
        return PREFLIGHT_NOT_ASKED;
    if (!contact_is(a->e, a->ch, SIG_ISOLATED, false))
        return say(a, PREFLIGHT_REFUSE, "the channel's isolator is open, or its contact is not read");
    return say(a, PREFLIGHT_PASS, "closed");
}

static enum preflight_result safety_test(const struct ask *a)
{
    if (a->rq->safety_test_utc_s <= 0)
        return say(a, PREFLIGHT_WARN, "no inspection and electrical safety test on file for this unit");
    int64_t age_d = (utc_of(a->e, a->e->step_ns) / SECOND_NS - a->rq->safety_test_utc_s) / 86400;
    (void)text_format(a->text, REASON_CAP, "on file, %lld days old", (long long)age_d);
    return age_d > 365 ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result procedure_fits(const struct ask *a)
{
    const struct run_request *q = a->rq;
    if (q->procedure == PROCEDURE_SURVEY || q->procedure == PROCEDURE_WATCHDOG)
        return say(a, PREFLIGHT_REFUSE, "a survey is run point by point: start a proof or to-cutout at each current");
    if (!(q->point.percent_on > 0) || q->point.percent_on > 100 || !a->point_ok)
        return say(a, PREFLIGHT_REFUSE, "the rating point makes no sense: current, percent-on or load voltage");
    if (q->point.percent_on >= 100 && q->procedure != PROCEDURE_SOAK)
        return say(a, PREFLIGHT_REFUSE, "a 100 % point has no pause: it is proved by a soak to equilibrium only");
    if (q->procedure == PROCEDURE_SCREEN && q->point.percent_on > 60)
        return say(a, PREFLIGHT_WARN, "above 60 % a screen takes longer than a quarter of an hour");
    int64_t part = (int64_t)(q->point.percent_on * 1e7 * (q->point.cycle_s > 0 ? q->point.cycle_s : 600));
    if (part + 60 * SECOND_NS > a->e->bench.limits.max_on_load_ns)
        return say(a, PREFLIGHT_REFUSE, "the on-load part is longer than the bench's limit");
    return say(a, PREFLIGHT_PASS, "fits the rating point");
}

/* Does a rule of the shop take the load away when the unit's case or exhaust gets hot? */
static bool temperature_is_limited(const struct ask *a)
{
    for (int i = 0; i < a->e->bench.rule_count; i++) {
        const struct bench_rule *r = &a->e->bench.rules[i];
        enum signal_kind kind = signal_kind_parse(r->signal);
        if ((kind == SIG_T_CASE || kind == SIG_T_EXHAUST) && has_signal(a, kind) && r->sense != RULE_BELOW &&
            (r->action == RULE_END || r->action == RULE_OPEN) && (r->channel < 0 || r->channel == a->ch))
            return true;
    }
    return false;
}

static enum preflight_result protection(const struct ask *a)
{
    const struct run_request *q = a->rq;
    bool past = q->procedure == PROCEDURE_TO_CUTOUT;
    if (past && q->protection != PROTECTION_FITTED)
        return say(a, PREFLIGHT_REFUSE,
                   "running past the rating needs a unit whose thermal protection is known to be fitted");
    if (past && !q->consent_past_rating)
        return say(a, PREFLIGHT_REFUSE, "running past the rating needs the owner's consent");
    if (q->protection == PROTECTION_FITTED)
        return say(a, PREFLIGHT_PASS, "thermal protection fitted");
    if (q->unattended && !temperature_is_limited(a))
        return say(a, PREFLIGHT_REFUSE,
                   "thermal protection not known to be fitted: unattended needs a rule that ends or opens on t_case or "
                   "t_exhaust");
    if (!has_signal(a, SIG_T_EXHAUST) && !has_signal(a, SIG_T_CASE))
        return say(a, PREFLIGHT_WARN, "thermal protection not known to be fitted, and no case or exhaust temperature");
    return say(a, PREFLIGHT_WARN, "thermal protection not known to be fitted: somebody should watch the temperatures");
}

static enum preflight_result cutouts(const struct ask *a)
{
    int most = a->e->bench.limits.cutouts_per_night, so_far = a->e->channels[a->ch].cutouts_tonight;
    if (a->rq->procedure != PROCEDURE_TO_CUTOUT || most <= 0 ||
        so_far + (a->rq->repeats > 0 ? a->rq->repeats : 1) <= most)
        return PREFLIGHT_NOT_ASKED;
    (void)text_format(a->text, REASON_CAP, "%d cut-outs so far, %d a night are allowed", so_far, most);
    return a->rq->unattended ? PREFLIGHT_REFUSE : PREFLIGHT_WARN;
}

static enum preflight_result set_up(const struct ask *a)
{
    if (!a->rq->setup_confirmed)
        return say(a, PREFLIGHT_WARN, "the set-up sheet is not confirmed");
    return say(a, PREFLIGHT_PASS, "sheet confirmed");
}

static enum preflight_result breaking(const struct ask *a)
{
    const struct bench_load *l = &a->b->load;
    if (a->rq->point.control != CONTROL_ALWAYS_LIVE && l->has_trigger)
        return say(a, PREFLIGHT_PASS, "the torch switch is held by the bench: contactors break no current");
    double u0 = a->rq->point.no_load_v > 0 ? a->rq->point.no_load_v : a->point.voltage_v;
    if (!(l->breaks_dc_v >= u0) || (l->breaks_a > 0 && l->breaks_a < a->point.current_a)) {
        (void)text_format(a->text, REASON_CAP,
                          "contactors break %.0f A at %.0f V; this output is live at %.0f A and %.0f V", l->breaks_a,
                          l->breaks_dc_v, a->point.current_a, u0);
        return PREFLIGHT_REFUSE;
    }
    return say(a, PREFLIGHT_PASS, "contactors may break this current; their wear is counted");
}

static enum preflight_result bank(const struct ask *a)
{
    const struct bench_load *l = &a->b->load;
    double most = a->e->bench.limits.bank_max_power_w, u0 = a->rq->point.no_load_v;
    struct step_choice choice;
    struct error err;
    if (!a->point_ok)
        return PREFLIGHT_NOT_ASKED;
    if (l->feedback_signal < 0)
        return say(a, PREFLIGHT_REFUSE, "the load gives no feedback of its contactors");
    if (most > 0 && a->point.power_w > most)
        return say(a, PREFLIGHT_REFUSE, "more power than the bank may take");
    if (l->max_voltage_v > 0 && (a->point.voltage_v > l->max_voltage_v || u0 > l->max_voltage_v))
        return say(a, PREFLIGHT_REFUSE, "more voltage than elements, contactors and meters may see");
    if (!settable_fits(l->kind, a->rq->point.process))
        return say(a, PREFLIGHT_REFUSE,
                   "a load set to a current and a unit that holds its current work against each other: set a "
                   "resistance instead");
    if (trim_for_request(a->e, a->ch, a->rq, &a->point, &choice, &err) != 0) {
        (void)text_format(a->text, REASON_CAP, "%.150s", err.text);
        return PREFLIGHT_REFUSE;
    }
    (void)text_format(a->text, REASON_CAP, "%.4f ohm of %.4f ohm wanted (%+.1f %%), %.0f W", choice.resistance_ohm,
                      a->point.resistance_ohm, choice.error_pct, choice.power_w);
    return choice.error_pct > 4 || choice.error_pct < -4 ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result load_path(const struct ask *a)
{
    struct lead_load load = {a->point.current_a, a->rq->point.percent_on,
                             a->rq->point.cycle_s > 0 ? a->rq->point.cycle_s : 600, NAN};
    struct lead_state state;
    struct error err;
    if (a->b->path_count == 0 || !a->point_ok)
        return say(a, PREFLIGHT_WARN, "the load path is not described: cables, connectors, adaptor");
    if (lead_check(a->b->path, a->b->path_count, &load, &state, &err) != 0) {
        (void)text_format(a->text, REASON_CAP, "%.150s", err.text);
        return PREFLIGHT_WARN;
    }
    double loading = state.weakest >= 0 ? state.parts[state.weakest].loading_pct : 0;
    (void)text_format(a->text, REASON_CAP, "weakest part %d at %.0f %% of its rating", state.weakest + 1, loading);
    return loading > 125 ? PREFLIGHT_REFUSE : loading > 100 ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result circuit(const struct ask *a)
{
    return preflight_circuit(a->e, a->ch, a->rq, &a->point, a->text);
}

static enum preflight_result supply_voltage(const struct ask *a)
{
    return preflight_supply(a->e, a->ch, a->rq, a->text);
}

static enum preflight_result meters(const struct ask *a)
{
    const struct bench_signal *i2 = signal_of(a->e, a->ch, SIG_I2), *u2 = signal_of(a->e, a->ch, SIG_U2);
    if (!i2 || !u2)
        return say(a, PREFLIGHT_REFUSE, "the channel has no current or no voltage signal");
    if ((i2->uncertainty.range > 0 && i2->uncertainty.range < 1.1 * a->point.current_a) ||
        (u2->uncertainty.range > 0 && u2->uncertainty.range < a->point.voltage_v))
        return say(a, PREFLIGHT_REFUSE, "a meter's range is too small for this point");
    if (a->rq->point.output == OUTPUT_AC && (i2->mean != MEAN_RMS || u2->mean != MEAN_RMS))
        return say(a, PREFLIGHT_REFUSE, "an AC output needs meters of the r.m.s. value");
    if (a->rq->point.output == OUTPUT_DC && (i2->mean != MEAN_ARITHMETIC || u2->mean != MEAN_ARITHMETIC))
        return say(a, PREFLIGHT_WARN, "a DC output is judged by mean values, a meter gives the r.m.s. value");
    int64_t now_s = utc_of(a->e, a->e->step_ns) / SECOND_NS;
    if ((i2->calibration_due_utc_s > 0 && i2->calibration_due_utc_s < now_s) ||
        (u2->calibration_due_utc_s > 0 && u2->calibration_due_utc_s < now_s))
        return say(a, PREFLIGHT_WARN, "a meter's calibration is overdue");
    return say(a, PREFLIGHT_PASS, "range, kind of mean and calibration fit");
}

static enum preflight_result watchdog_line(const struct ask *a)
{
    int d = a->b->load.device;
    if (d < 0)
        return say(a, PREFLIGHT_REFUSE, "the channel has no load controller");
    if (!a->e->bench.devices[d].has_watchdog)
        return say(a, a->rq->unattended ? PREFLIGHT_REFUSE : PREFLIGHT_WARN,
                   "the load controller has no watchdog: attended runs only");
    if (!watchdog_is_proved(a->e, d))
        return say(a, PREFLIGHT_REFUSE,
                   "the watchdog is not proved within a day and since the controller was powered up");
    (void)text_format(a->text, REASON_CAP, "proved, opened after %.2f s", seconds_of(a->e->devices[d].proved_took_ns));
    return PREFLIGHT_PASS;
}

static enum preflight_result time_to_open(const struct ask *a)
{
    int64_t worst = load_open_limit_ns(a->e, a->ch);
    (void)text_format(a->text, REASON_CAP, "opens and is seen open within %.2f s", seconds_of(worst));
    return worst > 3 * SECOND_NS + slack_ns(a->e) ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result start_line(const struct ask *a)
{
    char why[REASON_CAP];
    enum start_condition s = judge_start(a->e, a->ch, a->rq, why, sizeof why);
    (void)text_format(a->text, REASON_CAP, "%s: %.120s", start_condition_name(s), why);
    return a->rq->start == START_COLD && s == START_WARM ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result record(const struct ask *a)
{
    if (a->e->space_low)
        return say(a, PREFLIGHT_REFUSE, "the disk is nearly full");
    if (!journal_lets_begin(a->e))
        return say(a, PREFLIGHT_REFUSE, "the record lags or has failed");
    return say(a, PREFLIGHT_PASS, "healthy");
}

/* A clock that runs behind what the record already holds: stamps, ages and due dates would all be wrong. */
static enum preflight_result clock_line(const struct ask *a)
{
    int64_t latest_ns = a->e->channels[a->ch].last_load_utc_ns, now_ns = utc_of(a->e, a->e->step_ns);
    for (int d = 0; d < a->e->bench.device_count; d++)
        if (a->e->devices[d].proved_utc_ns > latest_ns)
            latest_ns = a->e->devices[d].proved_utc_ns;
    if (latest_ns <= now_ns)
        return say(a, PREFLIGHT_PASS, "not behind the record");
    (void)text_format(a->text, REASON_CAP, "the clock is %.0f s behind the record: set it and start the daemon again",
                      seconds_of(latest_ns - now_ns));
    return PREFLIGHT_REFUSE;
}

static enum preflight_result bench_safe(const struct ask *a)
{
    char text[REASON_CAP];
    if (a->e->channels[a->ch].latched != INTERLOCK_NONE)
        return say(a, PREFLIGHT_REFUSE, "the channel is locked");
    if (a->e->proof.phase != PROOF_NONE && a->e->proof.device == a->b->load.device)
        return say(a, PREFLIGHT_REFUSE, "the watchdog is being proved");
    if (interlock_standing(a->e, a->ch, text, sizeof text) != INTERLOCK_NONE)
        return say(a, PREFLIGHT_REFUSE, text);
    return say(a, PREFLIGHT_PASS, "no interlock stands in the way");
}

/* A start from elsewhere needs somebody at the bench who turned the key; at the bench itself the person is the key. */
static enum preflight_result key_switch(const struct ask *a)
{
    bool fitted = has_signal(a, SIG_KEY_SWITCH);
    if (!fitted && !a->rq->from_page)
        return PREFLIGHT_NOT_ASKED;
    if (!fitted)
        return say(a, PREFLIGHT_REFUSE, "a start from a page needs a key switch at the bench: none is fitted");
    if (contact_is(a->e, a->ch, SIG_KEY_SWITCH, true))
        return say(a, PREFLIGHT_PASS, "on");
    return say(a, a->rq->from_page ? PREFLIGHT_REFUSE : PREFLIGHT_WARN, "the key at the bench is off");
}

static enum preflight_result second_means(const struct ask *a)
{
    if (a->b->load.has_supply_trip)
        return say(a, PREFLIGHT_PASS, "the unit's supply can be tripped");
    return a->rq->unattended
               ? say(a, PREFLIGHT_REFUSE, "unattended needs a second means of opening: none on this channel")
               : say(a, PREFLIGHT_PASS, "none: attended only");
}

/* ---- what a night needs, a line for each thing, so that everything that lacks is said at once ---- */

static enum preflight_result unattended(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    if (!a->rq->night.allowed)
        return say(a, PREFLIGHT_REFUSE, "the configuration does not allow this bench to be left alone");
    if (a->rq->setting)
        return say(a, PREFLIGHT_WARN, "somebody has to dial the unit in first");
    return say(a, PREFLIGHT_PASS, "allowed by the configuration");
}

static enum preflight_result detectors(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    if (!has_signal(a, SIG_T_BANK) || !has_signal(a, SIG_SMOKE))
        return say(a, PREFLIGHT_REFUSE, "unattended needs the bank's temperature and a smoke or heat detector");
    if (isnan(track_value(a->e, a->ch, SIG_T_BANK)) || !contact_is(a->e, a->ch, SIG_SMOKE, false))
        return say(a, PREFLIGHT_REFUSE, "the bank's temperature or the smoke detector is not read, or it alarms");
    return say(a, PREFLIGHT_PASS, "bank temperature and smoke detector are read");
}

static enum preflight_result notification(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    int64_t at_s = a->rq->night.acknowledged_utc_s;
    int64_t age_s = utc_of(a->e, a->e->step_ns) / SECOND_NS - at_s;
    if (at_s <= 0 || age_s > MESSAGE_GOOD_FOR_S || age_s < -60)
        return say(a, PREFLIGHT_REFUSE,
                   "no test message was delivered and acknowledged today: send one and enter its code");
    (void)text_format(a->text, REASON_CAP, "test message acknowledged %lld min ago", (long long)(age_s / 60));
    return PREFLIGHT_PASS;
}

static enum preflight_result outside(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    return a->rq->night.outside
               ? say(a, PREFLIGHT_PASS, "somebody outside hears when this computer falls silent")
               : say(a, PREFLIGHT_REFUSE, "nobody outside would hear that this computer is dead: set up a heartbeat");
}

static enum preflight_result standby_supply(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    return a->rq->night.ups
               ? say(a, PREFLIGHT_PASS, "stated for controllers and computer")
               : say(a, PREFLIGHT_REFUSE, "no uninterruptible supply is stated for load controllers and computer");
}

static enum preflight_result beacon(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    return a->rq->night.beacon ? say(a, PREFLIGHT_PASS, "a light shows that the bench is live")
                               : say(a, PREFLIGHT_REFUSE, "no light shows that the bench is live");
}

static enum preflight_result interrupted(const struct ask *a)
{
    if (!a->e->channels[a->ch].needs_confirm)
        return PREFLIGHT_NOT_ASKED;
    return say(a, PREFLIGHT_REFUSE, "the last session broke off: a person has to confirm that the bench is in order");
}

struct line {
    const char *name;
    enum preflight_result (*look)(const struct ask *a);
};

static const struct line lines[] = {
    {"rigging", rigging},
    {"isolator", isolator},
    {"interruption", interrupted},
    {"bench", bench_safe},
    {"procedure", procedure_fits},
    {"safety-test", safety_test},
    {"protection", protection},
    {"cutouts", cutouts},
    {"set-up", set_up},
    {"breaking", breaking},
    {"bank", bank},
    {"load-path", load_path},
    {"circuit", circuit},
    {"supply", supply_voltage},
    {"meters", meters},
    {"watchdog", watchdog_line},
    {"time-to-open", time_to_open},
    {"start", start_line},
    {"record", record},
    {"clock", clock_line},
    {"key-switch", key_switch},
    {"second-means", second_means},
    {"unattended", unattended},
    {"detectors", detectors},
    {"notification", notification},
    {"outside", outside},
    {"standby-supply", standby_supply},
    {"beacon", beacon},
};

int preflight_count(void)
{
    return (int)(sizeof lines / sizeof lines[0]);
}

const char *preflight_name(int line)
{
    return line >= 0 && line < preflight_count() ? lines[line].name : "?";
}

/* Is the warning's name among those accepted? Names are set apart by spaces or commas. */
static bool accepted(const char *accepts, const char *name)
{
    size_t n = strlen(name);
    for (const char *at = accepts; (at = strstr(at, name)) != NULL; at += n) {
        bool begins = at == accepts || at[-1] == ' ' || at[-1] == ',';
        bool ends = at[n] == '\0' || at[n] == ' ' || at[n] == ',';
        if (begins && ends)
            return true;
    }
    return false;
}

bool preflight_run(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap)
{
    char text[REASON_CAP];
    struct error err;
    struct ask a = {.e = e, .ch = ch, .rq = rq, .b = bench_channel_of(e, ch), .text = text};
    a.point_ok = load_point_find(rq->point.process, rq->point.current_a, rq->point.load_voltage_v, &a.point, &err) == 0;
    bool may = true;
    for (int i = 0; i < preflight_count(); i++) {
        text[0] = '\0';
        enum preflight_result r = lines[i].look(&a);
        if (r == PREFLIGHT_NOT_ASKED)
            continue;
        bool let = r == PREFLIGHT_PASS || (r == PREFLIGHT_WARN && accepted(rq->accepts, lines[i].name));
        struct event *v = emit_event(e, EVENT_PREFLIGHT, ch);
        v->run_no = rq->run_no;
        v->code = (int32_t)r;
        (void)text_format(v->text, sizeof v->text, "%s: %s%s", lines[i].name, text,
                          r == PREFLIGHT_WARN && let ? " (accepted)" : "");
        if (let || !may)
            continue;
        may = false;
        (void)text_format(why, cap, "%s: %s%s", lines[i].name, text,
                          r == PREFLIGHT_WARN ? " (may be accepted by this name)" : "");
    }
    return may;
}
