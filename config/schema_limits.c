/* Tables of limits and rules. */
#include <math.h>
#include <string.h>

#include "choices.h"
#include "raw.h"

static const struct field stale_fields[] = {
    {"safety", FIELD_DURATION, AT(struct raw_stale, ns[CLASS_SAFETY]), RANGE(0.2, 120), .fallback = "2 s",
     .help = "i2, u2, t_bank, fan_proof, estop, feedback and the like: the load opens after this."},
    {"judgement", FIELD_DURATION, AT(struct raw_stale, ns[CLASS_JUDGEMENT]), RANGE(0.5, 3600), .fallback = "30 s",
     .help = "u1, t_intake and the like: the cycle is void after this."},
    {"informative", FIELD_DURATION, AT(struct raw_stale, ns[CLASS_INFORMATIVE]), RANGE(0.5, 86400), .fallback = "5 min",
     .help = "All else: noted after this."},
};

static const struct object stale_object = {
    .title = "stale",
    .intro = "How long the loss of a signal is borne, by its class.",
    .size = sizeof(struct raw_stale),
    FIELDS(stale_fields),
};

static const struct field frozen_fields[] = {
    {"doubt", FIELD_DURATION, AT(struct raw_frozen, doubt_ns), RANGE(2, 3600), .fallback = "10 s",
     .help = "The same value for this long, and for many times the meter's refresh: meter-doubt."},
    {"open", FIELD_DURATION, AT(struct raw_frozen, open_ns), RANGE(2, 86400), .fallback = "30 s",
     .help = "... for this long: a safety signal opens the load."},
};

static void check_frozen(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_frozen *f = base;
    (void)node;
    if (f->open_ns < f->doubt_ns)
        at_problem(problems, &f->at, "open", PROBLEM_ERROR, "open comes before doubt",
                   "First tell, then open, such as 10 s and 30 s.");
}

static const struct object frozen_object = {
    .title = "frozen",
    .intro = "A meter that keeps saying the same number where it ought to move: its noise is gone, or the load was "
             "switched and it saw nothing.",
    .size = sizeof(struct raw_frozen),
    FIELDS(frozen_fields),
    .check = check_frozen,
};

#define SETTLE(word, process, note)                                                                                 \
    {                                                                                                               \
        (word), FIELD_DURATION, AT(struct raw_settle, ns[process]), RANGE(0, 60), .fallback = "3 s", .help = (note) \
    }

static const struct field settle_fields[] = {
    SETTLE("mma", PROCESS_MMA, "Hot start of manual metal arc."),
    SETTLE("tig", PROCESS_TIG, "Up-slope."),
    SETTLE("mig", PROCESS_MIG, "Run-in."),
    SETTLE("saw", PROCESS_SAW, "Submerged arc."),
    SETTLE("plasma-cut", PROCESS_PLASMA_CUT, "Plasma cutting."),
    SETTLE("plasma-weld", PROCESS_PLASMA_WELD, "Plasma welding."),
    SETTLE("plasma-gouge", PROCESS_PLASMA_GOUGE, "Plasma gouging."),
};

static const struct object settle_object = {
    .title = "settle",
    .intro = "Start transients by process: left out of the test-condition band, counted in the heat, reported.",
    .size = sizeof(struct raw_settle),
    FIELDS(settle_fields),
};

static const struct field no_load_fields[] = {
    {"dc_peak", FIELD_QUANTITY, AT(struct raw_no_load, dc_peak_v), .dim = DIM_VOLTAGE, RANGE(10, 1000),
     .fallback = "113 V", .help = "DC, peak."},
    {"ac_rms", FIELD_QUANTITY, AT(struct raw_no_load, ac_rms_v), .dim = DIM_VOLTAGE, RANGE(10, 1000),
     .fallback = "80 V", .help = "AC, r.m.s."},
    {"ac_rms_s_marked", FIELD_QUANTITY, AT(struct raw_no_load, ac_rms_s_v), .dim = DIM_VOLTAGE, RANGE(10, 1000),
     .fallback = "48 V", .help = "AC, r.m.s., of units marked S (increased hazard of electric shock)."},
    {"plasma", FIELD_QUANTITY, AT(struct raw_no_load, plasma_v), .dim = DIM_VOLTAGE, RANGE(10, 1000),
     .fallback = "500 V", .help = "Plasma cutting, peak."},
};

static const struct object no_load_object = {
    .title = "no_load",
    .intro = "Highest no-load voltages. From memory of IEC 60974-1, unverified: look at the edition that binds you.",
    .size = sizeof(struct raw_no_load),
    FIELDS(no_load_fields),
};

#define LIMIT_Q(word, member, dimension, low, high, ...)                                                    \
    {                                                                                                       \
        (word), FIELD_QUANTITY, AT(struct raw_limits, limits.member), .dim = (dimension), RANGE(low, high), \
                                                                      __VA_ARGS__                           \
    }
#define LIMIT_T(word, member, low, high, ...)                                                       \
    {                                                                                               \
        (word), FIELD_DURATION, AT(struct raw_limits, limits.member), RANGE(low, high), __VA_ARGS__ \
    }

