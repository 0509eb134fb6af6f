#include "evidence.h"

#include <math.h>

#include "capture.h"
#include "error.h"
#include "figures.h"
#include "load.h"
#include "peak.h"
#include "supply_seen.h"
#include "track.h"

/* The window of a signal around a shutoff. */
struct window {
    int64_t before_from, before_to, after_from, after_to;
};

static struct window window_of(const struct engine *e, int ch, enum signal_kind kind)
{
    const struct shutoff *s = &e->channels[ch].shutoff;
    int64_t lag = signal_lag_ns(e, ch, kind);
    return (struct window){
        .before_from = s->at.earliest_ns - 5 * SECOND_NS - lag,
        .before_to = s->at.earliest_ns,
        .after_from = s->at.latest_ns + lag,
        .after_to = s->opened_ns,
    };
}

static double before(struct engine *e, int ch, enum signal_kind kind)
{
    const struct track *t = track_of(e, ch, kind);
    struct window w = window_of(e, ch, kind);
    return t ? track_mean(t, w.before_from, w.before_to, NULL) : NAN;
}

/* until_now: also what came after the bench had opened the load, for signals that this does not touch. */
static double after(struct engine *e, int ch, enum signal_kind kind, bool until_now)
{
    const struct track *t = track_of(e, ch, kind);
    struct window w = window_of(e, ch, kind);
    return t ? track_mean(t, w.after_from, until_now ? e->now_ns : w.after_to, NULL) : NAN;
}

static bool fed_meter_died(struct engine *e, int ch)
{
    const struct bench_channel *b = bench_channel_of(e, ch);
    const struct shutoff *s = &e->channels[ch].shutoff;
    if (b->circuit < 0)
        return false;
    for (int d = 0; d < e->bench.device_count; d++) {
        const struct bench_device *device = &e->bench.devices[d];
        if (device->powered_from != b->circuit)
            continue;
        if (!e->devices[d].up && e->devices[d].lost_ns >= s->at.earliest_ns - 2 * SECOND_NS)
            return true;
        /* Its readings stopped with the current, though the link is not yet given up. */
        int64_t latest = LONG_AGO_NS;
        for (int i = 0; i < e->bench.signal_count; i++)
            if (e->bench.signals[i].device == d && track_stamp(&e->tracks[i]) > latest)
                latest = track_stamp(&e->tracks[i]);
        if (latest > LONG_AGO_NS && latest < s->at.latest_ns + 2 * device->poll_ns &&
            e->now_ns - latest > 3 * device->poll_ns + SECOND_NS)
            return true;
    }
    return false;
}

static bool shared_loss(const struct engine *e, int ch)
{
    const struct shutoff *s = &e->channels[ch].shutoff;
    for (int i = 0; i < e->bench.channel_count; i++) {
        const struct channel *c = &e->channels[i];
        if (i == ch || e->bench.channels[i].circuit != e->bench.channels[ch].circuit ||
            e->bench.channels[ch].circuit < 0)
            continue;
        int64_t apart = c->shutoff.at.at_ns - s->at.at_ns;
        if (c->run.active && c->shutoff.suspect_ns > 0 && apart < 2 * SECOND_NS && apart > -2 * SECOND_NS)
            return true;
    }
    return false;
}

/* The readings of one channel's supply around a shutoff, source by source. */
struct supply_around {
    double before[SUPPLY_PHASES], least_before[SUPPLY_PHASES], after[SUPPLY_PHASES];
};

static void look_around(struct engine *e, int ch, const struct supply_sources *s, struct supply_around *a)
{
    for (int k = 0; k < SUPPLY_PHASES; k++) {
        a->before[k] = a->least_before[k] = a->after[k] = NAN;
        if (k >= s->count)
            continue;
        struct window w = window_of(e, ch, s->kinds[k]);
        a->before[k] = before(e, ch, s->kinds[k]);
        a->least_before[k] =
            track_least(track_of(e, ch, s->kinds[k]), w.before_from, e->channels[ch].shutoff.at.latest_ns);
        a->after[k] = after(e, ch, s->kinds[k], true);
    }
}

