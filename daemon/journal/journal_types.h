/* The rows of the journal as plain structures, for the one writer (journal.h) and for its readers (journal_read.h).
 * Stamps with _ns are the daemon's bench clock, as in inputs and events; the journal turns them into UTC by the anchor
 * of their session, never by the wall clock at writing. utc_us is UTC in microseconds, store_ms the whole millisecond
 * that every store receives: assigned once when the row is journaled, unique and rising within its series. */
#ifndef JOURNAL_TYPES_H
#define JOURNAL_TYPES_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "capacity.h"
#include "digest.h"
#include "event.h"
#include "input.h"
#include "rating.h"
#include "signals.h"
#include "verdict.h"

/* Version of the tables and views; docs/journal.md describes it. */
enum { JOURNAL_SCHEMA_VERSION = 4 };

/* What a blob is kept for. */
enum blob_role { BLOB_BENCH, BLOB_CONFIG, BLOB_MAP, BLOB_UNIT_FILE, BLOB_ATTACHMENT, BLOB_ROLE_COUNT_ };

/* One start of the daemon. Epochs count up from 1 over the journal's life. */
struct journal_session {
    uint64_t epoch;
    char boot_id[NAME_CAP]; /* of the operating system's boot */
    char engine_version[NAME_CAP];
    char program_version[NAME_CAP];
    int64_t anchor_ns;     /* bench clock ... */
    int64_t anchor_utc_ns; /* ... and UTC at the same moment */
    int64_t boottime_ns;   /* clock that counts suspends, at the same moment */
    double rate;           /* of the bench clock: 1 real */
    bool virtual_clock;
    bool ended_clean;    /* read only: set by journal_end_session */
    int64_t end_utc_us;  /* read only: 0 while it runs or when it was cut off */
    struct digest bench; /* read only: blob of the bench's canonical encoding */
};

/* One channel's share of one transaction's readings. */
struct journal_reading {
    int32_t channel; /* -1: signals of the bench */
    int64_t run_no;  /* 0: none */
    uint64_t seq;    /* input that carried it */
    int64_t stamp_ns;
    int64_t half_width_ns;
    double values[SIG_KIND_COUNT_]; /* by signal_kind; NAN where absent or not good. SIG_OTHER is not kept here */
    uint32_t lost;                  /* bit k: kind k was due in this row and has no good value */
    /* read only, filled by the journal */
    int64_t row;
    uint64_t epoch;
    int64_t utc_us, store_ms, half_width_us;
    uint32_t back; /* bit k: kind k is good in this row after a loss, or for the first time in this session */
};

/* An event as journaled. */
struct journal_event {
    int64_t row;
    uint64_t epoch;
    int64_t utc_us;      /* of at_ns */
    int64_t seen_utc_us; /* of seen_ns */
    int64_t store_ms;
    char channel[NAME_CAP]; /* name; empty: the bench */
    char serial[NAME_CAP];  /* unit of the run; empty: none */
    struct event event;
};

struct journal_verdict {
    int64_t row;
    uint64_t epoch;
    uint64_t seq;
    int64_t utc_us, store_ms;
    char channel[NAME_CAP];
    char serial[NAME_CAP];
    struct digest run_digest; /* head of the run's chain when it was judged */
    struct verdict verdict;
};

struct journal_run {
    int64_t run_no;
    uint64_t epoch;
    uint64_t start_seq; /* the operator's input that started it */
    int32_t channel;
    char channel_name[NAME_CAP];
    struct run_request request;
    int64_t start_ns, end_ns;         /* bench clock; end_ns is 0 while it runs */
    int64_t start_utc_us, end_utc_us; /* end 0 while it runs */
    uint64_t end_seq;                 /* last input that belongs to it; 0 while it runs */
    bool interrupted;                 /* cut off by the end of its session */
    bool judged;
    struct verdict verdict; /* latest revision, if judged */
};

struct journal_unit {
    char
        name[NAME_CAP]; /* that it has on record: its serial number, or SERIAL/MAKER where another maker's has it too */
    struct unit_plate plate;
    int32_t version; /* counts up from 1 with each change of the plate */
    int64_t utc_s;   /* when this version was entered */
};

/* A safety inspection and test on file for a unit. */
struct journal_inspection {
    char serial[NAME_CAP];
    char kind[NAME_CAP]; /* in the yard's own words */
    char who[NAME_CAP];
    char reference[NAME_CAP];      /* number of the test sheet */
    int64_t done_utc_s, due_utc_s; /* due 0: not stated */
    bool passed;
    char note[TEXT_CAP];
};

/* Where a unit goes after its check, and until when. */
struct journal_disposition {
    char serial[NAME_CAP];
    char to[NAME_CAP]; /* hire, service, quarantine */
    char who[NAME_CAP];
    int64_t utc_s;
    int64_t next_due_utc_s; /* 0: not stated */
    int64_t run_no;         /* run it rests on; 0: none */
    char note[TEXT_CAP];
};

