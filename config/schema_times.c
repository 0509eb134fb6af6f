/* Tables of the engine's times and levels: what it waits for, what it bears, where it draws its lines. */
#include "raw.h"

#define TIME(word, which, low, high, without, note)                                                       \
    {                                                                                                     \
        (word), FIELD_DURATION, AT(struct raw_times, ns[which]), RANGE(low, high), .fallback = (without), \
                                                                                   .help = (note)         \
    }
#define LEVEL(word, which, dimension, low, high, without, note)                                            \
    {                                                                                                      \
        (word), FIELD_QUANTITY, AT(struct raw_levels, value[which]), .dim = (dimension), RANGE(low, high), \
                                                                     .fallback = (without), .help = (note) \
    }

static const struct field times_fields[] = {
    TIME("record_wait", TIME_RECORD, 1, 600, "30 s",
         "A command to close waits so long for the record; then it is given up and the channel locks."),
    TIME("change_wait", TIME_CHANGE, 0.5, 60, "5 s",
         "The same for a change of steps while current flows (strike): then the load opens."),
    TIME("close_extra", TIME_CLOSE, 0.1, 30, "1 s",
         "Beyond travel and four polls, feedback has to show the commanded steps within this."),
    TIME("release_wait", TIME_RELEASE, 0.1, 30, "2 s",
         "After the torch switch is let go the current has to stop within this, else the contactors break it."),
    TIME("stray_current", TIME_STRAY, 0.1, 30, "2 s",
         "Current that flows so long though every step says open goes up the ladder of openings."),
    TIME("ready_wait", TIME_READY, 1, 3600, "30 s",
         "Fans, signals and supply have to be there within this at the begin of a run."),
    TIME("hindrance_wait", TIME_HINDRANCE, 1, 3600, "60 s",
         "What stands in the way of a later on-load part has to go within this."),
    TIME("identity_window", TIME_IDENTITY, 1, 120, "10 s",
         "Current that begins on another channel within this of a first load means crossed leads."),
    TIME("element_fault", TIME_ELEMENT, 0.5, 600, "3 s", "A load of the wrong resistance is borne so long."),
    TIME("supply_fault", TIME_SUPPLY, 0, 600, "1 s", "A supply further off than supply_open is borne so long."),
    TIME("current_begin", TIME_BEGIN, 1, 600, "10 s",
         "Current has to begin within this of the load, else never-reached."),
    TIME("rated_begin", TIME_RATED, 1, 600, "20 s",
         "The rated current has to be reached within this, the settle time and current_begin, else never-reached."),
    TIME("output_reduced", TIME_REDUCED, 0.5, 600, "5 s",
         "Current below levels: {output_reduced} for so long is told as output-reduced."),
    TIME("meter_doubt", TIME_METER_DOUBT, 0.5, 60, "2 s",
         "Voltage without current, or current without voltage, for so long puts a meter in doubt."),
    TIME("evidence", TIME_EVIDENCE, 0, 300, "20 s",
         "After a shutoff slow signals are waited for at most so long before it is explained."),
    TIME("probe_first", TIME_PROBE_FIRST, 1, 600, "5 s",
         "First look for the reset by a short hold of the torch switch, after a shutoff."),
    TIME("probe_every", TIME_PROBE_EVERY, 5, 3600, "30 s", "Time between such looks."),
    TIME("probe_hold", TIME_PROBE_HOLD, 0.2, 10, "1.5 s", "Length of such a hold."),
    TIME("proof_age", TIME_PROOF_AGE, 3600, 604800, "24 h", "A proof of a watchdog holds so long."),
    TIME("message_age", TIME_MESSAGE_AGE, 3600, 86400, "12 h",
         "An acknowledged test message holds so long, for runs that nobody watches."),
    TIME("night", TIME_NIGHT, 3600, 172800, "12 h", "cutouts_per_night counts over so long."),
    TIME("safety_test_age", TIME_SAFETY_TEST, 86400, 315360000, "8760 h",
         "An inspection and electrical safety test without a due date of its own holds so long."),
    TIME("survey_rest", TIME_SURVEY_REST, 60, 86400, "1 h",
         "Survey: least rest between two currents, where a temperature is read as well."),
    TIME("survey_wait", TIME_SURVEY_WAIT, 60, 86400, "4 h",
         "Survey: somebody has to come to set the unit within this."),
    TIME("cycle_tolerance", TIME_CYCLE, 1, 60, "12 s",
         "On-load part and pause may miss their length by this: 0.2 min of ten (from memory of IEC 60974-1, "
         "unverified)."),
    TIME("clock_off", TIME_CLOCK_OFF, 1, 3600, "60 s", "The record's time may be off the wall clock by this."),
    TIME("breaker_heat", TIME_BREAKER, 30, 7200, "600 s",
         "Time constant of a breaker's heat: minutes to tens of minutes, by size."),
    TIME("open_warn", TIME_OPEN_WARN, 0.1, 60, "3 s",
         "A load that opens and is seen open later than this in the worst case is warned of before a run."),
};

