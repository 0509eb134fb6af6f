#include "interlock_rows.h"

#include <math.h>

#include "error.h"
#include "figures.h"
#include "frozen.h"
#include "interlock.h"
#include "load.h"
#include "renewal.h"
#include "supply_seen.h"
#include "track.h"

static bool bank_hot(struct engine *e, int ch, char *text)
{
    double t = track_value(e, ch, SIG_T_BANK);
    if (!(t > e->bench.limits.t_bank_max_degc))
        return false;
    (void)text_format(text, REASON_CAP, "load bank at %.0f degC, limit %.0f degC", t, e->bench.limits.t_bank_max_degc);
    return true;
}

static bool lead_hot(struct engine *e, int ch, char *text)
{
    double t = track_value(e, ch, SIG_T_LEAD);
    if (!(t > e->bench.limits.t_lead_max_degc))
        return false;
    (void)text_format(text, REASON_CAP, "welding lead at %.0f degC, limit %.0f degC", t,
                      e->bench.limits.t_lead_max_degc);
    return true;
}

static bool no_fan(struct engine *e, int ch, char *text)
{
    if (!contact_is(e, ch, SIG_FAN_PROOF, false))
        return false;
    (void)text_copy(text, REASON_CAP, "the load bank's fan is not seen turning");
    return true;
}

static bool estop(struct engine *e, int ch, char *text)
{
    if (!contact_is(e, ch, SIG_ESTOP, true))
        return false;
    (void)text_copy(text, REASON_CAP, "the emergency stop is pressed");
    return true;
}

static bool smoke(struct engine *e, int ch, char *text)
{
    if (!contact_is(e, ch, SIG_SMOKE, true))
        return false;
    (void)text_copy(text, REASON_CAP, "smoke or heat detector");
    return true;
}

static bool isolated(struct engine *e, int ch, char *text)
{
    if (!contact_is(e, ch, SIG_ISOLATED, true))
        return false;
    (void)text_copy(text, REASON_CAP, "the channel's isolator is open");
    return true;
}

/* Safety signals of the channel, one after the other. */
static int lost_safety_signal(struct engine *e, int ch)
{
    for (int k = 0; k < SIG_OTHER; k++) {
        int s = e->bench.channels[ch].signal[k];
        if (s >= 0 && e->bench.signals[s].cls == CLASS_SAFETY && track_is_lost(e, s))
            return s;
    }
    int s = e->bench.channels[ch].load.feedback_signal;
    return s >= 0 && track_is_lost(e, s) ? s : -1;
}

static bool signal_lost(struct engine *e, int ch, char *text)
{
    int s = lost_safety_signal(e, ch), still = frozen_safety_signal(e, ch);
    if (s < 0 && still >= 0) {
        (void)text_format(text, REASON_CAP, "the safety signal %.47s has stood still for %.0f s where it ought to move",
                          e->bench.signals[still].name, seconds_of(e->tracks[still].frozen_ns));
        return true;
    }
    if (s < 0)
        return false;
    (void)text_format(text, REASON_CAP, "no good reading of the safety signal %.47s for longer than %.1f s",
                      e->bench.signals[s].name, seconds_of(track_limit_ns(e, s)));
    return true;
}

static bool load_fault_is(struct engine *e, int ch, enum interlock which, char *text)
{
    const struct load_state *l = &e->channels[ch].load;
    if (l->fault != which)
        return false;
    (void)text_copy(text, REASON_CAP, l->fault_text);
    return true;
}

static bool not_closed(struct engine *e, int ch, char *text)
{
    return load_fault_is(e, ch, INTERLOCK_NOT_CLOSED, text);
}

static bool not_opened(struct engine *e, int ch, char *text)
{
    return load_fault_is(e, ch, INTERLOCK_NOT_OPENED, text);
}

static bool asked(struct engine *e, int ch, enum interlock which, char *text)
{
    const struct channel *c = &e->channels[ch];
    if (c->asked != which)
        return false;
    (void)text_copy(text, REASON_CAP, c->asked_text);
    return true;
}

static bool element(struct engine *e, int ch, char *text)
{
    struct channel *c = channel_of(e, ch);
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    double i = track_value(e, ch, SIG_I2), u = track_value(e, ch, SIG_U2);
    if (!load_is_on(c) || l->kind == LOAD_SETTABLE_CURRENT || c->course == COURSE_CONFIRM || !(i > 10) || !(u > 1) ||
        i < 0.2 * c->run.point.current_a)
        return false;
    bool stepped = l->kind == LOAD_STEPPED;
    double lead = channel_lead_ohm(e, ch);
    double g =
        stepped ? step_conductance(l->steps, l->step_count, c->load.mask, 1, lead) : 1 / (c->load.setting + lead);
    double seen = u / i * g;
    if (100 * seen >= level_of(e, LEVEL_ELEMENT_LOW) && 100 * seen <= level_of(e, LEVEL_ELEMENT_HIGH))
        return false;
    (void)text_format(text, REASON_CAP, "load measures %.4f ohm where %s %.4f ohm", u / i,
                      stepped ? "the closed steps give" : "it is set to", 1 / g);
    return true;
}