enum addendum_kind { ADDENDUM_REMARK = 1, ADDENDUM_FILE, ADDENDUM_CORRECTION };

enum { ATTACHMENT_MAX_BYTES = 8 * 1024 * 1024, ATTACHMENT_NAME_CAP = 128 };

/* What is added to a run's record later: a remark, a file (photo, test sheet), or the correction of a meter by which
 * the run was judged again. */
struct journal_addendum {
    int64_t id; /* read only; counts up over all runs */
    int64_t run_no;
    int64_t utc_s;
    enum addendum_kind kind;
    char who[NAME_CAP];
    char name[ATTACHMENT_NAME_CAP]; /* of the file, or the correction in words; empty for a remark */
    char note[TEXT_CAP];
    int32_t revision;     /* correction: of the verdict that it gave; else 0 */
    int64_t size;         /* read only: of the file */
    struct digest digest; /* read only: of the file; zeros: none */
};

/* The run that a unit is compared with from now on. */
struct journal_baseline {
    char serial[NAME_CAP];
    int64_t run_no;
    char who[NAME_CAP];
    int64_t utc_s;
};

enum removal_cause { REMOVAL_AGE = 1, REMOVAL_SIZE };
enum removal_what { REMOVAL_READINGS = 1, REMOVAL_INPUTS };

/* The tombstone of what retention took out of the record in one step. */
struct journal_removal {
    int64_t id;
    int64_t utc_s; /* when */
    enum removal_cause cause;
    enum removal_what what;
    uint64_t epoch;                 /* session */
    int64_t first, last;            /* rows of readings, or inputs by their number */
    int64_t count;                  /* that were taken out */
    int64_t min_utc_us, max_utc_us; /* of what was taken out */
    int64_t first_batch, last_batch;
    struct digest parts;   /* over the digests that stand for what is gone */
    struct digest seconds; /* over the summaries that stay of these readings; zeros for inputs */
};

/* The three feeds that a store follows, each by its table's ever-rising row number. */
enum feed { FEED_READINGS, FEED_EVENTS, FEED_VERDICTS, FEED_COUNT_ };

struct journal_cursor {
    char store[NAME_CAP];
    int64_t sent[FEED_COUNT_];    /* last row that the store acknowledged */
    int64_t settled[FEED_COUNT_]; /* last row held to be safe there */
};

/* A line that a store will never take, set aside with the store's words. */
struct journal_set_aside {
    int64_t id; /* read only */
    char store[NAME_CAP];
    enum feed feed;
    int64_t row;
    int64_t utc_ms;
    char answer[TEXT_CAP];
    char line[2048]; /* cut at this length */
};

/* What a bus (device empty) or a device on it did in a minute: counts of that minute, times of answered transactions.
 * NAN: there is no such figure. */
struct journal_line_minute {
    int64_t utc_s;  /* end of the minute, by the bench's clock */
    double seconds; /* real time that it spans */
    char bus[NAME_CAP], device[NAME_CAP];
    int64_t transactions, timeouts, bad_checksums, bad_answers, wrong_servers, exceptions, links_lost, not_sent;
    int64_t losses; /* of a device; of a bus: connections that could not be made */
    int64_t polls_missed;
    double p50_ms, p99_ms, longest_ms;
    double busy_pct; /* of the bus: time inside transactions */
    double line_pct; /* of a serial line: theoretical time of all frames and gaps */
};

enum { LINE_MINUTES_MAX = 24, LINE_MINUTES_KEPT = 100000 };

struct journal_line_minutes {
    int count;
    struct journal_line_minute rows[LINE_MINUTES_MAX];
};

enum notice_state { NOTICE_PENDING, NOTICE_DELIVERED, NOTICE_FAILED, NOTICE_STATE_COUNT_ };

/* A message to somebody, kept until it is delivered. */
struct journal_notice {
    int64_t id;      /* given by journal_put_notice */
    int32_t urgency; /* enum notify_urgency of command.h */
    int32_t channel; /* -1: the bench */
    int64_t run_no;
    int64_t made_utc_s;
    enum notice_state state;
    int32_t attempts;
    int64_t tried_utc_s;
    char target[PATH_CAP]; /* empty: every target */
    char text[TEXT_CAP];
    char answer[TEXT_CAP]; /* last failure in the words of the other side */
};

const char *feed_name(enum feed feed);
const char *blob_role_name(enum blob_role role);
const char *addendum_kind_name(enum addendum_kind kind);
const char *removal_cause_name(enum removal_cause cause);
const char *notice_state_name(enum notice_state state);

/* UTC of a bench-clock stamp by a session's anchor. */
int64_t session_utc_ns(const struct journal_session *s, int64_t stamp_ns);

#endif