static void supply_evidence(struct engine *e, int ch, struct evidence *ev)
{
    const struct rating_point *p = &e->channels[ch].run.rq.point;
    struct supply_sources s = supply_sources_of(e, ch, p);
    struct supply_around a;
    look_around(e, ch, &s, &a);
    ev->u1_before = supply_together(&s, a.before, p).mean;
    ev->u1_least_before = supply_together(&s, a.least_before, p).least;
    ev->u1_after = supply_together(&s, a.after, p).mean;
}

/* Amperes by `i1`, else of the phase that carries most. */
static double supply_amps(struct engine *e, int ch, bool later)
{
    double amps = later ? after(e, ch, SIG_I1, true) : before(e, ch, SIG_I1);
    for (int k = 0; k < SUPPLY_PHASES; k++) {
        enum signal_kind kind = (enum signal_kind)((int)SIG_I1_A + k);
        double phase = later ? after(e, ch, kind, true) : before(e, ch, kind);
        amps = isnan(amps) || phase > amps ? phase : amps;
    }
    return amps;
}

/* The last two seconds before count; a loss that came earlier than its meter's lag shows after only. */
static double phase_before(struct engine *e, int ch, enum signal_kind kind)
{
    const struct track *t = track_of(e, ch, kind);
    int64_t to = e->channels[ch].shutoff.at.earliest_ns;
    return t ? track_mean(t, to - 2 * SECOND_NS, to, NULL) : NAN;
}

static void phase_evidence(struct engine *e, int ch, struct evidence *ev)
{
    static const double unseen[SUPPLY_PHASES] = {NAN, NAN, NAN};
    double volts[SUPPLY_PHASES], amps[SUPPLY_PHASES], volts_after[SUPPLY_PHASES];
    if (e->channels[ch].run.rq.point.phases != 3)
        return;
    for (int k = 0; k < SUPPLY_PHASES; k++) {
        enum signal_kind u = (enum signal_kind)((int)SIG_U1_A + k);
        volts[k] = phase_before(e, ch, u);
        volts_after[k] = after(e, ch, u, true);
        amps[k] = phase_before(e, ch, (enum signal_kind)((int)SIG_I1_A + k));
    }
    ev->phase_before = supply_phases(volts, amps);
    ev->phase_after = supply_phases(volts_after, unseen);
}

void evidence_gather(struct engine *e, int ch, struct evidence *ev)
{
    struct channel *c = channel_of(e, ch);
    const struct track *u2 = track_of(e, ch, SIG_U2), *i2 = track_of(e, ch, SIG_I2);
    const struct track *bank = track_of(e, ch, SIG_U_BANK);
    struct window w = window_of(e, ch, SIG_U2);
    struct cycle_figures f;
    figures_now(e, ch, &f);
    *ev = (struct evidence){
        .rated_a = c->run.point.current_a,
        .rated_u2_v = c->run.point.voltage_v,
        .rated_u1_v = c->run.rq.point.supply_v,
        .u0_v = c->run.u0_v > 5 ? c->run.u0_v : c->run.rq.point.no_load_v,
        .i2_before = before(e, ch, SIG_I2),
        .u2_before = before(e, ch, SIG_U2),
        .u2_after = after(e, ch, SIG_U2, false),
        .u2_most_after = u2 ? track_most(u2, c->shutoff.at.earliest_ns, w.after_to) : NAN,
        .u2_peak_after = peak_seen(e, ch, c->shutoff.at.earliest_ns, w.after_to),
        .capture = c->capture.look,
        .bank_most_after = bank ? track_most(bank, c->shutoff.at.earliest_ns, w.after_to) : NAN,
        .lead_was_rising = c->run.lead.told,
        .u2_least_before = u2 ? track_least(u2, w.before_to - 2 * SECOND_NS, w.before_to) : NAN,
        .i2_most_before = i2 ? track_most(i2, w.before_to - 2 * SECOND_NS, w.before_to) : NAN,
        .u1_line_after = after(e, ch, SIG_U1_LINE, true),
        .i1_before = supply_amps(e, ch, false),
        .i1_after = supply_amps(e, ch, true),
        .breaker_before = before(e, ch, SIG_BREAKER_AUX),
        .breaker_after = after(e, ch, SIG_BREAKER_AUX, true),
        .lamp_after = after(e, ch, SIG_THERMAL_LAMP, true),
        .speed_before = before(e, ch, SIG_ENGINE_SPEED),
        .speed_after = after(e, ch, SIG_ENGINE_SPEED, true),
        .exhaust_k = track_value(e, ch, SIG_T_EXHAUST) - track_value(e, ch, SIG_T_INTAKE),
        .meter_fed_by_circuit_died = fed_meter_died(e, ch),
        .circuit_shared_loss = shared_loss(e, ch),
        .on_s =
            f.ends > 0 && f.began ? seconds_of(f.first_end.at_ns - f.begin.at_ns) : seconds_of(f.conducting.best_ns),
    };
    supply_evidence(e, ch, ev);
    phase_evidence(e, ch, ev);
}

