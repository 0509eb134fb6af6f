#include "preflight_lines.h"

#include <string.h>

#include "emit.h"
#include "error.h"
#include "judge.h"
#include "preflight_line.h"
#include "preflight_supply.h"
#include "survey_run.h"
#include "track.h"

enum preflight_result preflight_say(const struct ask *a, enum preflight_result r, const char *text)
{
    (void)text_copy(a->text, REASON_CAP, text);
    return r;
}

bool preflight_has(const struct ask *a, enum signal_kind kind)
{
    return a->b->signal[kind] >= 0;
}

static enum preflight_result rigging(const struct ask *a)
{
    if (!a->e->channels[a->ch].rigged)
        return preflight_say(a, PREFLIGHT_REFUSE, "rigging is not confirmed at the bench");
    return preflight_say(a, PREFLIGHT_PASS, "confirmed at the bench");
}

/* One unit cannot be at two places, and the label that was read when rigging says which one hangs here: a wrong serial
 * spoils two records. */
static enum preflight_result unit_line(const struct ask *a)
{
    const char *label = a->e->channels[a->ch].rigged_serial;
    for (int i = 0; i < a->e->bench.channel_count; i++) {
        const struct run *r = &a->e->channels[i].run;
        if (i == a->ch || !r->active || strcmp(r->rq.serial, a->rq->serial) != 0)
            continue;
        (void)text_format(a->text, REASON_CAP, "%.47s is under way on channel %.47s: check the labels", a->rq->serial,
                          bench_channel_of(a->e, i)->name);
        return PREFLIGHT_REFUSE;
    }
    if (label[0] == '\0')
        return preflight_say(a, PREFLIGHT_PASS, "as ordered; its label was not read when it was rigged");
    if (strcmp(label, a->rq->serial) == 0)
        return preflight_say(a, PREFLIGHT_PASS, "its label was read when it was rigged");
    (void)text_format(a->text, REASON_CAP, "%.47s was read from the label when rigging, the order is for %.47s", label,
                      a->rq->serial);
    return PREFLIGHT_REFUSE;
}

static enum preflight_result isolator(const struct ask *a)
{
    if (!preflight_has(a, SIG_ISOLATED)) /* bench practice B22: somebody else may be at the leads */
        return preflight_say(a, a->rq->unattended ? PREFLIGHT_WARN : PREFLIGHT_PASS,
                             "no isolator contact is read: the confirmation at the bench is all there is");
    if (!contact_is(a->e, a->ch, SIG_ISOLATED, false))
        return preflight_say(a, PREFLIGHT_REFUSE, "the channel's isolator is open, or its contact is not read");
    return preflight_say(a, PREFLIGHT_PASS, "closed");
}

static enum preflight_result circuit(const struct ask *a)
{
    return preflight_circuit(a->e, a->ch, a->rq, &a->point, a->text);
}

static enum preflight_result supply_voltage(const struct ask *a)
{
    return preflight_supply(a->e, a->ch, a->rq, a->text);
}

