#include "lease.h"

void lease_init(struct load_lease *lease)
{
    atomic_init(&lease->until_ns, 0);
    atomic_init(&lease->drop_asked, 0);
    atomic_init(&lease->drop_done, 0);
    atomic_init(&lease->beat_stopped, false);
    atomic_init(&lease->withdrawn, false);
    atomic_init(&lease->expired, false);
}

void lease_renew(struct load_lease *lease, int64_t until_ns)
{
    atomic_store(&lease->until_ns, until_ns);
}

void lease_withdraw(struct load_lease *lease)
{
    atomic_store(&lease->withdrawn, true);
}

void lease_drop(struct load_lease *lease)
{
    atomic_fetch_add(&lease->drop_asked, 1);
}

bool lease_drop_pending(const struct load_lease *lease)
{
    return atomic_load(&lease->drop_asked) != atomic_load(&lease->drop_done);
}

void lease_beat_stop(struct load_lease *lease)
{
    atomic_store(&lease->beat_stopped, true);
}

void lease_beat_start(struct load_lease *lease)
{
    /* A lease time from before the stop must not serve as the new one: dormant until the next renewal. */
    bool was_stopped = atomic_load(&lease->beat_stopped);
    bool was_over = atomic_load(&lease->expired) || atomic_load(&lease->withdrawn);
    if (was_stopped || was_over)
        atomic_store(&lease->until_ns, 0);
    atomic_store(&lease->expired, false);
    atomic_store(&lease->withdrawn, false);
    atomic_store(&lease->beat_stopped, false);
}

enum lease_state lease_state(const struct load_lease *lease, int64_t now_ns)
{
    int64_t until = atomic_load(&lease->until_ns);
    if (atomic_load(&lease->expired) || atomic_load(&lease->withdrawn))
        return LEASE_RUN_OUT;
    /* While the beat is stopped on request the controller's watchdog is what acts: a drop of ours would spoil its
     * proof. */
    if (atomic_load(&lease->beat_stopped))
        return LEASE_STOPPED;
    if (until == 0)
        return LEASE_DORMANT;
    return now_ns >= until ? LEASE_RUN_OUT : LEASE_RUNS;
}

void lease_mark_expired(struct load_lease *lease)
{
    atomic_store(&lease->expired, true);
}
