#include "preflight_lines.h"

#include <string.h>

#include "emit.h"
#include "error.h"
#include "judge.h"
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
    const char *name;
    enum preflight_result (*look)(const struct ask *a);
    bool each; /* looked at for each current of a survey */
};

static const struct line lines[] = {
    {"rigging", rigging, false},
    {"unit", unit_line, false},
    {"isolator", isolator, false},
    {"interruption", interrupted, false},
    {"bench", preflight_bench_safe, false},
    {"procedure", preflight_procedure_fits, false},
    {"safety-test", preflight_safety_test, false},
    {"protection", preflight_protection, false},
    {"cutouts", preflight_cutouts, false},
    {"set-up", preflight_set_up, false},
    {"breaking", preflight_breaking, true},
    {"bank", preflight_bank, true},
    {"load-path", preflight_load_path, true},
    {"circuit", circuit, true},
    {"supply", supply_voltage, false},
    {"meters", preflight_meters, true},
    {"watchdog", preflight_watchdog, false},
    {"time-to-open", preflight_time_to_open, false},
    {"start", start_line, false},
    {"record", preflight_record, false},
    {"store", preflight_store, false},
    {"clock", preflight_clock, false},
    {"key-switch", preflight_key_switch, false},
    {"second-means", preflight_second_means, false},
    {"unattended", preflight_unattended, false},
    {"detectors", preflight_detectors, false},
    {"notification", preflight_notification, false},
    {"outside", preflight_outside, false},
    {"standby-supply", preflight_standby_supply, false},
    {"beacon", preflight_beacon, false},
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

bool preflight_run(struct engine *e, int ch, const struct run_request *rq, char *why, size_t cap)
{
    char text[REASON_CAP];
    struct ask a = {.e = e, .ch = ch, .rq = rq, .b = bench_channel_of(e, ch), .plate = &rq->point, .text = text};
    aim(&a);
    bool may = true;
    for (int i = 0; i < preflight_count(); i++) {
        text[0] = '\0';
        enum preflight_result r = look_at(&lines[i], &a);
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