static void conclude(struct shutoff *s, enum shutoff_cause cause, enum shutoff_cause second, double confidence)
{
    s->cause = cause;
    s->second = second;
    s->confidence = confidence;
}

/* The supply is gone. True when that explains the shutoff. */
static bool weigh_supply_gone(const struct evidence *ev, struct shutoff *s)
{
    char *text = s->evidence;
    if (ev->breaker_after < 0.5 && !(ev->breaker_before < 0.5)) {
        conclude(s, CAUSE_SUPPLY_LOST, CAUSE_NONE, 0.98);
        (void)text_copy(text, TEXT_CAP, "the breaker's contact opened with the current");
        return true;
    }
    if (ev->u1_after < 0.3 * ev->rated_u1_v) {
        conclude(s, CAUSE_SUPPLY_LOST, CAUSE_NONE, 0.95);
        (void)text_format(text, TEXT_CAP, "the supply fell to %.0f V with the current%s", ev->u1_after,
                          ev->u1_line_after > 0.7 * ev->rated_u1_v ? ", while the line ahead of the breaker stands"
                          : ev->circuit_shared_loss                ? ", and so did another channel of the circuit"
                                                                   : "");
        return true;
    }
    if (ev->u1_line_after < 0.3 * ev->rated_u1_v) {
        conclude(s, CAUSE_SUPPLY_LOST, CAUSE_NONE, 0.95);
        (void)text_format(text, TEXT_CAP, "the line ahead of the breaker fell to %.0f V with the current",
                          ev->u1_line_after);
        return true;
    }
    if (isnan(ev->u1_after) && ev->meter_fed_by_circuit_died) {
        conclude(s, CAUSE_SUPPLY_LOST, CAUSE_NONE, 0.92);
        (void)text_copy(text, TEXT_CAP, "the meter fed from the same circuit fell silent together with the current");
        return true;
    }
    if (ev->speed_after < 0.5 * ev->speed_before) {
        conclude(s, CAUSE_ENGINE_STOPPED, CAUSE_NONE, 0.92);
        (void)text_format(text, TEXT_CAP, "the engine's speed fell from %.0f to %.0f 1/min", ev->speed_before,
                          ev->speed_after);
        return true;
    }
    return false;
}

/* One phase of three is gone: the unit's supply, whatever the unit then did about it. */
static bool weigh_phase_gone(const struct evidence *ev, struct shutoff *s)
{
    char look[REASON_CAP];
    if (ev->phase_before.loss != PHASES_THERE) {
        bool stands = ev->phase_before.loss == PHASE_WITHOUT_AMPERES;
        conclude(s, CAUSE_SUPPLY_LOW, stands ? CAUSE_UNIT_FAULT : CAUSE_UNIT_PROTECTION, stands ? 0.6 : 0.85);
        supply_phase_text(&ev->phase_before, look, sizeof look);
        (void)text_format(s->evidence, TEXT_CAP, "before the current went: %.120s%s", look,
                          stands ? "; look at plug, cord and the unit's input fuse" : "");
        return true;
    }
    if (ev->phase_after.loss != PHASES_THERE) {
        conclude(s, CAUSE_SUPPLY_LOST, CAUSE_NONE, 0.9);
        supply_phase_text(&ev->phase_after, look, sizeof look);
        (void)text_format(s->evidence, TEXT_CAP, "with the current: %.120s", look);
        return true;
    }
    return false;
}