static const struct field limits_fields[] = {
    LIMIT_Q("bank_temperature", t_bank_max_degc, DIM_TEMPERATURE, 20, 1200,
            .help = "t_bank above this opens the load."),
    LIMIT_Q("lead_temperature", t_lead_max_degc, DIM_TEMPERATURE, 20, 300, .help = "t_lead above this opens the load."),
    LIMIT_Q("over_power", over_power_pct, DIM_PERCENT, 50, 200,
            .help = "Power above this share of a step's or channel's rating opens the load."),
    LIMIT_Q("bank_power", bank_max_power_w, DIM_POWER, 0, 1e8, .flags = ZERO,
            .help = "All channels together, by bank, room and ventilation. Without it: no limit."),
    LIMIT_Q("bank_heat", bank_mean_power_w, DIM_POWER, 0, 1e8, .flags = ZERO,
            .help = "All channels together in the mean over a cycle: the heat that room and ventilation are rid of. "
                    "Without it: no limit."),
    LIMIT_Q("supply_void", u1_void_pct, DIM_PERCENT, 0.1, 50,
            .help = "Supply (of three phases, the one farthest off) further off the rating than this voids a cycle "
                    "(from memory of "
                    "IEC 60974-1, unverified)."),
    LIMIT_T("supply_void_after", u1_void_after_ns, 0.5, 600,
            .help = "Supply out of supply_void for this long at a stretch voids a cycle though its mean holds; the "
                    "start (settle) does not count. A brief sag at switch-on is no reason."),
    LIMIT_Q("supply_open", u1_open_pct, DIM_PERCENT, 1, 90,
            .help =
                "Supply (of three phases, the one farthest off) further off than this opens the load. Far wider than "
                "supply_void: ordinary sag must not latch."),
    LIMIT_T("on_load_cap", max_on_load_ns, 1, 864000, .help = "Longest on-load part of any cycle."),
    LIMIT_Q("band_high", band_high_pct, DIM_PERCENT, 0.1, 50,
            .help = "Test-condition band above the rated value (from memory of IEC 60974-1, unverified)."),
    LIMIT_Q("band_low", band_low_pct, DIM_PERCENT, 0.1, 50,
            .help = "Test-condition band below the rated value (from memory, unverified)."),
    LIMIT_Q("drift", drift_limit_k_per_h, DIM_TEMP_RATE, 0.01, 100,
            .help =
                "Equilibrium: the upper bound of the drift is at most this (from memory of IEC 60974-1, unverified)."),
    LIMIT_T("drift_window", drift_window_ns, 600, 86400,
            .help = "Equilibrium: over at least this time (from memory, unverified)."),
    LIMIT_Q("cold_within", cold_within_k, DIM_TEMP_DIFF, 0.1, 20,
            .help = "A unit counts as cold when its exhaust is within this of the intake air, fan on, and ..."),
    LIMIT_T("cold_rest", cold_rest_ns, 60, 864000, .help = "... it has carried no load for this long."),
    {"stale", FIELD_OBJECT, AT(struct raw_limits, stale), .object = &stale_object,
     .help = "Loss of a signal, by class."},
    {"frozen", FIELD_OBJECT, AT(struct raw_limits, frozen), .object = &frozen_object,
     .help = "Signals that stand still."},
    LIMIT_T("guard", guard_on_load_ns, 0, 60, .help = "On-load beyond the rated on-time, before a hold is accepted."),
    {"settle", FIELD_OBJECT, AT(struct raw_limits, settle), .object = &settle_object,
     .help = "Start transients, by process."},
    LIMIT_T("setting_cap", setting_cap_ns, 5, 600,
            .help = "Longest time on-load while the operator dials the unit in."),
    LIMIT_T("reset_wait", recover_cap_ns, 10, 86400, .help = "Longest wait for a reset after a shutoff."),
    LIMIT_T("fan_run_on", fan_run_on_ns, 0, 7200, .help = "The bank's fan runs on after every opening."),
    LIMIT_T("beat", beat_ns, 0.05, 10, .help = "Time between heartbeats to load controllers."),
    LIMIT_T(
        "lease", lease_ns, 0.1, 120,
        .help =
            "How long one renewal of the lease lasts; the load opens when it runs out. Above 30 s only on a virtual "
            "bench."),
    LIMIT_T("journal_warn", journal_warn_ns, 0.1, 600, .help = "Age of the oldest input that is not on disk: warn ..."),
    LIMIT_T("journal_refuse", journal_refuse_ns, 0.1, 600, .help = "... refuse new on-load ..."),
    LIMIT_T("journal_open", journal_open_ns, 0.1, 600, .help = "... open the load."),
    {"no_load", FIELD_OBJECT, AT(struct raw_limits, no_load), .object = &no_load_object,
     .help = "Highest no-load voltages."},
    {"times", FIELD_OBJECT, AT(struct raw_limits, times), .object = &times_object,
     .help = "What is waited for and borne, and how long."},
    {"levels", FIELD_OBJECT, AT(struct raw_limits, levels), .object = &levels_object, .help = "Where lines are drawn."},
    {"cutouts_per_night", FIELD_INT, AT(struct raw_limits, limits.cutouts_per_night), RANGE(0, 1000),
     .help = "After so many cut-outs a run without a person ends."},
    LIMIT_Q("altitude", altitude_m, DIM_ALTITUDE, -500, 6000,
            .help = "Of the bench. Above 1000 m the air cools less: a harsh condition."),
    LIMIT_Q("repeatability", repeatability_pct, DIM_PERCENT, 0, 50,
            .help = "Of the bench itself, found by testing one unit ten times; a unit counts as worse only beyond it."),
};

