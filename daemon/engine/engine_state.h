/* State of the engine, for the files of this room only. Everything is sized when the engine is made; a step allocates
 * nothing. Times are nanoseconds of the bench clock. */
#ifndef ENGINE_STATE_H
#define ENGINE_STATE_H

#include "capability.h"
#include "capture_look.h"
#include "cycle.h"
#include "deviation.h"
#include "drift.h"
#include "engine.h"
#include "load_voltage.h"
#include "preflight_line.h"
#include "strike_plan.h"
#include "survey.h"
#include "worker_job.h"

#define SECOND_NS INT64_C(1000000000)
#define NEVER_NS INT64_MAX
#define LONG_AGO_NS (INT64_MIN / 4)

enum { TRACK_CAP = 256, REASON_CAP = 160 };

/* One reading as kept for looking back. */
struct sample {
    int64_t stamp_ns, half_ns;
    double value;
};

/* A signal: its latest state and its last good readings, in order of stamp. */
struct track {
    struct sample ring[TRACK_CAP]; /* good reading number n lies at n % TRACK_CAP */
    uint64_t count;                /* good readings ever */
    int64_t good_seen_ns;          /* arrival of the latest good one; LONG_AGO_NS: none */
    double value;                  /* latest good; NAN: none */
    enum quality quality;          /* of the latest reading, good or not */
    bool any;                      /* a reading of whatever quality came */
    bool lost;                     /* silent for longer than its class bears, and said so */
    bool in_use;                   /* the bench has this signal */
    /* the same value over and over; see frozen.h */
    uint64_t same_count;
    int64_t same_since_ns;
    bool same_judged, noisy, frozen_told;
    int64_t usual_ns, frozen_ns;
};

struct device_state {
    bool up;
    bool beat_stopped;  /* for good, until a person resets, or during a proof */
    bool lease_expired; /* the bus found the lease run out; needs BEAT_START */
    bool drop_pending;  /* a drop was asked for and is not confirmed */
    int64_t lease_until_ns;
    bool proved;
    int64_t proved_utc_ns, proved_took_ns;
    double proved_count, count; /* of its power-ups: when it was proved, and at the latest connection; NAN */
    int64_t up_ns, lost_ns;     /* when the link came and went */
};

struct bus_state {
    int64_t watermark_ns; /* stamp of the last transaction; LONG_AGO_NS: none */
};

struct circuit_state {
    double heat; /* share of the breaker's steady heat at rated current */
    int64_t at_ns;
};

enum load_phase {
    LOAD_OPEN,      /* confirmed, or never closed */
    LOAD_CLOSING,   /* steps asked for, not yet on the wire: the record's turn */
    LOAD_TRAVEL,    /* contactors on their way */
    LOAD_TRIGGER,   /* steps closed, torch switch asked for */
    LOAD_ON,        /* steps closed, and the torch switch held where there is one */
    LOAD_RELEASING, /* torch switch released, current has to stop before steps open */
    LOAD_OPENING    /* steps told to open */
};

struct load_state {
    enum load_phase phase;
    uint32_t mask;  /* commanded; 1: a settable load that is on */
    double setting; /* commanded, of a settable load: ohm or A */
    bool triggered; /* output is switched by the torch switch; else the contactors make and break the current */
    bool trigger_on;
    uint64_t steps_command, trigger_command, open_command;
    int64_t closing_ns, opening_ns; /* when asked for */
    int64_t since_ns;               /* when it was asked to close from being open; later changes leave it alone */
    bool changing;                  /* closed, and on its way to other steps or another setting */
    bool change_waits;              /* ... as soon as the current has stopped, to these: */
    uint32_t next_mask;
    double next_setting;
    int64_t commanded_on_ns; /* when the output was commanded on, by the wire */
    bool off_taken;          /* the figures know that it was commanded off */
    int escalation;          /* 0 no trouble, 1 dropped, 2 dropped again, 3 beat stopped and supply tripped */
    enum interlock fault;    /* NOT_CLOSED or NOT_OPENED, to be taken by the interlocks */
    char fault_text[REASON_CAP];
    int64_t stray_since_ns; /* current flows though every step says open; NEVER_NS: it does not */
    uint64_t others_live;   /* channels whose current flowed already when this one closed (cross-wiring) */
};

enum timer_id { TIMER_LOAD, TIMER_PHASE, TIMER_SHUTOFF, TIMER_PROBE, TIMER_FAN, TIMER_COUNT_ };

