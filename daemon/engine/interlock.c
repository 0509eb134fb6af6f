#include "interlock.h"

#include "emit.h"
#include "error.h"
#include "interlock_rows.h"
#include "load.h"
#include "observed.h"
#include "procedure.h"
#include "renewal.h"
#include "track.h"

bool interlock_watches(const struct engine *e, int ch)
{
    const struct channel *c = &e->channels[ch];
    if (c->latched != INTERLOCK_NONE || load_is_observed(e, ch))
        return false;
    if (c->load.phase != LOAD_OPEN || (e->proof.phase != PROOF_NONE && e->proof.channel == ch))
        return true;
    return c->run.active;
}

static bool applies(const struct engine *e, int ch, const struct interlock_row *r)
{
    if (r->how & ALWAYS)
        return e->channels[ch].latched == INTERLOCK_NONE;
    if (!interlock_watches(e, ch))
        return false;
    if (!(r->how & READY) && e->channels[ch].course == COURSE_READY)
        return false;
    /* The proof of the watchdog is what makes it proved; its unit is dead, its fans may stand still. */
    if (e->proof.phase != PROOF_NONE && e->proof.channel == ch && !e->channels[ch].run.active)
        return r->which != INTERLOCK_WATCHDOG && r->which != INTERLOCK_ISOLATED && r->which != INTERLOCK_NO_FAN;
    return true;
}

static bool acts(struct engine *e, int ch, const struct interlock_row *r, char *text)
{
    int64_t *since = &e->channels[ch].hold_since_ns[r->which];
    if (!r->holds(e, ch, text)) {
        *since = NEVER_NS;
        return false;
    }
    if (!r->patience_ns)
        return true;
    if (*since == NEVER_NS)
        *since = e->step_ns;
    return e->step_ns - *since >= r->patience_ns(e, ch);
}

void interlock_run(struct engine *e)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct channel *c = channel_of(e, ch);
        for (int i = 0; i < interlock_row_count; i++) {
            char text[REASON_CAP];
            if (applies(e, ch, &interlock_rows[i]) && acts(e, ch, &interlock_rows[i], text)) {
                interlock_trip(e, ch, interlock_rows[i].which, text);
                break;
            }
        }
        c->asked = INTERLOCK_NONE;
    }
}

enum interlock interlock_standing(struct engine *e, int ch, char *text, size_t cap)
{
    for (int i = 0; i < interlock_row_count; i++) {
        char why[REASON_CAP];
        if ((interlock_rows[i].how & STANDING) && interlock_rows[i].holds(e, ch, why)) {
            (void)text_copy(text, cap, why);
            return interlock_rows[i].which;
        }
    }
    return INTERLOCK_NONE;
}

static bool wakes(enum interlock which)
{
    for (int i = 0; i < interlock_row_count; i++)
        if (interlock_rows[i].which == which)
            return interlock_rows[i].how & WAKES;
    return false;
}

/* A drop of the whole device takes the load from its other channels too. */
static void pull_along(struct engine *e, int ch)
{
    int d = bench_channel_of(e, ch)->load.device;
    for (int i = 0; i < e->bench.channel_count; i++) {
        if (i == ch || bench_channel_of(e, i)->load.device != d || !interlock_watches(e, i))
            continue;
        interlock_trip(e, i, INTERLOCK_LINK, "the load controller was dropped for another channel that did not open");
    }
}

static enum shutoff_cause cause_of(struct engine *e, int ch, enum interlock which)
{
    if (which == INTERLOCK_LINK)
        return CAUSE_LINK_LOST;
    return which == INTERLOCK_SUPPLY && !supply_is_too_high(e, ch) ? CAUSE_SUPPLY_LOW : CAUSE_BENCH_INTERLOCK;
}