/* What the fast samples show of the load path. */
static bool weigh_capture(const struct evidence *ev, struct shutoff *s)
{
    if (ev->capture.shows != SHOWS_OPEN && ev->capture.shows != SHOWS_SHORT)
        return false;
    bool open = ev->capture.shows == SHOWS_OPEN;
    conclude(s, open ? CAUSE_LOAD_PATH_OPEN : CAUSE_LOAD_PATH_SHORT, CAUSE_NONE, open ? 0.98 : 0.95);
    capture_words(&ev->capture, s->evidence, TEXT_CAP);
    if (ev->lead_was_rising)
        (void)text_append(s->evidence, TEXT_CAP, "; the path's resistance had been rising");
    return true;
}

/* Something in the load path, by the polls. */
static bool weigh_path(const struct evidence *ev, struct shutoff *s)
{
    double most = ev->u2_peak_after > ev->u2_most_after ? ev->u2_peak_after : ev->u2_most_after;
    double line = open_path_line_v(ev->u2_before, ev->u0_v);
    if (most > line) {
        bool stands = ev->u2_after > line;
        conclude(s, CAUSE_LOAD_PATH_OPEN, CAUSE_NONE, stands ? 0.97 : 0.9);
        (void)text_format(
            s->evidence, TEXT_CAP,
            "the voltage rose from %.1f V to %.1f V as the current went: the unit was live into an open path%s%s",
            ev->u2_before, most,
            ev->bank_most_after > line                  ? ", behind the bank's terminals"
            : ev->bank_most_after < 1.2 * ev->u2_before ? ", between unit and bank"
                                                        : "",
            ev->lead_was_rising ? "; its resistance had been rising" : "");
        return true;
    }
    if (ev->u2_least_before < 0.4 * ev->u2_before && ev->i2_most_before > 0.95 * ev->i2_before && ev->u2_before > 5) {
        conclude(s, CAUSE_LOAD_PATH_SHORT, CAUSE_NONE, 0.85);
        (void)text_format(s->evidence, TEXT_CAP,
                          "the voltage fell to %.1f V while the current stood at %.0f A, then both went",
                          ev->u2_least_before, ev->i2_most_before);
        return true;
    }
    return false;
}

/* The unit's own doing, early or by heat, when it still draws its idle current. */
static void weigh_alive(const struct evidence *ev, struct shutoff *s, bool supply_known)
{
    char *text = s->evidence;
    if (!supply_known) {
        conclude(s, CAUSE_THERMAL_CUTOUT, CAUSE_SUPPLY_LOW, 0.6);
        (void)text_format(text, TEXT_CAP,
                          "current and voltage went together and the unit still draws %.2f A; supply volts or a reset "
                          "by itself would settle it",
                          ev->i1_after);
    } else if (ev->u1_least_before < 0.92 * ev->rated_u1_v) {
        conclude(s, CAUSE_THERMAL_CUTOUT, CAUSE_SUPPLY_LOW, 0.6);
        (void)text_format(text, TEXT_CAP,
                          "current and voltage went together, the supply was low at %.0f V and stands at %.0f V now; a "
                          "reset within seconds or after minutes would settle it",
                          ev->u1_least_before, ev->u1_after);
    } else {
        conclude(s, CAUSE_THERMAL_CUTOUT, CAUSE_UNIT_FAULT, 0.8);
        (void)text_format(text, TEXT_CAP,
                          "current and voltage went together, the supply stands at %.0f V and the unit still draws "
                          "%.2f A; a reset by itself would settle it",
                          ev->u1_after, ev->i1_after);
    }
}

