#include "operate.h"

#include "attribute.h"
#include "emit.h"
#include "error.h"
#include "interlock.h"
#include "load.h"
#include "observed.h"
#include "preflight.h"
#include "procedure.h"
#include "run_queue.h"
#include "track.h"
#include "watchdog.h"

static void rig(struct engine *e, int ch, const struct input_operator *op)
{
    struct channel *c = channel_of(e, ch);
    if (c->state != STATE_FREE && c->state != STATE_DONE) {
        emit_answer(e, op->request, 1, "channel is %s", channel_state_name(c->state));
        return;
    }
    c->rigged = false;
    c->rigged_serial[0] = '\0';
    queue_drop_channel(e, ch, "the channel is rigged anew");
    set_state(e, ch, STATE_RIGGING);
    emit_answer(e, op->request, 0, "rig now: isolate, connect, check the labels of unit and channel");
}

static void rigged(struct engine *e, int ch, const struct input_operator *op)
{
    struct channel *c = channel_of(e, ch);
    if (c->state != STATE_RIGGING) {
        emit_answer(e, op->request, 1, "channel is %s, not being rigged", channel_state_name(c->state));
        return;
    }
    c->rigged = true;
    (void)text_copy(c->rigged_serial, sizeof c->rigged_serial, op->text);
    emit_text(e, EVENT_NOTE, ch,
              op->text[0] ? "rigging confirmed at the bench by %.47s, label read: %.47s"
                          : "rigging confirmed at the bench by %.47s%s",
              op->who, op->text);
    emit_answer(e, op->request, 0, "confirmed");
}

static void release(struct engine *e, int ch, const struct input_operator *op)
{
    struct channel *c = channel_of(e, ch);
    if ((c->state != STATE_DONE && c->state != STATE_RIGGING) || c->load.phase != LOAD_OPEN) {
        emit_answer(e, op->request, 1, "channel is %s", channel_state_name(c->state));
        return;
    }
    c->rigged = false;
    queue_drop_channel(e, ch, "the channel was given free");
    c->verdict = VERDICT_NONE;
    c->cause = CAUSE_NONE;
    c->run_no_shown = 0;
    set_state(e, ch, STATE_FREE);
    emit_answer(e, op->request, 0, "free");
}

static void start(struct engine *e, int ch, const struct input_operator *op)
{
    struct channel *c = channel_of(e, ch);
    char why[TEXT_CAP] = "";
    if (load_is_observed(e, ch)) { /* it was done elsewhere: nothing here could still be refused */
        if (!c->run.active)
            run_begin(e, ch, &op->run);
        emit_answer(e, op->request, 0, "judging");
        return;
    }
    if ((c->state != STATE_RIGGING && c->state != STATE_DONE) || c->run.active || c->load.phase != LOAD_OPEN) {
        emit_answer(e, op->request, 1, "channel is %s: take it for rigging first", channel_state_name(c->state));
        return;
    }
    if (!preflight_run(e, ch, &op->run, why, sizeof why)) {
        emit_answer(e, op->request, 1, "%.240s", why);
        return;
    }
    emit_answer(e, op->request, 0, "run %lld begins", (long long)op->run.run_no);
    run_begin(e, ch, &op->run);
    emit_answer(e, op->request, 2, "run %lld is under way", (long long)op->run.run_no);
}

static void end(struct engine *e, int ch, const struct input_operator *op)
{
    struct channel *c = channel_of(e, ch);
    char text[REASON_CAP];
    queue_drop_channel(e, ch, "a person ended what ran on the channel");
    if (!c->run.active) {
        /* An end that finds nothing to end still opens whatever there is. */
        if (c->load.phase != LOAD_OPEN)
            load_open(e, ch, true);
        return;
    }
    c->end_request = op->channel >= 0 ? op->request : 0;
    if (load_is_observed(e, ch)) {
        observed_end(e, ch, op->text);
        return;
    }
    (void)text_format(text, sizeof text, "ended by %.47s%s%.80s", op->who, op->text[0] ? ": " : "", op->text);
    run_end_soon(e, ch, CAUSE_OPERATOR, text);
}

