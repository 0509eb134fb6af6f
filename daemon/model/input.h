/* What the engine is fed: one total order of inputs, numbered (seq) and stamped (seen_ns) by the engine thread as it
 * takes them. The encoded inputs are the journal's input log; feeding the same log gives the same events to the bit.
 * Stamps are nanoseconds of the daemon's monotonic clock (real, scaled or virtual). */
#ifndef INPUT_H
#define INPUT_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"
#include "codec.h"
#include "power_up.h"
#include "rating.h"
#include "signals.h"
#include "verdict.h"

enum input_kind {
    INPUT_BOOT,     /* first input of an epoch */
    INPUT_TIME,     /* nothing but time went by */
    INPUT_READINGS, /* one transaction's readings; also moves the bus's watermark */
    INPUT_OPERATOR,
    INPUT_ACK,     /* a load device's bus thread: what became of a command */
    INPUT_LINK,    /* a device was lost, or is back with its identity checked and its load dropped */
    INPUT_JOURNAL, /* health of the record */
    INPUT_SYNCED,  /* events up to this number are durable */
    INPUT_ANCHOR,  /* clock anchor; steps and suspends show in it */
    INPUT_WORKER,  /* result of a fit or plan */
    INPUT_LOST,    /* inputs were lost in a full queue */
    INPUT_CAPTURE, /* a fast capture: armed, read, or why not */
    INPUT_KIND_COUNT_
};

/* What outlives an epoch: heat that is still in the breakers and units, latched interlocks, proofs of the watchdog. */
struct carry_channel {
    int64_t last_load_utc_ns; /* 0: none known */
    enum interlock latched;
    int cutouts_tonight;
};

struct carry_device {
    int64_t watchdog_proved_utc_ns; /* 0: never, or since a power-up */
    int64_t watchdog_took_ns;
    double power_up_count; /* of the device when it was proved; NAN: it does not count */
};

struct carry_circuit {
    double heat; /* of the breaker, as a share of its steady heat at rated current */
    int64_t at_utc_ns;
};

struct input_boot {
    char engine_version[NAME_CAP];
    uint64_t epoch;
    int64_t utc_ns;          /* UTC at seen_ns */
    bool after_interruption; /* the last session did not end cleanly */
    int32_t queue_waiting;   /* runs that waited in the queue when the last session ended */
    int channel_count, device_count, circuit_count;
    struct carry_channel channels[CHANNELS_MAX];
    struct carry_device devices[DEVICES_MAX];
    struct carry_circuit circuits[CIRCUITS_MAX];
};

struct reading {
    int32_t signal; /* index in bench.signals */
    enum quality quality;
    double value; /* base unit of the signal's dimension, correction applied; NAN unless good or out of range */
};

struct input_readings {
    int32_t bus;
    int32_t device;
    int64_t stamp_ns;      /* middle of the transaction */
    int64_t half_width_ns; /* half its length */
    int32_t count;         /* 0: only the watermark moves */
    struct reading items[BLOCK_ITEMS_MAX];
};

enum operator_verb {
    VERB_START,
    VERB_END,            /* end the channel's run; channel -1: all */
    VERB_RESET,          /* reset the latched interlock of a channel, with a reason */
    VERB_RIG,            /* take a free channel for rigging */
    VERB_RIGGED,         /* rigging confirmed at the bench */
    VERB_RELEASE,        /* done or rigging -> free */
    VERB_SET,            /* the unit is dialled in: leave `setting` */
    VERB_PROVE_WATCHDOG, /* device */
    VERB_NOTE,           /* evidence or remark: text */
    VERB_CONTINUE,       /* after an interruption: a person confirms */
    VERB_QUEUE,          /* a run that begins when its turn comes */
    VERB_UNQUEUE,        /* run.run_no, or all of the channel (-1: all) */
    VERB_FACTS, /* the daemon's: run.night and run.stores of the waiting run.run_no as they are now; run_no 0: the
                   safety test of run.serial, which was entered just now */
    VERB_COUNT_
};

enum start_condition { START_UNKNOWN, START_COLD, START_WARM, START_CONDITION_COUNT_ };

/* Whether a run begins its on-load parts by the channel's strike. */
enum strike_use { STRIKE_BY_UNIT, STRIKE_USED, STRIKE_LEFT_OUT, STRIKE_USE_COUNT_ };