double no_load_limit_of(const struct engine *e, const struct run_request *q)
{
    return no_load_limit_v(&e->bench.limits, &q->point, q->s_marked);
}

static bool no_load_voltage(struct engine *e, int ch, char *text)
{
    const struct channel *c = &e->channels[ch];
    double u = track_value(e, ch, SIG_U2);
    double limit = c->run.active ? no_load_limit_of(e, &c->run.rq) : e->bench.limits.u0_plasma_v;
    double bank = bench_channel_of(e, ch)->load.max_voltage_v;
    if (bank > 0 && bank < limit)
        limit = bank;
    if (!(u > limit))
        return false;
    (void)text_format(text, REASON_CAP, "%.1f V at the unit's output, limit %.0f V", u, limit);
    return true;
}

static bool over_power(struct engine *e, int ch, char *text)
{
    const struct channel *c = &e->channels[ch];
    const struct bench_load *l = &bench_channel_of(e, ch)->load;
    double i = track_value(e, ch, SIG_I2), u = track_value(e, ch, SIG_U2);
    if (!load_is_on(c) || !(i > 0) || !(u > 0))
        return false;
    double share = e->bench.limits.over_power_pct / 100;
    double bank_v = u - i * channel_lead_ohm(e, ch);
    for (int s = 0; s < l->step_count && l->kind == LOAD_STEPPED; s++) {
        double p = bank_v * bank_v / l->steps[s].resistance_ohm;
        if ((c->load.mask >> s & 1u) && p > l->steps[s].power_w * share) {
            (void)text_format(text, REASON_CAP, "step %d takes %.0f W, rated %.0f W", s + 1, p, l->steps[s].power_w);
            return true;
        }
    }
    if (l->max_power_w > 0 && u * i > l->max_power_w * share) {
        (void)text_format(text, REASON_CAP, "channel takes %.0f W, rated %.0f W", u * i, l->max_power_w);
        return true;
    }
    return false;
}

int64_t interlock_on_load_since_ns(const struct channel *c)
{
    if (c->load.phase == LOAD_OPEN || c->load.phase == LOAD_OPENING || c->load.phase == LOAD_RELEASING)
        return NEVER_NS;
    return c->load.since_ns > c->run.cycle_begin_ns || c->course != COURSE_PART ? c->load.since_ns
                                                                                : c->run.cycle_begin_ns;
}

static bool max_on_load(struct engine *e, int ch, char *text)
{
    int64_t since = interlock_on_load_since_ns(&e->channels[ch]);
    if (since == NEVER_NS || e->step_ns - since <= e->bench.limits.max_on_load_ns)
        return false;
    (void)text_format(text, REASON_CAP, "on-load for longer than %.0f s", seconds_of(e->bench.limits.max_on_load_ns));
    return true;
}

/* A supply that is gone altogether is a shutoff with a cause, not a supply out of band. */
static bool supply(struct engine *e, int ch, char *text)
{
    const struct channel *c = &e->channels[ch];
    const struct rating_point *p = &c->run.rq.point;
    if (!c->run.active || c->course == COURSE_CONFIRM || c->course == COURSE_EVIDENCE)
        return false;
    struct supply_seen seen = supply_now(e, ch, p);
    if (supply_is_dead(&seen, p))
        return false;
    bool on_load = load_is_on(c) && track_value(e, ch, SIG_I2) > 0.2 * c->run.point.current_a;
    struct phase_look phases = supply_phases_now(e, ch, p, on_load);
    if (phases.loss != PHASES_THERE) {
        supply_phase_text(&phases, text, REASON_CAP);
        return true;
    }
    double off = supply_off_pct(seen.worst, p), limit = e->bench.limits.u1_open_pct;
    if (!(off > limit || off < -limit))
        return false;
    (void)text_format(text, REASON_CAP, "supply at %.0f V (%s), %+.0f %% off the rated %.0f V", seen.worst,
                      signal_kind_name(seen.where), off, p->supply_v);
    return true;
}

bool supply_is_too_high(struct engine *e, int ch)
{
    const struct rating_point *p = &e->channels[ch].run.rq.point;
    return supply_off_pct(supply_now(e, ch, p).worst, p) > e->bench.limits.u1_open_pct;
}

static bool journal(struct engine *e, int ch, char *text)
{
    (void)ch;
    if (journal_holds(e))
        return false;
    (void)text_copy(text, REASON_CAP, "the record cannot be written");
    return true;
}

static bool watchdog(struct engine *e, int ch, char *text)
{
    int d = bench_channel_of(e, ch)->load.device;
    if (d < 0 || !e->bench.devices[d].has_watchdog || e->devices[d].proved)
        return false;
    (void)text_copy(text, REASON_CAP, "the load controller's watchdog is not proved since it was last powered up");
    return true;
}