static void limits_defaults(void *base)
{
    struct raw_limits *l = base;
    bench_limits_default(&l->limits);
}

static void check_limits(void *base, const struct node *node, struct problems *problems)
{
    struct raw_limits *raw = base;
    struct bench_limits *l = &raw->limits;
    (void)node;
    if (l->journal_warn_ns > l->journal_refuse_ns || l->journal_refuse_ns > l->journal_open_ns)
        at_problem(problems, &raw->at, "journal_refuse", PROBLEM_ERROR,
                   "journal_warn, journal_refuse and journal_open do not rise in this order",
                   "First warn, then refuse, then open, such as 1 s, 2 s, 5 s.");
    if (l->lease_ns < 2 * l->beat_ns)
        at_problem(problems, &raw->at, "lease", PROBLEM_ERROR, "the lease is shorter than two beats",
                   "Make it at least twice the beat, or a single late beat opens the load.");
    if (l->u1_open_pct <= l->u1_void_pct)
        at_problem(problems, &raw->at, "supply_open", PROBLEM_ERROR, "supply_open is not wider than supply_void",
                   "Ordinary sag voids a cycle; only far more may open the load, such as 5 % and 15 %.");
}

const struct object limits_object = {
    .title = "limits",
    .intro = "Limits of the interlocks and of the judgement. They come on top of the hard-wired protection and never "
             "replace it.",
    .size = sizeof(struct raw_limits),
    FIELDS(limits_fields),
    .defaults = limits_defaults,
    .check = check_limits,
};

static const struct field outside_fields[] = {
    {"low", FIELD_DEFERRED, AT(struct raw_outside, low), .flags = NEEDED, .help = "Lower end of the good range."},
    {"high", FIELD_DEFERRED, AT(struct raw_outside, high), .flags = NEEDED, .help = "Upper end."},
};

static const struct object outside_object = {
    .title = "outside",
    .intro = "A range that a signal should stay in.",
    .size = sizeof(struct raw_outside),
    FIELDS(outside_fields),
};

static const struct field rule_fields[] = {
    {"name", FIELD_TEXT, AT(struct raw_rule, name), .flags = NEEDED, .help = "What it is called in events."},
    {"signal", FIELD_NAME, AT(struct raw_rule, signal), .flags = NEEDED, .help = "Name of the signal."},
    {"above", FIELD_DEFERRED, AT(struct raw_rule, above), .help = "Acts when the signal is above this, in its unit."},
    {"below", FIELD_DEFERRED, AT(struct raw_rule, below), .help = "Acts when it is below this."},
    {"outside", FIELD_OBJECT, AT(struct raw_rule, outside), .flags = HIDDEN, .object = &outside_object,
     .help = "Acts when it is outside this range."},
    {"rising", FIELD_DEFERRED, AT(struct raw_rule, rising),
     .help = "Acts when a temperature rises faster than this, in K/h."},
    {"for", FIELD_DURATION, AT(struct raw_rule, for_ns), RANGE(0, 86400), .fallback = "0 s",
     .help = "For at least this long."},
    {"while", FIELD_CHOICE, AT(struct raw_rule, while_state), .flags = OPTIONAL, .choices = &choice_channel_states,
     .help = "Only in this state of the channel. Without it: always."},
    {"action", FIELD_CHOICE, AT(struct raw_rule, action), .flags = NEEDED, .choices = &choice_rule_actions,
     .help = "note: an event; flag: the run is marked; end: the run ends in good order; open: the load opens at once."},
    {"notify", FIELD_BOOL, AT(struct raw_rule, notify), .fallback = "false", .help = "Wake somebody."},
    {"channels", FIELD_WORDS, AT(struct raw_rule, channels), .max_items = WORDS_MAX,
     .help = "Channels that it holds for. Without it: all."},
};

static void check_rule(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_rule *r = base;
    int senses = (r->above[0] != '\0') + (r->below[0] != '\0') + (r->rising[0] != '\0') + (r->outside.at.node != NULL);
    if (senses != 1)
        node_problem(problems, node, PROBLEM_ERROR, "a rule needs exactly one of above, below, outside and rising",
                     "Write one rule for each limit.");
}

const struct object rule_object = {
    .title = "rules",
    .intro = "A limit of the shop's own.",
    .size = sizeof(struct raw_rule),
    FIELDS(rule_fields),
    .check = check_rule,
};