static enum preflight_result start_line(const struct ask *a)
{
    char why[REASON_CAP];
    enum start_condition s = judge_start(a->e, a->ch, a->rq, why, sizeof why);
    (void)text_format(a->text, REASON_CAP, "%s: %.120s", start_condition_name(s), why);
    return a->rq->start == START_COLD && s == START_WARM ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

static enum preflight_result interrupted(const struct ask *a)
{
    if (!a->e->channels[a->ch].needs_confirm)
        return PREFLIGHT_NOT_ASKED;
    return preflight_say(
        a, PREFLIGHT_REFUSE,
        "the last session broke off, or the computer slept: a person has to confirm that the bench is in order");
}

struct line {
    enum preflight_result (*look)(const struct ask *a);
    bool each; /* looked at for each current of a survey */
};

static const struct line lines[PREFLIGHT_LINE_COUNT_] = {
    [LINE_RIGGING] = {rigging, false},
    [LINE_UNIT] = {unit_line, false},
    [LINE_ISOLATOR] = {isolator, false},
    [LINE_INTERRUPTION] = {interrupted, false},
    [LINE_BENCH] = {preflight_bench_safe, false},
    [LINE_PROCEDURE] = {preflight_procedure_fits, false},
    [LINE_SAFETY_TEST] = {preflight_safety_test, false},
    [LINE_PROTECTION] = {preflight_protection, false},
    [LINE_CUTOUTS] = {preflight_cutouts, false},
    [LINE_SET_UP] = {preflight_set_up, false},
    [LINE_BREAKING] = {preflight_breaking, true},
    [LINE_BANK] = {preflight_bank, true},
    [LINE_STRIKE] = {preflight_strike, true},
    [LINE_LOAD_PATH] = {preflight_load_path, true},
    [LINE_CIRCUIT] = {circuit, true},
    [LINE_SUPPLY] = {supply_voltage, false},
    [LINE_METERS] = {preflight_meters, true},
    [LINE_WATCHDOG] = {preflight_watchdog, false},
    [LINE_TIME_TO_OPEN] = {preflight_time_to_open, false},
    [LINE_START] = {start_line, false},
    [LINE_RECORD] = {preflight_record, false},
    [LINE_STORE] = {preflight_store, false},
    [LINE_CLOCK] = {preflight_clock, false},
    [LINE_KEY_SWITCH] = {preflight_key_switch, false},
    [LINE_SECOND_MEANS] = {preflight_second_means, false},
    [LINE_UNATTENDED] = {preflight_unattended, false},
    [LINE_DETECTORS] = {preflight_detectors, false},
    [LINE_NOTIFICATION] = {preflight_notification, false},
    [LINE_OUTSIDE] = {preflight_outside, false},
    [LINE_STANDBY_SUPPLY] = {preflight_standby_supply, false},
    [LINE_BEACON] = {preflight_beacon, false},
};

static void aim(struct ask *a)
{
    const struct rating_point *p = &a->rq->point;
    struct error err;
    a->point_ok = load_point_find(p->process, p->current_a, p->load_voltage_v, &a->point, &err) == 0;
}

/* A line's answer; for a survey the worst over its currents, with the current in front. */
static enum preflight_result look_at(const struct line *line, const struct ask *ask)
{
    if (!line->each || ask->rq->procedure != PROCEDURE_SURVEY)
        return line->look(ask);
    char text[REASON_CAP];
    struct run_request at = *ask->rq;
    struct ask a = *ask;
    enum preflight_result worst = PREFLIGHT_NOT_ASKED;
    a.rq = &at;
    a.text = text;
    for (int i = 0; i < at.survey_count && i < SURVEY_POINTS_MAX; i++) {
        text[0] = '\0';
        survey_point_at(ask->plate, at.survey_a[i], &at.point);
        aim(&a);
        enum preflight_result r = line->look(&a);
        if (r == PREFLIGHT_NOT_ASKED || (worst != PREFLIGHT_NOT_ASKED && r <= worst))
            continue;
        worst = r;
        (void)text_format(ask->text, REASON_CAP, "at %g A %.130s", at.survey_a[i], text);
    }
    return worst;
}

static void note_change(struct preflight_change *change, const char *name, enum preflight_result was,
                        enum preflight_result is)
{
    static const char *const words[] = {"passed", "warned", "refused", "was not asked"};
    static const char *const now[] = {"passes", "warns", "refuses", "is not asked"};
    (void)text_append(change->text, sizeof change->text, "%s%s %s then, %s now", change->count > 0 ? "; " : "", name,
                      words[was], now[is]);
    change->count++;
}

/* One line told; whether it lets the run begin. */
static bool tell_line(struct ask *a, enum preflight_line line, enum preflight_result r, bool bears, char *why,
                      size_t cap)
{
    const char *name = preflight_line_name(line);
    bool accepted = r == PREFLIGHT_WARN && (bears || preflight_list_holds(a->rq->accepts, line));
    struct event *v = emit_event(a->e, EVENT_PREFLIGHT, a->ch);
    v->run_no = a->rq->run_no;
    v->code = (int32_t)r;
    (void)text_format(v->text, sizeof v->text, "%s: %s%s", name, a->text,
                      !accepted ? ""
                      : bears   ? " (came up while it waited, no danger to the run)"
                                : " (accepted)");
    if (r == PREFLIGHT_PASS || accepted)
        return true;
    (void)text_format(why, cap, "%s: %s%s", name, a->text,
                      r == PREFLIGHT_WARN ? " (may be accepted by this name)" : "");
    return false;
}

static bool look_at_all(struct engine *e, int ch, const struct run_request *rq, const struct preflight_seen *before,
                        struct preflight_change *change, struct preflight_seen *seen, char *why, size_t cap)
{
    char text[REASON_CAP], reason[TEXT_CAP];
    struct ask a = {.e = e, .ch = ch, .rq = rq, .b = bench_channel_of(e, ch), .plate = &rq->point, .text = text};
    aim(&a);
    bool may = true;
    for (int i = 0; i < PREFLIGHT_LINE_COUNT_; i++) {
        text[0] = '\0';
        enum preflight_result r = look_at(&lines[i], &a);
        enum preflight_result was = before ? (enum preflight_result)before->result[i] : r;
        if (seen)
            seen->result[i] = (uint8_t)r;
        if (r != was && change)
            note_change(change, preflight_line_name((enum preflight_line)i), was, r);
        if (r == PREFLIGHT_NOT_ASKED)
            continue;
        bool let = tell_line(&a, (enum preflight_line)i, r, before && i == LINE_STORE, reason, sizeof reason);
        if (!let && may)
            (void)text_copy(why, cap, reason);
        may = may && let;
    }
    return may;
}

bool preflight_run(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap)
{
    return look_at_all(e, ch, rq, NULL, NULL, NULL, why, cap);
}

bool preflight_first(struct engine *e, int ch, const struct run_request *rq, struct preflight_seen *seen, char *why,
                     size_t cap)
{
    return look_at_all(e, ch, rq, NULL, NULL, seen, why, cap);
}

bool preflight_again(struct engine *e, int ch, const struct run_request *rq, const struct preflight_seen *before,
                     struct preflight_change *change, char *why, size_t cap)
{
    *change = (struct preflight_change){0};
    return look_at_all(e, ch, rq, before, change, NULL, why, cap);
}
