/* Preflight: what a night with nobody at the bench needs. */
#include <math.h>

#include "error.h"
#include "preflight_lines.h"
#include "track.h"

/* A test message that a person acknowledged stands for the coming night. */
enum preflight_result preflight_unattended(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    if (!a->rq->night.allowed)
        return preflight_say(a, PREFLIGHT_REFUSE, "the configuration does not allow this bench to be left alone");
    if (a->rq->setting)
        return preflight_say(a, PREFLIGHT_WARN, "somebody has to dial the unit in first");
    return preflight_say(a, PREFLIGHT_PASS, "allowed by the configuration");
}

enum preflight_result preflight_detectors(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    if (!preflight_has(a, SIG_T_BANK) || !preflight_has(a, SIG_SMOKE))
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "unattended needs the bank's temperature and a smoke or heat detector");
    if (isnan(track_value(a->e, a->ch, SIG_T_BANK)) || !contact_is(a->e, a->ch, SIG_SMOKE, false))
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "the bank's temperature or the smoke detector is not read, or it alarms");
    return preflight_say(a, PREFLIGHT_PASS, "bank temperature and smoke detector are read");
}

enum preflight_result preflight_notification(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    int64_t at_s = a->rq->night.acknowledged_utc_s;
    int64_t age_s = utc_of(a->e, a->e->step_ns) / SECOND_NS - at_s;
    if (at_s <= 0 || age_s > time_of(a->e, TIME_MESSAGE_AGE) / SECOND_NS || age_s < -60)
        return preflight_say(a, PREFLIGHT_REFUSE,
                             "no test message was delivered and acknowledged today: send one and enter its code");
    (void)text_format(a->text, REASON_CAP, "test message acknowledged %lld min ago", (long long)(age_s / 60));
    return PREFLIGHT_PASS;
}

enum preflight_result preflight_outside(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    return a->rq->night.outside
               ? preflight_say(a, PREFLIGHT_PASS, "somebody outside hears when this computer falls silent")
               : preflight_say(a, PREFLIGHT_REFUSE,
                               "nobody outside would hear that this computer is dead: set up a heartbeat");
}

enum preflight_result preflight_standby_supply(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    return a->rq->night.ups ? preflight_say(a, PREFLIGHT_PASS, "stated for controllers and computer")
                            : preflight_say(a, PREFLIGHT_REFUSE,
                                            "no uninterruptible supply is stated for load controllers and computer");
}

enum preflight_result preflight_beacon(const struct ask *a)
{
    if (!a->rq->unattended)
        return PREFLIGHT_NOT_ASKED;
    return a->rq->night.beacon ? preflight_say(a, PREFLIGHT_PASS, "a light shows that the bench is live")
                               : preflight_say(a, PREFLIGHT_REFUSE, "no light shows that the bench is live");
}