/* What stands behind a run that nobody watches, besides what the bench itself shows. The daemon fills it in when a run
 * is ordered; a client cannot. */
struct run_night {
    bool allowed;               /* the configuration lets this bench be left alone */
    bool ups;                   /* controllers and computer have an uninterruptible supply: stated */
    bool beacon;                /* a light shows that the bench is live */
    bool outside;               /* somebody outside hears when this computer falls silent */
    int64_t acknowledged_utc_s; /* when a person entered the code of a delivered test message; 0: not in this session */
};

/* How a time-series store stands, from nothing to say to the worst. */
enum store_stand {
    STORE_STAND_GOOD,
    STORE_STAND_STARTING,         /* its self-test is not done */
    STORE_STAND_SET_ASIDE,        /* takes what it gets, but has rejected lines for good */
    STORE_STAND_UNREACHABLE,      /* no answer, or "later" */
    STORE_STAND_REFUSED,          /* wrong password, no such database: somebody must look */
    STORE_STAND_SELF_TEST_FAILED, /* what was sent did not come back as sent */
    STORE_STAND_LEFT_OUT,         /* could not be set up */
    STORE_STAND_COUNT_
};

/* The time-series stores as they stood when a run was ordered. The daemon fills it in; a client cannot. */
struct run_stores {
    int32_t count; /* of the configuration; 0: none */
    int32_t in_trouble;
    enum store_stand worst;
    char name[NAME_CAP];   /* of the one that stands worst */
    int64_t waiting_rows;  /* that the slowest has yet to take */
    int64_t rejected;      /* lines that a store will never take, in this session */
    bool backlog_near_cap; /* rows wait, and the journal nears its size or the disk its floor */
};

enum { CYCLES_ALL = 0x7fffffff }; /* of an observed load: as many as the record holds */

/* Everything that a run needs to know, so that a run can be judged again from the input log alone. */
struct run_request {
    int64_t run_no;
    char serial[NAME_CAP];
    int32_t plate_version;
    enum protection protection;
    bool s_marked;
    struct rating_point point;
    enum procedure procedure;
    int32_t cycles;                     /* proof: how many; 0: by the procedure; CYCLES_ALL */
    int64_t soak_ns;                    /* soak: at least this long; 0: no demand */
    bool to_equilibrium;                /* soak: until drift is within its limit */
    int64_t soak_cap_ns;                /* soak: give up then */
    bool go_on_after_cutout;            /* soak: wait for the reset and go on */
    int64_t cap_ns;                     /* to-cutout, survey: longest on-load part */
    int32_t repeats;                    /* to-cutout: how many cut-outs; survey: how many at each current */
    int32_t survey_count;               /* survey: how many currents ... */
    double survey_a[SURVEY_POINTS_MAX]; /* ... and which, in the order in which they are taken */
    int64_t survey_rest_ns;             /* survey: least rest between two currents; 0: by the bench */
    bool consent_past_rating;
    bool unattended;
    bool together; /* from the queue: beside other runs, as far as limits allow; else in turn */
    struct run_night night;
    struct run_stores stores;
    int64_t unit_last_load_utc_ns; /* of this unit, on whatever channel, by the journal; 0: none known. The daemon's */
    int32_t unit_cutouts; /* of this unit in the last twelve hours, on whatever channel, by the journal. The daemon's */
    bool from_page;       /* ordered from a page: the bench's key switch has to be on */
    bool setting;         /* begin with the state `setting` */
    bool heated_intake;   /* intake is held at the rated ambient */
    bool control_at_maximum;       /* confirmed by the operator */
    bool setup_confirmed;          /* set-up sheet confirmed */
    int64_t safety_test_utc_s;     /* of the latest, when it was passed; 0: none on file, or it failed */
    int64_t safety_test_due_utc_s; /* when the next one is due; 0: not stated */
    bool safety_test_failed;       /* the latest one */
    enum start_condition start;
    enum strike_use strike;
    char who[NAME_CAP];
    char accepts[TEXT_CAP];       /* names of accepted warnings, space between */
    double target_resistance_ohm; /* NAN: from the rating point */
    double baseline_u0_v;         /* the unit's own no-load voltage, if known; NAN */
    bool load_held; /* of an observed load: somebody states that no on-load part was ended by hand before its time */
};

