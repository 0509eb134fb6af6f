/* What the engine has to say, as one flat record: the journal keeps it, the store receives it, people read it.
 * Enumerators are codes that stores carry: append only, never renumber. */
#ifndef EVENT_H
#define EVENT_H

#include <stdint.h>

#include "capacity.h"
#include "codec.h"
#include "verdict.h"

enum event_kind {
    EVENT_NOTE = 1,        /* text */
    EVENT_STATE,           /* code: new channel_state, code2: old */
    EVENT_RUN_START,       /* code: procedure */
    EVENT_RUN_END,         /* code: verdict_kind */
    EVENT_INTENT,          /* about to close: code: mask */
    EVENT_STEPS,           /* feedback agrees: code: mask; values: ohm expected */
    EVENT_CYCLE_BEGIN,     /* code: cycle number from 1 */
    EVENT_CYCLE,           /* code: number, code2: 1 valid 0 void; values: EVENT_CYCLE_VALUES */
    EVENT_SHUTOFF,         /* code: cause, code2: second candidate; values: on-load s, confidence 0..1 */
    EVENT_SHUTOFF_REVISED, /* as EVENT_SHUTOFF; values[2]: id of the revised event */
    EVENT_RESET_SEEN,      /* values: seconds from shutoff, half-width s */
    EVENT_OUTPUT_REDUCED,  /* values: A before, A now */
    EVENT_NEVER_REACHED,   /* values: A reached, A rated */
    EVENT_METER_DOUBT,     /* code: signal index */
    EVENT_INTERLOCK,       /* code: interlock */
    EVENT_INTERLOCK_RESET, /* code: interlock; text: reason, who */
    EVENT_LINK,            /* code: 1 up 0 lost; code2: device */
    EVENT_SIGNAL,          /* code: 1 valid again, 0 lost; code2: signal index */
    EVENT_GAP,             /* values: readings or inputs lost */
    EVENT_WATCHDOG_PROVED, /* code2: device; values: s from the last beat to open */
    EVENT_RULE,            /* code: rule index; code2: action */
    EVENT_EQUILIBRIUM,     /* values: drift K/h, its upper bound */
    EVENT_FINDING,         /* on the installation: text */
    EVENT_VERDICT,         /* code: verdict_kind, code2: basis */
    EVENT_ELEMENT_FAULT,   /* values: ohm expected, ohm measured */
    EVENT_SUPPLY_TRIP,     /* second means used */
    EVENT_ALARM,           /* somebody must come: text */
    EVENT_CLOCK,           /* code: 1 step, 2 suspend; values: s */
    EVENT_TRIM,            /* code: new mask, code2: old; values: ohm wanted, ohm set, U2 */
    EVENT_ADVICE,          /* for the operator, in words */
    EVENT_PREFLIGHT,       /* code: 0 pass 1 warn 2 refuse; text: name and reason */
    EVENT_UNIT_LIVE,       /* output present seen: values: U0 */
    EVENT_ESTIMATE,        /* code: job_status; code2: 1 "at least"; values: EVENT_ESTIMATE_VALUES */
    EVENT_SURVEY_POINT,    /* code: number from 1, code2: survey_outcome; values: SURVEY_... */
    EVENT_QUEUE,           /* code: queue_happening; run_no: of the entry; of an old session's queue values: how many */
    EVENT_STRIKE,          /* code: attempt from 1, code2: strike_outcome; values: STRIKE_... */
    EVENT_KIND_COUNT_
};

enum { EVENT_VALUES_MAX = 8 };

/* EVENT_CYCLE's values. */
enum {
    CYCLE_COMMANDED_S,
    CYCLE_CONDUCTING_S,
    CYCLE_AT_RATED_S,
    CYCLE_IN_BAND_S,
    CYCLE_CURRENT_A,
    CYCLE_LOAD_V,
    CYCLE_SUPPLY_V,
    CYCLE_INTAKE_DEGC
};

/* What became of an entry of the queue. All but the first two say that it is not run, and why. */
enum queue_happening {
    QUEUE_ADDED = 1,
    QUEUE_BEGUN,
    QUEUE_SKIPPED,
    QUEUE_DROPPED,
    QUEUE_CLOSED,
    QUEUE_HAPPENING_COUNT_
};

/* What a survey found at one current. */
enum survey_outcome {
    SURVEY_OWN,         /* the unit's own percent-on, with its interval */
    SURVEY_AT_LEAST,    /* no cut-out within the cap: bounded from below only, if at all */
    SURVEY_NOT_SETTLED, /* its cut-outs had not settled: no figure */
    SURVEY_OUTCOME_COUNT_
};

/* How an attempt to strike came out. */
enum strike_outcome {
    STRIKE_STARTED = 1,
    STRIKE_NOT_STARTED, /* the whole sequence, and the current did not come */
    STRIKE_BROKEN_OFF,  /* not carried through; the text says why */
    STRIKE_OUTCOME_COUNT_
};

/* EVENT_STRIKE's values. */
enum {
    STRIKE_LOW_A,  /* current at the low resistance; NAN: none read, or no such moment */
    STRIKE_HIGH_V, /* highest voltage at the high one; NAN likewise */
    STRIKE_END_A,  /* current at the end of the attempt */
    STRIKE_LASTED_S
};

/* EVENT_SURVEY_POINT's values. */
enum {
    SURVEY_CURRENT_A, /* mean, as measured */
    SURVEY_PERCENT_ON,
    SURVEY_LOW, /* interval at 95 %; of SURVEY_AT_LEAST only the low end */
    SURVEY_HIGH,
    SURVEY_LAW,  /* percent-on that the square law gives from the rating point */
    SURVEY_ON_S, /* mean on-load part until the cut-out; of SURVEY_AT_LEAST the whole part */
    SURVEY_RESET_S,
    SURVEY_INTAKE_DEGC
};

struct event {
    uint64_t id;  /* counts up within an epoch from 1 */
    uint64_t seq; /* input that brought it about */
    enum event_kind kind;
    int32_t channel; /* -1: the bench */
    int64_t run_no;  /* 0: none */
    int64_t seen_ns; /* when the engine knew */
    int64_t at_ns;   /* when it happened, by the evidence */
    int64_t half_width_ns;
    int32_t code, code2;
    int32_t value_count;
    double values[EVENT_VALUES_MAX];
    char text[TEXT_CAP];
};

const char *event_kind_name(enum event_kind kind);
const char *queue_happening_name(enum queue_happening what);
const char *survey_outcome_name(enum survey_outcome outcome);
const char *strike_outcome_name(enum strike_outcome outcome);

/* Must it be on disk before anyone acts on it? True for all but notes and trims. */
int event_is_urgent(enum event_kind kind);

void put_event(struct writer *w, const struct event *e);
void get_event(struct reader *r, struct event *e);

#endif