enum course {
    COURSE_NONE,
    COURSE_READY,     /* preflight: fans, signals and supply have to be there */
    COURSE_SETTING,   /* the operator dials the unit in */
    COURSE_SET_OPEN,  /* opening after setting */
    COURSE_STRIKE,    /* low and high resistance, before setting or an on-load part */
    COURSE_REST,      /* rest after setting, before the first cycle */
    COURSE_PART,      /* on-load part */
    COURSE_PART_OPEN, /* opening at its end */
    COURSE_DRAIN,     /* open; the last readings of the part are still on their way */
    COURSE_PAUSE,
    COURSE_CONFIRM,  /* current has gone: is it a shutoff? */
    COURSE_EVIDENCE, /* shutoff; load opened, evidence comes in */
    COURSE_RECOVER,  /* waiting for the reset */
    COURSE_AWAIT,    /* survey: the operator is to come and turn the unit to the next current */
    COURSE_BACK,     /* survey: rest, until the unit is back at the start of the first point */
    COURSE_ENDING    /* cut short; opening, then the run ends */
};

/* Mean of a slow signal over the on-load part, from its own readings in their own order. */
struct slow_mean {
    double sum;
    int64_t count;
    uint64_t taken; /* of the track */
};

/* A source of the supply out of its band at a stretch. */
struct supply_stretch {
    bool open;
    int64_t since_ns, until_ns; /* stamps of its first and latest reading out of the band */
    double sum;
    int64_t count;
};

struct figures {
    bool running; /* a cycle is being measured */
    struct cycle_setup setup;
    struct cycle cycle;
    struct slow_mean u1[3], intake; /* u1: of each source, see supply_seen.h */
    struct supply_stretch out[3];   /* of each source, now */
    struct supply_stretch longest;  /* of all in this cycle */
    enum signal_kind longest_where;
    bool is_void;
    char void_text[REASON_CAP];
    bool reduced_told, rated_seen;
    int64_t low_since_ns; /* current below rated, having been there; NEVER_NS: not */
};

struct cycle_result {
    int number;
    bool valid;
    struct cycle_figures figures;
    double supply_v;               /* mean over the phases */
    double supply_worst_v;         /* mean of the phase that is farthest off the rating */
    enum signal_kind supply_where; /* ... which that is */
    int64_t supply_out_ns;         /* longest time at a stretch out of the band; 0: never */
    double supply_out_v;           /* mean over it */
    enum signal_kind supply_out_where;
    double intake_degc;
    double commanded_s, pause_s;
    bool after_heavier; /* what went before was more on-load than the rating's own cycle */
    int64_t begin_ns, length_ns;
    enum run_outcome outcome;
    char void_text[REASON_CAP]; /* empty: it counts */
};

/* A shutoff: found, located, explained. */
struct shutoff {
    bool found;         /* explained and told */
    uint64_t event_id;  /* of the latest telling */
    int64_t suspect_ns; /* arrival of the reading that raised suspicion */
    struct edge at;
    int64_t opened_ns; /* when the bench opened the load for it; evidence ends here */
    double on_s;       /* conducting until then */
    struct bounded_time at_rated;
    enum shutoff_cause cause, second;
    double confidence;
    char evidence[TEXT_CAP];
    bool drew_nothing; /* the supply current went to nothing: something at the unit's mains side opened */
    bool reset_seen;
    double reset_s, reset_half_s;
    int cycle;
    double supply_v; /* before */
    bool probing;
    int64_t probe_ns, last_off_ns; /* latest look at which the output was still off */
};

enum ending {
    ENDING_NONE,
    ENDING_COMPLETE, /* all that was asked for was done */
    ENDING_SHUTOFF,  /* a shutoff decided or ended it */
    ENDING_NEVER_REACHED,
    ENDING_CUT_SHORT /* by operator, interlock, link, clock, journal */
};

/* Resistance of leads and connectors as seen in a run. */
struct lead_state_seen {
    int64_t next_ns;
    bool known, told;
    double first_ohm, ohm; /* at the first look and at the latest */
    int over;              /* looks in a row that were too high */
};

/* A survey under way; see survey_run.h. */
struct survey_state {
    struct rating_point plate; /* of the request: run.rq.point is the present current's */
    int point;                 /* index of the present current */
    int taken, mapped;         /* points told; those with a figure */
    bool at_bench;             /* the operator said so: setting may begin */
    int64_t ask_ns;            /* when the operator was asked for the present current */
    int64_t last_load_ns;      /* when the load opened last */
    int64_t rest_since_ns;     /* begin of the rest */
    double start_over_k;       /* exhaust (else case) over intake when the first point began; NAN: not seen */
    int part_count, attempts;
    struct survey_part parts[SURVEY_PARTS_MAX];
    double amps, intake; /* sums over the parts */
    int64_t next_rise_ns;
    char ended[REASON_CAP]; /* why it ended before all currents were taken */
};