struct input_operator {
    enum operator_verb verb;
    int32_t channel;  /* -1: all */
    int32_t device;   /* for VERB_PROVE_WATCHDOG */
    uint64_t request; /* number that the answer refers to */
    char who[NAME_CAP];
    char text[TEXT_CAP];
    struct run_request run; /* VERB_START, VERB_QUEUE, VERB_UNQUEUE, VERB_FACTS only */
};

enum ack_kind { ACK_DONE, ACK_FAILED, ACK_DROPPED, ACK_LEASE_EXPIRED, ACK_COUNT_ };

struct input_ack {
    int32_t device;
    uint64_t command; /* number of the command; 0 for a drop */
    enum ack_kind kind;
    int64_t stamp_ns; /* when it was on the wire */
};

struct input_link {
    int32_t device;
    bool up;       /* identity checked, drop confirmed on the wire */
    bool power_up; /* seen on the bus: the device restarted, its watchdog proof is void */
    enum power_up_kind tells;
    double power_up_value; /* its count, or its uptime in s; NAN: neither, or not read */
    char text[TEXT_CAP];
};

struct input_journal {
    int64_t oldest_unsynced_ns; /* age of the oldest input not yet on disk */
    bool space_low;
    bool failed;
};

struct input_synced {
    uint64_t event_id;
};

struct input_anchor {
    int64_t utc_ns, monotonic_ns, boottime_ns;
    bool suspended;             /* boottime ran ahead of monotonic */
    bool stepped;               /* UTC moved against monotonic */
    int64_t slept_ns, moved_ns; /* by how much, since the anchor before */
};

enum { WORKER_VALUES_MAX = CHANNELS_MAX + 8 };

struct input_worker {
    uint64_t job;
    int32_t channel;
    int32_t status;                   /* 0: result holds */
    double values[WORKER_VALUES_MAX]; /* NAN where there is none; of a channel's fit only the first 24 */
};

struct input_lost {
    int32_t bus; /* -1: not of a bus */
    uint64_t count;
};

enum capture_status {
    CAPTURE_ARMED,       /* the device waits for the event */
    CAPTURE_WHOLE,       /* values hold */
    CAPTURE_NOT_ARMED,   /* it was not waiting: disarmed, restarted, or it refused */
    CAPTURE_NOT_READY,   /* it waited for too long, or had seen no event */
    CAPTURE_OVERWRITTEN, /* another capture began while this one was read */
    CAPTURE_FROZEN,      /* the samples are those of the capture before */
    CAPTURE_BAD_LENGTH,  /* it is longer or shorter than it says, or than it may be */
    CAPTURE_UNREADABLE,  /* questions were not answered, or by what is no number */
    CAPTURE_LINK_LOST,
    CAPTURE_STATUS_COUNT_
};

/* Sample i of signal s is values[s * count + i], at first_ns + i * interval_ns; the whole row may be off by
 * half_width_ns, its samples against each other are not. The values are for the order of events: no correction is
 * applied. */
struct input_capture {
    int32_t bus, device, channel;
    uint64_t command; /* that asked for it */
    enum capture_status status;
    int64_t first_ns, half_width_ns, interval_ns;
    int32_t event; /* index of the first sample after the event as the device saw it */
    int32_t count; /* of each signal; 0 unless whole */
    bool has[CAPTURE_SIGNALS];
    char text[TEXT_CAP]; /* why it is not whole */
    double values[CAPTURE_VALUES_MAX];
};

struct input {
    uint64_t seq;
    int64_t seen_ns;
    enum input_kind kind;
    union {
        struct input_boot boot;
        struct input_readings readings;
        struct input_operator operator_;
        struct input_ack ack;
        struct input_link link;
        struct input_journal journal;
        struct input_synced synced;
        struct input_anchor anchor;
        struct input_worker worker;
        struct input_lost lost;
        struct input_capture capture;
    } u;
};

const char *input_kind_name(enum input_kind kind);
const char *operator_verb_name(enum operator_verb v);
const char *start_condition_name(enum start_condition s);
const char *strike_use_name(enum strike_use u);
const char *capture_status_name(enum capture_status s);

/* Values in use: count for each signal that is there. */
int capture_values(const struct input_capture *c);

/* Canonical encoding of one input (with seq, seen_ns and kind). get_input leaves r->bad set on nonsense. */
void put_input(struct writer *w, const struct input *in);
void get_input(struct reader *r, struct input *in);

#endif