/* Current that begins on another channel when this one goes on-load, and not here. */
static bool cross_wired(struct engine *e, int ch, char *text)
{
    struct channel *c = channel_of(e, ch);
    if (!load_is_on(c) || e->step_ns - c->load.closing_ns > time_of(e, TIME_IDENTITY))
        return false;
    double own = track_value(e, ch, SIG_I2);
    if (isnan(own) || own >= flow_threshold(e, ch))
        return false;
    for (int i = 0; i < e->bench.channel_count; i++) {
        if (i == ch || (c->load.others_live >> i & 1u) || e->channels[i].load.phase != LOAD_OPEN)
            continue;
        double other = track_value(e, i, SIG_I2);
        if (other >= flow_threshold(e, i) && other > level_of(e, LEVEL_IDENTITY_A)) {
            (void)text_format(text, REASON_CAP, "current began on channel %.47s instead: leads are crossed",
                              e->bench.channels[i].name);
            return true;
        }
    }
    return false;
}

static bool link(struct engine *e, int ch, char *text)
{
    int d = bench_channel_of(e, ch)->load.device;
    if (asked(e, ch, INTERLOCK_LINK, text))
        return true;
    if (d < 0 || e->devices[d].up)
        return false;
    (void)text_format(text, REASON_CAP, "the load controller %.47s is lost", e->bench.devices[d].name);
    return true;
}

static bool queue(struct engine *e, int ch, char *text)
{
    return asked(e, ch, INTERLOCK_QUEUE, text);
}

static bool rule(struct engine *e, int ch, char *text)
{
    return asked(e, ch, INTERLOCK_RULE, text);
}

static bool clock_broken(struct engine *e, int ch, char *text)
{
    return asked(e, ch, INTERLOCK_CLOCK, text);
}

static int64_t longest_lag(const struct engine *e, int ch, enum signal_kind a, enum signal_kind b)
{
    int64_t la = signal_lag_ns(e, ch, a), lb = signal_lag_ns(e, ch, b);
    return la > lb ? la : lb;
}

static int64_t element_patience(const struct engine *e, int ch)
{
    return time_of(e, TIME_ELEMENT) + longest_lag(e, ch, SIG_I2, SIG_U2);
}

static int64_t power_patience(const struct engine *e, int ch)
{
    return e->bench.limits.settle_ns[e->channels[ch].run.rq.point.process] + SECOND_NS +
           longest_lag(e, ch, SIG_I2, SIG_U2);
}

static int64_t supply_patience(const struct engine *e, int ch)
{
    int64_t own = supply_lag_ns(e, ch), current = signal_lag_ns(e, ch, SIG_I2);
    return time_of(e, TIME_SUPPLY) + (own > current ? own : current);
}

static int64_t cross_patience(const struct engine *e, int ch)
{
    return longest_lag(e, ch, SIG_I2, SIG_I2);
}

const struct interlock_row interlock_rows[] = {
    {INTERLOCK_ESTOP, READY | STANDING, estop, NULL},
    {INTERLOCK_SMOKE, READY | STANDING | WAKES, smoke, NULL},
    {INTERLOCK_NOT_OPENED, ALWAYS | READY | WAKES, not_opened, NULL},
    {INTERLOCK_BANK_HOT, READY | STANDING | WAKES, bank_hot, NULL},
    {INTERLOCK_LEAD_HOT, READY | STANDING, lead_hot, NULL},
    {INTERLOCK_LINK, READY | STANDING | WAKES, link, NULL},
    {INTERLOCK_QUEUE, READY, queue, NULL},
    {INTERLOCK_CLOCK, READY, clock_broken, NULL},
    {INTERLOCK_JOURNAL, READY | STANDING, journal, NULL},
    {INTERLOCK_ISOLATED, READY | STANDING, isolated, NULL},
    {INTERLOCK_NO_LOAD_VOLTAGE, READY | STANDING, no_load_voltage, NULL},
    {INTERLOCK_NOT_CLOSED, READY, not_closed, NULL},
    {INTERLOCK_CROSS_WIRED, READY, cross_wired, cross_patience},
    {INTERLOCK_NO_FAN, 0, no_fan, NULL},
    {INTERLOCK_SIGNAL_LOST, STANDING, signal_lost, NULL},
    {INTERLOCK_WATCHDOG, READY | WAKES, watchdog, NULL},
    {INTERLOCK_MAX_ON_LOAD, READY, max_on_load, NULL},
    {INTERLOCK_OVER_POWER, READY, over_power, power_patience},
    {INTERLOCK_ELEMENT, READY, element, element_patience},
    {INTERLOCK_SUPPLY, READY, supply, supply_patience},
    {INTERLOCK_RULE, READY, rule, NULL},
};

const int interlock_row_count = (int)(sizeof interlock_rows / sizeof interlock_rows[0]);