/* What a run on an observed load needs besides. */
struct observed_state {
    int64_t renewed_ns; /* the books of the wait for current */
    int64_t end_ns;     /* of the last on-load part */
    bool begin_unseen;  /* current flowed when the record began */
    bool heavier;       /* see struct cycle_result */
    bool closed;        /* by the load's contact, where the record has it */
};

/* Where the cycles of a run come to lie among those of others; see placing.h. */
enum place {
    PLACE_NONE,   /* not asked for: shares nothing, or has not come to its first cycle */
    PLACE_WANTED, /* to be planned */
    PLACE_GIVEN,
    PLACE_WAITS /* no room */
};

struct run {
    bool active;
    bool queued; /* begun by the queue */
    enum place place;
    int64_t place_ns; /* PLACE_GIVEN: when the first cycle begins */
    int turn;         /* PLACE_WAITS: 1 is the first */
    struct run_request rq;
    struct survey_state survey;
    struct observed_state observed;
    struct load_point point;
    enum start_condition start; /* as found */
    int64_t begin_ns;
    int64_t cycle_ns, rated_on_ns, guard_ns;
    uint32_t mask;
    double setting;            /* of a settable load: ohm or A */
    double temperature_factor; /* of the elements, as measured */
    int cycle;                 /* number of the present one */
    int64_t cycle_begin_ns;
    int64_t part_cap_ns; /* longest on-load part commanded */
    int64_t pause_begin_ns;
    double setting_s;
    int cycles_valid, cycles_void;
    bool has_last, has_first_shutoff;
    struct cycle_result last;     /* last cycle, valid or not */
    struct cycle_result deciding; /* the one the verdict rests on */
    bool has_deciding;
    bool all_held;
    double longest_pause_s;
    struct shutoff first_shutoff; /* the first that told against the unit, or ended the run */
    struct cycle_result shutoff_cycle;
    struct drift_series drift_points;
    struct drift drift;
    bool drift_known, at_equilibrium;
    double reached_a;
    int cutouts;
    struct cutout_cycle cutout_cycles[CAPABILITY_MAX];
    int revision;
    char flags[TEXT_CAP]; /* what rules flagged */
    double u0_v;          /* learnt no-load voltage; NAN */
    bool live_told;
    bool meter_doubt;
    struct lead_state_seen lead;
    int tries;                       /* to begin an on-load part, s */
    enum shutoff_cause ending_cause; /* of a run that is being cut short */
    char ending_text[REASON_CAP];
    char never_text[REASON_CAP];
    struct heat_estimate estimate;
    uint64_t estimate_job;     /* fit under way; 0: none */
    int64_t estimate_span_ns;  /* of the record at the last asking */
    bool estimate_with_cutout; /* a cut-out was known then */
    double cutout_degc;        /* temperature at the first shutoff; NAN */
};

/* The strike at the begin of an on-load part; see strike.h. */
struct strike_state {
    struct strike_plan plan;
    enum course then; /* what follows it */
    int attempt;      /* from 1; 0: none in this run */
    int move;         /* of the plan */
    bool failed;      /* opening after an attempt that came to nothing */
    bool resting;     /* open, until the next attempt */
    int64_t began_ns;
    double low_a, high_v; /* seen; NAN: nothing was */
    double end_a, end_v;  /* at the end of an attempt that failed */
};

/* A buffer of fast samples; see capture.h. */
struct capture_state {
    bool armed, awaited;
    uint64_t command; /* the latest order */
    int64_t until_ns; /* awaited no longer */
    struct capture_look look;
};

/* A latched peak of the voltage in this on-load part; see peak.h. */
struct peak_state {
    uint64_t command;
    int64_t let_go_ns; /* by the latest write; LONG_AGO_NS: not yet */
    bool settled, low_seen, doubted;
    int64_t settled_ns;
};

/* The unit's remote control in a run; see remote.h. */
struct remote_state {
    bool used;           /* by this run */
    bool written;        /* and on the wire: the load may close */
    uint64_t command;    /* under way; 0: none */
    double correction_a; /* by what was measured */
    int tries;
    bool again;     /* opening, to be set anew */
    double spent_s; /* on-load in tries that did not hit */
};

struct rule_state {
    int64_t since_ns; /* condition holds since; NEVER_NS: it does not */
    bool told;
};