static void check_times(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_times *t = base;
    (void)node;
    if (t->ns[TIME_PROBE_HOLD] >= t->ns[TIME_PROBE_EVERY])
        at_problem(problems, &t->at, "probe_hold", PROBLEM_ERROR, "probe_hold is not shorter than probe_every",
                   "Hold the torch switch shortly: 1.5 s each 30 s.");
}

const struct object times_object = {
    .title = "times",
    .intro =
        "How long the engine waits for something, or bears it. Common practice, no published source, where none is "
        "named. Beside each, the meters' own lag is allowed for.",
    .size = sizeof(struct raw_times),
    FIELDS(times_fields),
    .check = check_times,
};

static const struct field levels_fields[] = {
    LEVEL("flow", LEVEL_FLOW_A, DIM_CURRENT, 0.1, 100, "2 A", "Current flows when it is above this, above ..."),
    LEVEL("flow_share", LEVEL_FLOW_PCT, DIM_PERCENT, 0.1, 20, "4 %",
          "... this share of the run's rated current, and above twice the meter's uncertainty at zero."),
    LEVEL("identity", LEVEL_IDENTITY_A, DIM_CURRENT, 1, 200, "10 A",
          "Current on another channel counts as crossed leads above this."),
    LEVEL("element_low", LEVEL_ELEMENT_LOW, DIM_PERCENT, 50, 99, "85 %",
          "Load that measures less than this share of what the closed steps give: shorted turns."),
    LEVEL("element_high", LEVEL_ELEMENT_HIGH, DIM_PERCENT, 101, 300, "125 %",
          "Load that measures more: an open element. Hot elements and connectors are in it."),
    LEVEL("output_reduced", LEVEL_REDUCED, DIM_PERCENT, 50, 99.9, "96 %",
          "Current below this share of the rated one, having been there, is output-reduced."),
    LEVEL("lead_rise", LEVEL_LEAD_RISE, DIM_PERCENT, 101, 1000, "150 %",
          "A load path whose resistance has risen to this share of the first look of the run, and ..."),
    LEVEL("lead_warn", LEVEL_LEAD_WARN, DIM_POWER, 1, 1000, "20 W", "... that takes this much more, is told of."),
    LEVEL("lead_end", LEVEL_LEAD_END, DIM_POWER, 2, 5000, "100 W", "One that takes this much more ends the run."),
    LEVEL("load_error", LEVEL_LOAD_ERROR, DIM_PERCENT, 0.5, 20, "4 %",
          "A load that misses the point's resistance by more is warned of before a run."),
    LEVEL("path_overload", LEVEL_PATH, DIM_PERCENT, 100, 300, "125 %",
          "A part of the load path that is loaded to more of its rating refuses a run."),
    LEVEL("survey_settled", LEVEL_SURVEY, DIM_PERCENT, 0.5, 50, "5 %",
          "Survey: cut-outs have settled when their on-times differ by no more."),
    LEVEL("capability_settled", LEVEL_CAPABILITY, DIM_PERCENT, 0.5, 50, "10 %",
          "The same for a unit's own capability by repeated cut-outs."),
    LEVEL("arc_wait_share", LEVEL_WAITS_PCT, DIM_PERCENT, 1, 90, "35 %",
          "A current below this share of the rated one ..."),
    LEVEL("arc_wait_voltage", LEVEL_WAITS_V, DIM_VOLTAGE, 1, 60, "12 V",
          "... at less than this (a channel's strike: its arc_voltage) is that of a unit that waits for its arc."),
};

static void check_levels(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_levels *l = base;
    (void)node;
    if (l->value[LEVEL_LEAD_END] <= l->value[LEVEL_LEAD_WARN])
        at_problem(problems, &l->at, "lead_end", PROBLEM_ERROR, "lead_end is not above lead_warn",
                   "First tell, then end the run, such as 20 W and 100 W.");
}

const struct object levels_object = {
    .title = "levels",
    .intro = "Where the engine draws its lines. Common practice, no published source, where none is named.",
    .size = sizeof(struct raw_levels),
    FIELDS(levels_fields),
    .check = check_levels,
};