/* The unit draws nothing, or its current is not measured. */
static void weigh_dead(const struct evidence *ev, struct shutoff *s, bool supply_known)
{
    char *text = s->evidence;
    bool draws_nothing = !isnan(ev->i1_after);
    if (supply_known || ev->breaker_after >= 0.5) {
        conclude(s, CAUSE_THERMAL_CUTOUT, CAUSE_SWITCHED_OFF, draws_nothing ? 0.5 : 0.6);
        (void)text_format(text, TEXT_CAP,
                          "current and voltage went together%s, with the supply %s; %sa reset by itself "
                          "would settle it",
                          draws_nothing ? " and the unit draws nothing" : "",
                          supply_known ? "standing" : "breaker closed", draws_nothing ? "" : "supply current or ");
    } else if (ev->circuit_shared_loss) {
        conclude(s, CAUSE_SUPPLY_LOST, CAUSE_THERMAL_CUTOUT, 0.7);
        (void)text_copy(
            text, TEXT_CAP,
            "another channel of the same circuit lost its current at the same time; the supply is not measured");
    } else if (draws_nothing) {
        conclude(s, CAUSE_SWITCHED_OFF, CAUSE_SUPPLY_LOST, 0.4);
        (void)text_copy(text, TEXT_CAP,
                        "current and voltage went together and the unit draws nothing; the supply's volts are not "
                        "measured, they would settle it");
    } else {
        conclude(s, CAUSE_UNKNOWN, CAUSE_THERMAL_CUTOUT, 0.3);
        (void)text_copy(
            text, TEXT_CAP,
            "current and voltage went together; the supply is not measured, a reset by itself would settle it");
    }
}

/* The unit itself, with the supply there or not known. */
static void weigh_unit(const struct evidence *ev, struct shutoff *s)
{
    char *text = s->evidence;
    bool supply_known = !isnan(ev->u1_after);
    s->drew_nothing = !isnan(ev->i1_after) && !(ev->i1_after > 0.01 * ev->i1_before && ev->i1_after > 0.03);
    if (ev->lamp_after >= 0.5) {
        conclude(s, CAUSE_THERMAL_CUTOUT, CAUSE_NONE, 0.97);
        (void)text_copy(text, TEXT_CAP,
                        "current and voltage went together and the unit's over-temperature lamp is lit");
    } else if (ev->u1_least_before < 0.87 * ev->rated_u1_v) {
        conclude(s, CAUSE_SUPPLY_LOW, CAUSE_THERMAL_CUTOUT, 0.7);
        (void)text_format(text, TEXT_CAP,
                          "the supply sagged to %.0f V before the current went; a reset within seconds would settle it",
                          ev->u1_least_before);
    } else if (ev->on_s < 15) {
        conclude(s, CAUSE_UNIT_PROTECTION, CAUSE_UNIT_FAULT, 0.5);
        (void)text_format(text, TEXT_CAP,
                          "off after only %.1f s on-load, too early for heat; the unit's display code would settle it",
                          ev->on_s);
    } else if (!isnan(ev->i1_after) && !s->drew_nothing) {
        weigh_alive(ev, s, supply_known);
    } else {
        weigh_dead(ev, s, supply_known);
    }
}

/* Fast samples in which both went at once speak for the unit, and against the load path. */
static void weigh_together(const struct evidence *ev, struct shutoff *s, bool path)
{
    if (ev->capture.shows != SHOWS_TOGETHER)
        return;
    if (path) {
        s->second = CAUSE_THERMAL_CUTOUT;
        s->confidence = 0.5;
        (void)text_append(s->evidence, TEXT_CAP, "; against it, fast samples show both going at the same time");
    } else if (s->confidence < 0.9) {
        s->confidence += 0.05;
        (void)text_append(s->evidence, TEXT_CAP, "; at the same time, by fast samples");
    }
}

void evidence_weigh(const struct evidence *ev, struct shutoff *s)
{
    s->evidence[0] = '\0';
    bool path = false;
    if (!weigh_supply_gone(ev, s) && !weigh_phase_gone(ev, s) && !weigh_capture(ev, s)) {
        path = weigh_path(ev, s);
        if (!path)
            weigh_unit(ev, s);
        weigh_together(ev, s, path);
    }
    (void)text_append(s->evidence, sizeof s->evidence, " (at %.1f s)", ev->on_s);
}
