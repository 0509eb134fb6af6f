/* Procedures, states, causes, interlocks and verdicts: the words in which the bench speaks, each with the numeric code
 * that the store carries (the enumerator's value: append only, never renumber). */
#ifndef VERDICT_H
#define VERDICT_H

#include <stdbool.h>
#include <stdint.h>

#include "capacity.h"
#include "codec.h"

enum procedure {
    PROCEDURE_SCREEN,
    PROCEDURE_PROOF,
    PROCEDURE_SOAK,
    PROCEDURE_TO_CUTOUT,
    PROCEDURE_SURVEY,
    PROCEDURE_WATCHDOG, /* proof of the load controller's watchdog: not a run of a unit */
    PROCEDURE_COUNT_
};

enum channel_state {
    STATE_FREE,
    STATE_RIGGING,
    STATE_PREFLIGHT,
    STATE_SETTING,
    STATE_ON_LOAD,
    STATE_PAUSE,
    STATE_RECOVERING,
    STATE_LOCKED,
    STATE_DONE,
    STATE_COUNT_
};

enum shutoff_cause {
    CAUSE_NONE,
    CAUSE_THERMAL_CUTOUT,
    CAUSE_SUPPLY_LOST,
    CAUSE_SUPPLY_LOW,
    CAUSE_LOAD_PATH_OPEN,
    CAUSE_LOAD_PATH_SHORT,
    CAUSE_UNIT_PROTECTION,
    CAUSE_UNIT_FAULT,
    CAUSE_SWITCHED_OFF,
    CAUSE_ENGINE_STOPPED,
    CAUSE_BENCH_INTERLOCK,
    CAUSE_OPERATOR,
    CAUSE_LINK_LOST,
    CAUSE_UNKNOWN,
    CAUSE_COUNT_
};

enum interlock {
    INTERLOCK_NONE,
    INTERLOCK_BANK_HOT,
    INTERLOCK_LEAD_HOT,
    INTERLOCK_NO_FAN,
    INTERLOCK_ESTOP,
    INTERLOCK_SMOKE,
    INTERLOCK_SIGNAL_LOST, /* a safety signal stale or bad for longer than its class bears */
    INTERLOCK_NOT_CLOSED,  /* command without closed feedback */
    INTERLOCK_NOT_OPENED,  /* open command without open feedback, or current still flowing: supply trip */
    INTERLOCK_ELEMENT,     /* u/i does not fit the closed steps */
    INTERLOCK_NO_LOAD_VOLTAGE,
    INTERLOCK_OVER_POWER,
    INTERLOCK_MAX_ON_LOAD,
    INTERLOCK_SUPPLY,   /* supply far out of band */
    INTERLOCK_JOURNAL,  /* record not healthy */
    INTERLOCK_WATCHDOG, /* watchdog not proved */
    INTERLOCK_CROSS_WIRED,
    INTERLOCK_LINK,     /* load controller lost */
    INTERLOCK_ISOLATED, /* isolator opened while not free */
    INTERLOCK_QUEUE,    /* inputs were lost inside the daemon */
    INTERLOCK_RULE,     /* a rule from the configuration with action open */
    INTERLOCK_CLOCK,    /* suspend or reboot seen */
    INTERLOCK_COUNT_
};

enum verdict_kind { VERDICT_NONE, VERDICT_MET, VERDICT_NOT_MET, VERDICT_UNDECIDED, VERDICT_HELD, VERDICT_COUNT_ };

enum basis {
    BASIS_COLD_CYCLE,
    BASIS_EQUILIBRIUM,
    BASIS_EQUILIBRIUM_40,
    BASIS_WARM_CYCLE,
    BASIS_NONE,
    BASIS_ANY_CYCLE, /* of a record from elsewhere whose start nobody knows */
    BASIS_COUNT_
};

/* Deviations from the plate's own conditions, as bits. Kind ones never support a pass, harsh ones never a fail. */
enum deviation {
    KIND_COLD_START = 1 << 0,
    KIND_COOL_INTAKE = 1 << 1,
    KIND_I2_LOW = 1 << 2,
    KIND_U2_LOW = 1 << 3,
    KIND_LONG_PAUSE = 1 << 4,
    HARSH_I2_HIGH = 1 << 8,
    HARSH_U2_HIGH = 1 << 9,
    HARSH_HOT_INTAKE = 1 << 10,
    HARSH_ALTITUDE = 1 << 11,
    HARSH_SUPPLY = 1 << 12,
    HARSH_HEAVY_CYCLE = 1 << 13 /* more on-load than rated in an earlier cycle of a record from elsewhere */
};

/* The judgement of one run. A figure that was not seen is NAN. */
struct verdict {
    int64_t run_no;
    int32_t revision;      /* 1 for the first; a later one supersedes */
    int32_t rules_version; /* of the rules of judgement */
    int32_t channel;
    enum procedure procedure;
    enum verdict_kind kind;
    enum basis basis;
    enum shutoff_cause cause;        /* of the shutoff that decided, CAUSE_NONE when none */
    enum shutoff_cause cause_second; /* the other candidate, CAUSE_NONE when the cause is sure */
    uint32_t deviations;
    int32_t cycles_valid, cycles_void;
    double rated_percent_on;
    double rated_on_s;  /* rated on-time in a cycle */
    double commanded_s; /* the four times of the deciding cycle */
    double conducting_s;
    double at_rated_s;
    double in_band_s;
    double percent_on_demanded; /* in the deciding cycle */
    double percent_on_delivered;
    double shutoff_s; /* from the begin of the on-load part; NAN: none */
    double shutoff_half_width_s;
    double reset_s;            /* time to reset; NAN: not seen */
    double own_percent_on;     /* unit's own capability from settled cut-out and reset; NAN */
    double time_uncertainty_s; /* expanded, k = 2 */
    double current_a, load_voltage_v, supply_v, intake_degc; /* means over the deciding on-load part */
    double drift_k_per_h;                                    /* upper confidence bound at the end; NAN */
    char reason[TEXT_CAP];                                   /* a sentence */
    char finding[TEXT_CAP];                                  /* on the installation; empty: none */
};

const char *procedure_name(enum procedure p);
/* For papers and exports: a laboratory's soak is rest at a temperature without load. */
const char *procedure_words(enum procedure procedure);
const char *channel_state_name(enum channel_state s);
const char *shutoff_cause_name(enum shutoff_cause c);
const char *interlock_name(enum interlock i);
const char *verdict_kind_name(enum verdict_kind v);
const char *basis_name(enum basis b);

int procedure_parse(const char *text, enum procedure *p);
int channel_state_parse(const char *text, enum channel_state *s);

/* True for causes that lie outside the unit: supply, load path, bench, operator, link. */
bool cause_is_outside_unit(enum shutoff_cause c);

void put_verdict(struct writer *w, const struct verdict *v);
void get_verdict(struct reader *r, struct verdict *v);

#endif
