#include "journal_types.h"

static const char *const feed_names[FEED_COUNT_] = {"readings", "events", "verdicts"};
static const char *const role_names[BLOB_ROLE_COUNT_] = {"bench", "config", "map", "unit-file", "attachment"};
static const char *const notice_names[NOTICE_STATE_COUNT_] = {"pending", "delivered", "failed"};

const char *feed_name(enum feed feed)
{
    return (unsigned)feed < FEED_COUNT_ ? feed_names[feed] : "?";
}

const char *blob_role_name(enum blob_role role)
{
    return (unsigned)role < BLOB_ROLE_COUNT_ ? role_names[role] : "?";
}

const char *addendum_kind_name(enum addendum_kind kind)
{
    return kind == ADDENDUM_REMARK       ? "remark"
           : kind == ADDENDUM_FILE       ? "file"
           : kind == ADDENDUM_CORRECTION ? "correction"
                                         : "?";
}

const char *removal_cause_name(enum removal_cause cause)
{
    return cause == REMOVAL_AGE ? "age" : cause == REMOVAL_SIZE ? "size" : "?";
}

const char *notice_state_name(enum notice_state state)
{
    return (unsigned)state < NOTICE_STATE_COUNT_ ? notice_names[state] : "?";
}

int64_t session_utc_ns(const struct journal_session *s, int64_t stamp_ns)
{
    return s->anchor_utc_ns + (stamp_ns - s->anchor_ns);
}