static void reset(struct engine *e, int ch, const struct input_operator *op)
{
    struct channel *c = channel_of(e, ch);
    char why[TEXT_CAP];
    if (c->latched == INTERLOCK_NONE) {
        emit_answer(e, op->request, 1, "nothing to reset");
        return;
    }
    if (!interlock_reset(e, ch, op->who, op->text, why, sizeof why)) {
        emit_answer(e, op->request, 1, "%.240s", why);
        return;
    }
    c->rigged = false;
    queue_drop_channel(e, ch, "the channel was locked and reset");
    set_state(e, ch, STATE_FREE);
    emit_answer(e, op->request, 0, "reset");
    emit_answer(e, op->request, 2, "reset, the channel is free");
}

static void note(struct engine *e, int ch, const struct input_operator *op)
{
    shutoff_operator_note(e, ch, op->text);
    emit_answer(e, op->request, 0, "noted");
}

static void set(struct engine *e, int ch, const struct input_operator *op)
{
    if (procedure_set(e, ch))
        emit_answer(e, op->request, 0, "set");
    else
        emit_answer(e, op->request, 1, "channel is %s, not setting", channel_state_name(e->channels[ch].state));
}

static void tell_confirmed(struct engine *e, int ch, const struct input_operator *op)
{
    emit_text(e, EVENT_NOTE, ch, "after the interruption %.47s confirms that the bench is in order%s%.150s", op->who,
              op->text[0] ? ": " : "", op->text);
}

static void go_on(struct engine *e, int ch, const struct input_operator *op)
{
    e->channels[ch].needs_confirm = false;
    tell_confirmed(e, ch, op);
    emit_answer(e, op->request, 0, "confirmed");
}

static void prove(struct engine *e, const struct input_operator *op)
{
    char why[TEXT_CAP];
    if (watchdog_start(e, op->device, op->request, why, sizeof why))
        emit_answer(e, op->request, 0, "proving");
    else
        emit_answer(e, op->request, 1, "%.240s", why);
}

static void on_channel(struct engine *e, int ch, const struct input_operator *op)
{
    switch (op->verb) {
    case VERB_START:
        start(e, ch, op);
        break;
    case VERB_END:
        end(e, ch, op);
        break;
    case VERB_RESET:
        reset(e, ch, op);
        break;
    case VERB_RIG:
        rig(e, ch, op);
        break;
    case VERB_RIGGED:
        rigged(e, ch, op);
        break;
    case VERB_RELEASE:
        release(e, ch, op);
        break;
    case VERB_SET:
        set(e, ch, op);
        break;
    case VERB_NOTE:
        note(e, ch, op);
        break;
    case VERB_CONTINUE:
        go_on(e, ch, op);
        break;
    case VERB_QUEUE:
        queue_add(e, ch, op);
        break;
    case VERB_UNQUEUE:
    case VERB_FACTS:
    case VERB_PROVE_WATCHDOG:
    case VERB_COUNT_:
        break;
    }
}

void operate(struct engine *e, const struct input_operator *op)
{
    if (op->verb == VERB_PROVE_WATCHDOG) {
        prove(e, op);
        return;
    }
    if (op->verb == VERB_FACTS) {
        queue_facts(e, op);
        return;
    }
    if (op->verb == VERB_UNQUEUE) {
        queue_drop(e, op);
        return;
    }
    if (op->channel >= e->bench.channel_count) {
        emit_answer(e, op->request, 1, "there is no such channel");
        return;
    }
    if (op->verb == VERB_END) {
        emit_answer(e, op->request, 0, "ending");
        if (op->channel < 0)
            queue_close(e, "everything was ended");
        bool any = false;
        for (int ch = 0; ch < e->bench.channel_count; ch++)
            if (op->channel < 0 || op->channel == ch) {
                any = any || e->channels[ch].run.active;
                end(e, ch, op);
            }
        if (op->channel < 0 || !any)
            emit_answer(e, op->request, 2, any ? "all channels are opening" : "no run was under way");
        return;
    }
    if (op->channel >= 0) {
        on_channel(e, op->channel, op);
        return;
    }
    if (op->verb == VERB_NOTE) {
        emit_text(e, EVENT_NOTE, -1, "%.47s: %.190s", op->who, op->text);
        emit_answer(e, op->request, 0, "noted");
        return;
    }
    if (op->verb == VERB_CONTINUE) {
        for (int ch = 0; ch < e->bench.channel_count; ch++)
            e->channels[ch].needs_confirm = false;
        tell_confirmed(e, -1, op);
        emit_answer(e, op->request, 0, "confirmed");
        return;
    }
    emit_answer(e, op->request, 1, "name one channel");
}
