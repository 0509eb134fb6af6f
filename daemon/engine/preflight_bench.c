/* Preflight: is the bench itself in order? */
#include "error.h"
#include "interlock.h"
#include "load.h"
#include "preflight_lines.h"
#include "renewal.h"
#include "track.h"
#include "watchdog.h"

static const char *store_words(enum store_stand worst)
{
    switch (worst) {
    case STORE_STAND_LEFT_OUT:
        return "could not be set up, see the daemon's log";
    case STORE_STAND_SELF_TEST_FAILED:
        return "failed its self-test: what was sent did not come back as sent";
    case STORE_STAND_REFUSED:
        return "refuses what it is sent: password, database or a limit of its own";
    case STORE_STAND_UNREACHABLE:
        return "does not take anything at present";
    case STORE_STAND_SET_ASIDE:
        return "rejected lines for good, which were set aside";
    case STORE_STAND_STARTING:
        return "is reached, its self-test is not done";
    case STORE_STAND_GOOD:
    case STORE_STAND_COUNT_:
        break;
    }
    return "takes what is recorded";
}

/* What a store does not take waits in the journal, so its trouble is no danger to a run; but somebody wants the curves
 * in the morning, and a backlog that fills the disk ends the runs. */
enum preflight_result preflight_store(const struct ask *a)
{
    const struct run_stores *s = &a->rq->stores;
    if (s->count <= 0)
        return PREFLIGHT_NOT_ASKED;
    (void)text_format(a->text, REASON_CAP, "%.47s %s", s->name, store_words(s->worst));
    if (s->rejected > 0)
        (void)text_append(a->text, REASON_CAP, "; %lld lines rejected", (long long)s->rejected);
    if (s->in_trouble > 1)
        (void)text_append(a->text, REASON_CAP, "; %d of %d stores in trouble", (int)s->in_trouble, (int)s->count);
    if (s->waiting_rows > 0 && s->worst > STORE_STAND_SET_ASIDE)
        (void)text_append(a->text, REASON_CAP, "; %lld rows wait in the journal", (long long)s->waiting_rows);
    if (s->backlog_near_cap) {
        (void)text_append(a->text, REASON_CAP, "; the journal nears its limit with them");
        return a->rq->unattended ? PREFLIGHT_REFUSE : PREFLIGHT_WARN;
    }
    return s->worst > STORE_STAND_STARTING ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

/* A clock that runs behind what the record already holds: stamps, ages and due dates would all be wrong. */
enum preflight_result preflight_clock(const struct ask *a)
{
    int64_t latest_ns = a->e->channels[a->ch].last_load_utc_ns, now_ns = utc_of(a->e, a->e->step_ns);
    for (int d = 0; d < a->e->bench.device_count; d++)
        if (a->e->devices[d].proved_utc_ns > latest_ns)
            latest_ns = a->e->devices[d].proved_utc_ns;
    if (latest_ns > now_ns) {
        (void)text_format(a->text, REASON_CAP,
                          "the clock is %.0f s behind the record: set it and start the daemon again",
                          seconds_of(latest_ns - now_ns));
        return PREFLIGHT_REFUSE;
    }
    int64_t off_ns = a->e->record_off_ns;
    if (off_ns < time_of(a->e, TIME_CLOCK_OFF) && off_ns > -time_of(a->e, TIME_CLOCK_OFF))
        return preflight_say(a, PREFLIGHT_PASS, "not behind the record, and the record's time is the wall clock's");
    (void)text_format(a->text, REASON_CAP,
                      "the record's time is %+.0f s off the wall clock, which was set or slept since the daemon began: "
                      "start soakbenchd again",
                      -seconds_of(off_ns));
    return PREFLIGHT_WARN;
}

enum preflight_result preflight_record(const struct ask *a)
{
    if (a->e->space_low)
        return preflight_say(a, PREFLIGHT_REFUSE, "the disk is nearly full");
    if (!journal_lets_begin(a->e))
        return preflight_say(a, PREFLIGHT_REFUSE, "the record lags or has failed");
    return preflight_say(a, PREFLIGHT_PASS, "healthy");
}

enum preflight_result preflight_watchdog(const struct ask *a)
{
    int d = a->b->load.device;
    if (d < 0)
        return preflight_say(a, PREFLIGHT_REFUSE, "the channel has no load controller");
    if (!a->e->bench.devices[d].has_watchdog)
        return preflight_say(a, a->rq->unattended ? PREFLIGHT_REFUSE : PREFLIGHT_WARN,
                             "the load controller has no watchdog: attended runs only");
    if (!watchdog_is_proved(a->e, d))
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "the watchdog is not proved within a day and since the controller was powered up");
    (void)text_format(a->text, REASON_CAP, "proved, opened after %.2f s", seconds_of(a->e->devices[d].proved_took_ns));
    return PREFLIGHT_PASS;
}

enum preflight_result preflight_time_to_open(const struct ask *a)
{
    int64_t worst = load_open_limit_ns(a->e, a->ch);
    (void)text_format(a->text, REASON_CAP, "opens and is seen open within %.2f s", seconds_of(worst));
    return worst > time_of(a->e, TIME_OPEN_WARN) + slack_ns(a->e) ? PREFLIGHT_WARN : PREFLIGHT_PASS;
}

enum preflight_result preflight_bench_safe(const struct ask *a)
{
    char text[REASON_CAP];
    if (a->e->channels[a->ch].latched != INTERLOCK_NONE)
        return preflight_say(a, PREFLIGHT_REFUSE, "the channel is locked");
    if (a->e->proof.phase != PROOF_NONE && a->e->proof.device == a->b->load.device)
        return preflight_say(a, PREFLIGHT_REFUSE, "the watchdog is being proved");
    if (interlock_standing(a->e, a->ch, text, sizeof text) != INTERLOCK_NONE)
        return preflight_say(a, PREFLIGHT_REFUSE, text);
    return preflight_say(a, PREFLIGHT_PASS, "no interlock stands in the way");
}

/* A start from elsewhere needs somebody at the bench who turned the key; at the bench itself the person is the key. */
enum preflight_result preflight_key_switch(const struct ask *a)
{
    bool fitted = preflight_has(a, SIG_KEY_SWITCH);
    if (!fitted && !a->rq->from_page)
        return PREFLIGHT_NOT_ASKED;
    if (!fitted)
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "a start from a page needs a key switch at the bench: none is fitted");
    if (contact_is(a->e, a->ch, SIG_KEY_SWITCH, true))
        return preflight_say(a, PREFLIGHT_PASS, "on");
    return preflight_say(a, a->rq->from_page ? PREFLIGHT_REFUSE : PREFLIGHT_WARN, "the key at the bench is off");
}

enum preflight_result preflight_second_means(const struct ask *a)
{
    if (a->b->load.has_supply_trip)
        return preflight_say(a, PREFLIGHT_PASS, "the unit's supply can be tripped");
    return a->rq->unattended
               ? preflight_say(a, PREFLIGHT_REFUSE, "unattended needs a second means of opening: none on this channel")
               : preflight_say(a, PREFLIGHT_PASS, "none: attended only");
}
