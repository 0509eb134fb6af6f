#include "run_queue.h"

#include <string.h>

#include "emit.h"
#include "error.h"
#include "interlock.h"
#include "preflight.h"
#include "procedure.h"
#include "queue_expect.h"
#include "remote.h"
#include "stagger.h"

enum { LOOK_EVERY_S = 1, FACTS_WITHIN_S = 10 };

static struct event *tell(struct engine *e, enum queue_happening what, const struct queue_entry *q)
{
    struct event *v = emit_event(e, EVENT_QUEUE, q->channel);
    v->code = (int32_t)what;
    v->run_no = q->rq.run_no;
    return v;
}

static void take_off(struct engine *e, int at)
{
    struct run_queue *q = &e->queue;
    q->count--;
    memmove(&q->entries[at], &q->entries[at + 1], (size_t)(q->count - at) * sizeof q->entries[0]);
}

/* Takes an entry off without its run, and says why. */
static void give_up(struct engine *e, int at, enum queue_happening what, const char *why)
{
    const struct queue_entry *q = &e->queue.entries[at];
    struct event *v = tell(e, what, q);
    (void)text_format(v->text, sizeof v->text, "run %lld, %.47s on %.47s, is not run: %.120s", (long long)q->rq.run_no,
                      q->rq.serial, bench_channel_of(e, q->channel)->name, why);
    take_off(e, at);
}

/* What concerns the bench as a whole, or leaves it in doubt: after it nothing begins without a person. */
static bool stops_the_night(enum interlock which)
{
    switch (which) {
    case INTERLOCK_ESTOP:
    case INTERLOCK_SMOKE:
    case INTERLOCK_BANK_HOT:
    case INTERLOCK_NO_FAN:
    case INTERLOCK_NOT_OPENED:
    case INTERLOCK_JOURNAL:
    case INTERLOCK_WATCHDOG:
    case INTERLOCK_QUEUE:
    case INTERLOCK_CLOCK:
        return true;
    default:
        return false;
    }
}

static enum interlock night_stopper(struct engine *e, int next_channel)
{
    char text[REASON_CAP];
    for (int ch = 0; ch < e->bench.channel_count; ch++)
        if (stops_the_night(e->channels[ch].latched))
            return e->channels[ch].latched;
    enum interlock standing = interlock_standing(e, next_channel, text, sizeof text);
    return standing == INTERLOCK_ESTOP || standing == INTERLOCK_SMOKE ? standing : INTERLOCK_NONE;
}

/* ---- onto the list, and off it ---- */

static bool is_rigged(const struct channel *c)
{
    return c->rigged && (c->run.active || c->state == STATE_RIGGING || c->state == STATE_DONE);
}

/* Another unit than the one that is on the channel, by what ran there or waits. */
static const char *other_unit(const struct engine *e, int ch, const char *serial)
{
    const struct channel *c = &e->channels[ch];
    if (c->run_no_shown != 0 && strcmp(c->run.rq.serial, serial) != 0)
        return c->run.rq.serial;
    for (int i = 0; i < e->queue.count; i++)
        if (e->queue.entries[i].channel == ch && strcmp(e->queue.entries[i].rq.serial, serial) != 0)
            return e->queue.entries[i].rq.serial;
    return NULL;
}

static bool may_queue(struct engine *e, int ch, const struct run_request *rq, struct preflight_seen *seen, char *why,
                      size_t cap)
{
    const struct channel *c = &e->channels[ch];
    const char *other = other_unit(e, ch, rq->serial);
    enum interlock stopper = night_stopper(e, ch);
    if (stopper != INTERLOCK_NONE)
        return text_format(why, cap, "interlock %s: a person resets it first", interlock_name(stopper)), false;
    if (e->queue.count == QUEUE_MAX)
        return text_format(why, cap, "the queue is full: it takes %d runs", QUEUE_MAX), false;
    if (!is_rigged(c))
        return text_format(why, cap, "channel is %s: only a channel whose rigging is confirmed can wait",
                           channel_state_name(c->state)),
               false;
    if (other)
        return text_format(why, cap, "unit %.47s is on this channel: nobody changes the leads in between", other),
               false;
    if (!rq->unattended)
        return text_copy(why, cap, "a queue begins runs without anybody: order it as unattended"), false;
    if (rq->setting && !remote_serves(e, ch, rq))
        return text_copy(why, cap, "nobody is there to dial the unit in"), false;
    return preflight_first(e, ch, rq, seen, why, cap);
}