void interlock_trip(struct engine *e, int ch, enum interlock which, const char *text)
{
    struct channel *c = channel_of(e, ch);
    if (c->latched != INTERLOCK_NONE)
        return;
    e->now_ns = e->step_ns;
    c->latched = which;
    (void)text_copy(c->latched_text, sizeof c->latched_text, text);
    struct event *v = emit_event(e, EVENT_INTERLOCK, ch);
    v->code = (int32_t)which;
    (void)text_format(v->text, sizeof v->text, "%s: %.180s", interlock_name(which), text);
    if (which == INTERLOCK_ELEMENT)
        emit_text(e, EVENT_ELEMENT_FAULT, ch, "%.200s", text);
    load_open(e, ch, true);
    if (c->run.active)
        run_cut_short(e, ch, cause_of(e, ch, which), text);
    set_state(e, ch, STATE_LOCKED);
    emit_notify(e, ch, wakes(which) ? NOTIFY_NOW : NOTIFY_MORNING, "Channel %.47s locked: %.150s",
                bench_channel_of(e, ch)->name, text);
    if (which == INTERLOCK_NOT_OPENED)
        pull_along(e, ch);
}

bool interlock_reset(struct engine *e, int ch, const char *who, const char *reason, char *why, size_t cap)
{
    struct channel *c = channel_of(e, ch);
    uint32_t mask = 0;
    if (reason[0] == '\0') {
        (void)text_copy(why, cap, "a reset needs a reason");
        return false;
    }
    if (c->load.phase != LOAD_OPEN || (load_feedback(e, ch, LONG_AGO_NS, &mask) && mask != 0)) {
        (void)text_copy(why, cap, "the load is not seen open");
        return false;
    }
    for (int i = 0; i < interlock_row_count; i++) {
        char text[REASON_CAP];
        if (interlock_rows[i].which != c->latched || !(interlock_rows[i].how & STANDING) ||
            c->latched == INTERLOCK_ISOLATED || !interlock_rows[i].holds(e, ch, text))
            continue;
        (void)text_format(why, cap, "its cause still stands: %.150s", text);
        return false;
    }
    struct event *v = emit_event(e, EVENT_INTERLOCK_RESET, ch);
    v->code = (int32_t)c->latched;
    (void)text_format(v->text, sizeof v->text, "%.47s: %.180s", who, reason);
    if (c->latched == INTERLOCK_CLOCK)
        c->needs_confirm = false; /* it is what the person who resets has looked at */
    c->latched = INTERLOCK_NONE;
    c->latched_text[0] = '\0';
    load_reset(e, ch);
    return true;
}

int64_t interlock_next_ns(struct engine *e)
{
    int64_t next = NEVER_NS;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct channel *c = &e->channels[ch];
        if (!interlock_watches(e, ch))
            continue;
        for (int k = 0; k < SIG_OTHER; k++) {
            int s = e->bench.channels[ch].signal[k];
            if (s < 0 || e->bench.signals[s].cls != CLASS_SAFETY || track_is_lost(e, s))
                continue;
            const struct track *t = &e->tracks[s];
            int64_t at = (t->good_seen_ns == LONG_AGO_NS ? e->boot_ns : t->good_seen_ns) + track_limit_ns(e, s) + 1;
            next = at < next ? at : next;
        }
        int64_t since = interlock_on_load_since_ns(c);
        if (since != NEVER_NS && since + e->bench.limits.max_on_load_ns + 1 < next)
            next = since + e->bench.limits.max_on_load_ns + 1;
        for (int i = 0; i < interlock_row_count; i++) {
            int64_t held = c->hold_since_ns[interlock_rows[i].which];
            if (interlock_rows[i].patience_ns && held != NEVER_NS && held + interlock_rows[i].patience_ns(e, ch) < next)
                next = held + interlock_rows[i].patience_ns(e, ch);
        }
    }
    if (e->journal_age_ns > 0 && journal_holds(e)) {
        double rate = e->bench.rate > 1 ? e->bench.rate : 1;
        int64_t left = e->bench.limits.journal_open_ns - e->journal_age_ns;
        int64_t at = e->journal_at_ns + (int64_t)((double)left * rate);
        next = at < next ? at : next;
    }
    return next;
}