struct channel {
    enum channel_state state;
    bool rigged;
    char rigged_serial[NAME_CAP]; /* read from the unit's label when rigging was confirmed; empty: not read */
    bool needs_confirm;           /* was on load when the last session broke off */
    enum interlock latched;
    char latched_text[REASON_CAP];
    enum course course;
    int64_t timers[TIMER_COUNT_];
    struct load_state load;
    struct run run;
    struct figures figures;
    struct shutoff shutoff;
    struct strike_state strike;
    struct capture_state capture;
    struct peak_state peak;
    struct remote_state remote;
    enum verdict_kind verdict; /* of the last run, shown until released */
    enum shutoff_cause cause;
    int64_t run_no_shown;
    int64_t hold_since_ns[INTERLOCK_COUNT_]; /* condition seen since; NEVER_NS: not */
    enum interlock asked;                    /* to be latched in this step: rule, queue, clock, link */
    char asked_text[REASON_CAP];
    int64_t last_load_utc_ns;
    char last_load_serial[NAME_CAP]; /* unit that was on-load then; empty: not known, an earlier session */
    int cutouts_tonight;
    uint64_t end_request, reset_request; /* to be answered "done" when open is confirmed; 0 none */
    bool fan_on, supply_off;
    struct rule_state rules[RULES_MAX];
    int advised; /* A by which the operator was last told to change the unit */
    char doing[TEXT_CAP];
};

/* The plan of the channels' cycles that was asked for; see placing.h. */
struct stagger_state {
    uint64_t job;       /* 0: none under way */
    int64_t due_ns;     /* then the engine does without */
    int64_t zero_ns;    /* offsets of the plan count from here */
    int64_t again_ns;   /* those that wait are looked at again */
    uint64_t asked_key; /* what was under way at the last asking */
    bool any_waits;
};

/* What the lines of a preflight said: enum preflight_result of each. */
struct preflight_seen {
    uint8_t result[PREFLIGHT_LINE_COUNT_];
};

struct queue_entry {
    int channel;
    struct run_request rq;
    struct preflight_seen seen; /* when it was put on the list */
    int64_t asked_ns;           /* for the facts behind it; 0: not asked */
    bool fresh;                 /* they are those of now */
    char waiting[REASON_CAP];   /* for what */
};

struct run_queue {
    int count;
    struct queue_entry entries[QUEUE_MAX];
    int64_t look_ns; /* at the list next */
};

enum proof_phase { PROOF_NONE, PROOF_CLOSING, PROOF_BEATLESS, PROOF_OPENING };

/* Proof of a load controller's watchdog. */
struct proof {
    enum proof_phase phase;
    int device, channel;
    uint64_t request;
    uint64_t stop_command;
    bool stop_acked;
    int64_t last_beat_ns;
    int64_t closed_ns; /* latest stamp at which feedback was still closed */
    int64_t closed_half_ns;
    int64_t deadline_ns;
    bool passed;
    char text[TEXT_CAP];
};

struct evidence;

struct engine {
    struct bench bench;
    struct track *tracks;
    struct evidence *evidence;            /* of each channel's latest shutoff */
    int16_t (*rule_signal)[CHANNELS_MAX]; /* signal that a rule looks at on a channel, -1 none */
    struct engine_out *out;               /* of the step under way */
    bool booted;
    bool after_interruption;
    uint64_t epoch;
    int64_t boot_ns, boot_utc_ns;
    int64_t slept_ns;      /* the computer's sleep in this session, which bench time does not count */
    int64_t record_off_ns; /* wall clock less the UTC that the record gives to its stamps, by the latest anchor */
    uint64_t seq;
    int64_t now_ns;  /* time of the timer or input being taken */
    int64_t step_ns; /* seen_ns of the step */
    uint64_t events, commands;
    bool beacon_on;
    int64_t journal_age_ns, journal_at_ns;
    bool journal_failed, space_low;
    struct bus_state buses[BUSES_MAX];
    struct device_state devices[DEVICES_MAX];
    struct circuit_state circuits[CIRCUITS_MAX];
    struct channel channels[CHANNELS_MAX];
    struct proof proof;
    struct run_queue queue;
    struct stagger_state stagger;
    struct event scratch_event; /* where the output is full */
    struct command scratch_command;
};

/* The bench's and the engine's side of a channel. */
static inline struct channel *channel_of(struct engine *e, int ch)
{
    return &e->channels[ch];
}

static inline const struct bench_channel *bench_channel_of(const struct engine *e, int ch)
{
    return &e->bench.channels[ch];
}

/* For ages: how long ago something was, sleep included. */
static inline int64_t utc_of(const struct engine *e, int64_t ns)
{
    return e->boot_utc_ns + (ns - e->boot_ns) + e->slept_ns;
}

/* How long something is waited for or borne; where a line is drawn. By the configuration. */
static inline int64_t time_of(const struct engine *e, enum bench_time which)
{
    return e->bench.limits.time_ns[which];
}

static inline double level_of(const struct engine *e, enum bench_level which)
{
    return e->bench.limits.level[which];
}

static inline double seconds_of(int64_t ns)
{
    return (double)ns / 1e9;
}

#endif