void queue_add(struct engine *e, int ch, const struct input_operator *op)
{
    char why[TEXT_CAP] = "";
    struct preflight_seen seen = {{0}};
    if (!may_queue(e, ch, &op->run, &seen, why, sizeof why)) {
        emit_answer(e, op->request, 1, "%.240s", why);
        return;
    }
    struct queue_entry *q = &e->queue.entries[e->queue.count++];
    *q = (struct queue_entry){.channel = ch, .rq = op->run, .seen = seen};
    struct event *v = tell(e, QUEUE_ADDED, q);
    (void)text_format(v->text, sizeof v->text, "run %lld waits, number %d: %.47s on %.47s, %s%s, by %.47s",
                      (long long)q->rq.run_no, e->queue.count, q->rq.serial, bench_channel_of(e, ch)->name,
                      procedure_name(q->rq.procedure), q->rq.together ? " beside others" : "", op->who);
    e->queue.look_ns = e->now_ns + LOOK_EVERY_S * SECOND_NS;
    emit_answer(e, op->request, 0, "run %lld waits, number %d of the queue", (long long)q->rq.run_no, e->queue.count);
}

/* Entries that match, oldest first: a run number, or all of a channel (-1: any). Returns how many went. */
static int drop_matching(struct engine *e, int64_t run_no, int ch, const char *why)
{
    int gone = 0;
    for (int i = 0; i < e->queue.count;) {
        const struct queue_entry *q = &e->queue.entries[i];
        if (run_no != 0 ? q->rq.run_no != run_no : ch >= 0 && q->channel != ch) {
            i++;
            continue;
        }
        give_up(e, i, QUEUE_DROPPED, why);
        gone++;
    }
    return gone;
}

void queue_drop(struct engine *e, const struct input_operator *op)
{
    char why[REASON_CAP];
    (void)text_format(why, sizeof why, "taken off the queue by %.47s%s%.60s", op->who, op->text[0] ? ": " : "",
                      op->text);
    int gone = drop_matching(e, op->run.run_no, op->channel, why);
    if (gone == 0 && op->run.run_no != 0)
        emit_answer(e, op->request, 1, "run %lld does not wait in the queue", (long long)op->run.run_no);
    else
        emit_answer(e, op->request, 0, "%d run%s taken off the queue", gone, gone == 1 ? "" : "s");
}

void queue_drop_channel(struct engine *e, int ch, const char *why)
{
    (void)drop_matching(e, 0, ch, why);
}

void queue_close(struct engine *e, const char *why)
{
    while (e->queue.count > 0)
        give_up(e, 0, QUEUE_CLOSED, why);
}

/* ---- whose turn it is ---- */

static bool any_queued_run(const struct engine *e)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++)
        if (e->channels[ch].run.active && e->channels[ch].run.queued)
            return true;
    return false;
}

/* Among the cycles under way, as they lie, is there a place for this one's? The limits themselves are looked at again
 * before each closing: two cycles that a cut-out makes drift into each other wait for each other. */
static bool load_hinders(struct engine *e, struct queue_entry *q)
{
    struct run wish;
    if (!stagger_shares(e, q->channel))
        return false;
    run_prepare(e, &q->rq, &wish);
    if (stagger_has_room(e, q->channel, &wish))
        return false;
    (void)text_copy(q->waiting, sizeof q->waiting,
                    "no room in bank or circuit beside the runs under way, whatever the shift");
    return true;
}

/* Has to wait, and for what. */
static bool has_to_wait(struct engine *e, int at)
{
    struct queue_entry *q = &e->queue.entries[at];
    const struct channel *c = channel_of(e, q->channel);
    if (c->run.active || c->load.phase != LOAD_OPEN)
        return text_copy(q->waiting, sizeof q->waiting, "a run is under way on its channel"), true;
    if (!q->rq.together && at > 0)
        return text_copy(q->waiting, sizeof q->waiting, "others are before it"), true;
    if (!q->rq.together && any_queued_run(e))
        return text_copy(q->waiting, sizeof q->waiting, "another run of the queue is under way"), true;
    return load_hinders(e, q);
}

/* What the daemon knows and the engine does not may have changed since the run was put on the list. True when it is
 * that of now; false: asked for, or given up. */
