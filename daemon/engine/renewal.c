#include "renewal.h"

#include "emit.h"
#include "error.h"

int64_t journal_age_ns(const struct engine *e)
{
    if (e->journal_age_ns <= 0)
        return 0;
    double rate = e->bench.rate > 1 ? e->bench.rate : 1;
    return e->journal_age_ns + (int64_t)((double)(e->step_ns - e->journal_at_ns) / rate);
}

bool journal_holds(const struct engine *e)
{
    return !e->journal_failed && journal_age_ns(e) < e->bench.limits.journal_open_ns;
}

bool journal_lets_begin(const struct engine *e)
{
    return !e->journal_failed && !e->space_low && journal_age_ns(e) < e->bench.limits.journal_refuse_ns;
}

/* Channels of the device that are tripped and not yet seen open, or higher up the ladder. */
static bool opening_unconfirmed(const struct engine *e, int device)
{
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        const struct channel *c = &e->channels[ch];
        if (e->bench.channels[ch].load.device != device)
            continue;
        if (c->load.escalation > 0 || c->load.fault == INTERLOCK_NOT_OPENED ||
            (c->latched != INTERLOCK_NONE && c->load.phase != LOAD_OPEN))
            return true;
    }
    return false;
}

static bool may_renew(const struct engine *e, int device)
{
    const struct device_state *d = &e->devices[device];
    if (!e->booted || !e->bench.devices[device].is_load || !d->up || d->drop_pending || !journal_holds(e))
        return false;
    if (d->beat_stopped && (e->proof.phase == PROOF_NONE || e->proof.device != device))
        return false;
    return !opening_unconfirmed(e, device);
}

void renewal_run(struct engine *e)
{
    const struct bench_limits *l = &e->bench.limits;
    for (int i = 0; i < e->bench.device_count; i++) {
        struct device_state *d = &e->devices[i];
        if (!may_renew(e, i))
            continue;
        if (d->lease_expired && !d->beat_stopped) {
            d->lease_expired = false;
            d->lease_until_ns = LONG_AGO_NS;
            (void)emit_command(e, COMMAND_BEAT_START, -1, i);
        }
        int64_t until = e->step_ns + l->lease_ns;
        if (until - d->lease_until_ns < l->lease_ns / 4)
            continue;
        d->lease_until_ns = until;
        emit_command(e, COMMAND_LEASE, -1, i)->until_ns = until;
    }
}

int64_t renewal_next_ns(const struct engine *e)
{
    int64_t next = NEVER_NS;
    for (int i = 0; i < e->bench.device_count; i++) {
        if (!may_renew(e, i))
            continue;
        /* The moment at which a renewal moves the lease by a quarter of its length. */
        int64_t at = e->devices[i].lease_until_ns - e->bench.limits.lease_ns + e->bench.limits.lease_ns / 4;
        if (at < next)
            next = at;
    }
    return next;
}

void renewal_ack(struct engine *e, const struct input_ack *ack)
{
    if (ack->device < 0 || ack->device >= e->bench.device_count)
        return;
    struct device_state *d = &e->devices[ack->device];
    if (ack->kind == ACK_DROPPED || (ack->kind == ACK_DONE && ack->command == 0))
        d->drop_pending = false;
    if (ack->kind != ACK_LEASE_EXPIRED)
        return;
    d->lease_expired = true;
    d->drop_pending = false;
    for (int ch = 0; ch < e->bench.channel_count; ch++) {
        struct channel *c = &e->channels[ch];
        if (e->bench.channels[ch].load.device == ack->device && c->load.phase != LOAD_OPEN &&
            c->asked == INTERLOCK_NONE) {
            c->asked = INTERLOCK_LINK;
            (void)text_copy(c->asked_text, sizeof c->asked_text,
                            "the lease of the load controller ran out: it was dropped");
        }
    }
}