static bool facts_are_fresh(struct engine *e, int at)
{
    struct queue_entry *q = &e->queue.entries[at];
    int64_t within_ns = (int64_t)(FACTS_WITHIN_S * 1e9 * (e->bench.rate > 1 ? e->bench.rate : 1));
    if (q->fresh)
        return true;
    if (q->asked_ns == 0) {
        q->asked_ns = e->now_ns;
        emit_command(e, COMMAND_FACTS, q->channel, -1)->request = (uint64_t)q->rq.run_no;
        (void)text_copy(q->waiting, sizeof q->waiting, "its turn has come: what stands behind it is looked at again");
    } else if (e->now_ns - q->asked_ns > within_ns) {
        static const char why[] = "nobody could say how stores and messages stand when its turn came";
        emit_notify(e, q->channel, NOTIFY_MORNING, "%.47s on %.47s is not run: %s", q->rq.serial,
                    bench_channel_of(e, q->channel)->name, why);
        give_up(e, at, QUEUE_SKIPPED, why);
    }
    return false;
}

void queue_facts(struct engine *e, const struct input_operator *op)
{
    for (int i = 0; i < e->queue.count; i++) {
        struct queue_entry *q = &e->queue.entries[i];
        if (op->run.run_no == 0 && strcmp(q->rq.serial, op->run.serial) == 0) {
            q->rq.safety_test_utc_s = op->run.safety_test_utc_s;
            q->rq.safety_test_due_utc_s = op->run.safety_test_due_utc_s;
            q->rq.safety_test_failed = op->run.safety_test_failed;
        } else if (op->run.run_no == q->rq.run_no && q->asked_ns != 0) {
            q->rq.night = op->run.night;
            q->rq.stores = op->run.stores;
            q->fresh = true;
            e->queue.look_ns = e->now_ns;
        }
    }
}

static void begin(struct engine *e, int at)
{
    struct queue_entry *waiting = &e->queue.entries[at];
    int ch = waiting->channel;
    const struct channel *c = channel_of(e, ch);
    struct preflight_change change = {0};
    char why[TEXT_CAP] = "";
    if (!is_rigged(c))
        (void)text_format(why, sizeof why, "channel is %s%s%.80s", channel_state_name(c->state),
                          c->state == STATE_LOCKED ? ": " : "", c->state == STATE_LOCKED ? c->latched_text : "");
    if (why[0] != '\0' || !preflight_again(e, ch, &waiting->rq, &waiting->seen, &change, why, sizeof why)) {
        emit_notify(e, ch, NOTIFY_MORNING, "%.47s on %.47s is not run: %.120s", waiting->rq.serial,
                    bench_channel_of(e, ch)->name, why);
        give_up(e, at, QUEUE_SKIPPED, why);
        return;
    }
    struct event *v = tell(e, QUEUE_BEGUN, waiting);
    v->value_count = 1;
    v->values[0] = change.count;
    (void)text_format(v->text, sizeof v->text, "run %lld begins from the queue, %d still wait%s%.150s",
                      (long long)waiting->rq.run_no, e->queue.count - 1,
                      change.count > 0 ? "; since it was queued: " : "", change.text);
    run_begin(e, ch, &waiting->rq);
    channel_of(e, ch)->run.queued = true;
    take_off(e, at);
}

void queue_run(struct engine *e)
{
    struct run_queue *q = &e->queue;
    if (q->count == 0)
        return;
    enum interlock stopper = night_stopper(e, q->entries[0].channel);
    if (stopper != INTERLOCK_NONE) {
        char why[REASON_CAP];
        (void)text_format(why, sizeof why, "interlock %s closed the queue", interlock_name(stopper));
        queue_close(e, why);
        return;
    }
    if (e->now_ns < q->look_ns)
        return;
    q->look_ns = e->now_ns + LOOK_EVERY_S * SECOND_NS;
    for (int i = 0; i < q->count;) {
        int count = q->count;
        if (has_to_wait(e, i)) {
            q->entries[i].asked_ns = 0;
            q->entries[i].fresh = false;
        } else if (facts_are_fresh(e, i)) {
            begin(e, i); /* all that begin at one look are planned together */
        }
        i += q->count == count; /* else it was taken off */
    }
}

int64_t queue_next_ns(const struct engine *e)
{
    return e->queue.count > 0 ? e->queue.look_ns : NEVER_NS;
}

void queue_view(const struct engine *e, struct bench_view *view)
{
    view->queue_count = e->queue.count;
    for (int i = 0; i < e->queue.count; i++) {
        const struct queue_entry *q = &e->queue.entries[i];
        struct queue_view *v = &view->queue[i];
        *v = (struct queue_view){.run_no = q->rq.run_no,
                                 .channel = q->channel,
                                 .procedure = q->rq.procedure,
                                 .point = q->rq.point,
                                 .together = q->rq.together};
        (void)text_copy(v->serial, sizeof v->serial, q->rq.serial);
        (void)text_copy(v->waiting, sizeof v->waiting, q->waiting);
    }
    queue_expect(e, view);
}
