/* Tables of channels: load path, load, signals. */
#include <math.h>
#include <string.h>

#include "choices.h"
#include "raw.h"

static const struct field rating_fields[] = {
    {"current", FIELD_QUANTITY, AT(struct raw_path_rating, current_a), .dim = DIM_CURRENT, RANGE(1, 1e4),
     .flags = NEEDED, .help = "Rated current ..."},
    {"percent_on", FIELD_PERCENT, AT(struct raw_path_rating, percent_on), RANGE(1, 100), .fallback = "100",
     .help = "... at this percent-on; 100 is continuous."},
    {"cycle", FIELD_DURATION, AT(struct raw_path_rating, cycle_ns), RANGE(60, 3600), .fallback = "5 min",
     .help = "Cycle that the rating is based on. Tables of leads are often on 5 min: look."},
};

static const struct object rating_object = {
    .title = "rating of a connector or adaptor",
    .intro = "Connectors and adaptors are the weak links of a load path: a loose one burns.",
    .size = sizeof(struct raw_path_rating),
    FIELDS(rating_fields),
};

static const struct field path_fields[] = {
    {"cable", FIELD_QUANTITY, AT(struct raw_path_part, area_mm2), .dim = DIM_AREA, RANGE(1, 1000), .flags = OPTIONAL,
     .help = "Cross-section of a cable (copper)."},
    {"length", FIELD_QUANTITY, AT(struct raw_path_part, length_m), .dim = DIM_LENGTH, RANGE(0.1, 1000),
     .flags = OPTIONAL, .help = "Length of the cable, out and back together."},
    {"current", FIELD_QUANTITY, AT(struct raw_path_part, current_a), .dim = DIM_CURRENT, RANGE(1, 1e4),
     .flags = OPTIONAL, .help = "Rated current of the cable ..."},
    {"percent_on", FIELD_PERCENT, AT(struct raw_path_part, percent_on), RANGE(1, 100), .flags = OPTIONAL,
     .help = "... at this percent-on. Without it: 100, which is continuous."},
    {"cycle", FIELD_DURATION, AT(struct raw_path_part, cycle_ns), RANGE(60, 3600), .flags = OPTIONAL,
     .help = "Cycle that the rating is based on. Without it: 5 min."},
    {"connector", FIELD_OBJECT, AT(struct raw_path_part, connector), .flags = HIDDEN, .object = &rating_object,
     .help = "A connector, instead of a cable."},
    {"adaptor", FIELD_OBJECT, AT(struct raw_path_part, adaptor), .flags = HIDDEN, .object = &rating_object,
     .help = "An adaptor, instead of a cable."},
};

static void check_path_part(void *base, const struct node *node, struct problems *problems)
{
    struct raw_path_part *p = base;
    bool cable = !isnan(p->area_mm2);
    int kinds = (cable ? 1 : 0) + (p->connector.at.node != NULL ? 1 : 0) + (p->adaptor.at.node != NULL ? 1 : 0);
    if (kinds != 1)
        node_problem(problems, node, PROBLEM_ERROR, "a part of the path is either a cable, a connector or an adaptor",
                     "Write one item for each part: {cable: 50 mm2, length: 10 m, ...} or {connector: {...}}.");
    else if (cable && (isnan(p->length_m) || isnan(p->current_a)))
        node_problem(problems, node, PROBLEM_ERROR, "a cable needs its length and its rated current",
                     "Write it like this: {cable: 50 mm2, length: 10 m, current: 285 A, percent_on: 60}");
    else if (!cable && (!isnan(p->length_m) || !isnan(p->current_a) || !isnan(p->percent_on) || p->cycle_ns >= 0))
        node_problem(problems, node, PROBLEM_ERROR, "length, current, percent_on and cycle beside a connector",
                     "Put the rating into the braces of the connector or adaptor.");
    if (cable && isnan(p->percent_on))
        p->percent_on = 100;
    if (cable && p->cycle_ns < 0)
        p->cycle_ns = INT64_C(300000000000);
}

static const struct object path_object = {
    .title = "path",
    .intro = "One part of the way from the unit's terminals to the load bank and back.",
    .size = sizeof(struct raw_path_part),
    FIELDS(path_fields),
    .check = check_path_part,
};

static const struct field step_fields[] = {
    {"resistance", FIELD_QUANTITY, AT(struct raw_step, step.resistance_ohm), .dim = DIM_RESISTANCE, RANGE(1e-3, 1e4),
     .flags = NEEDED, .help = "At 20 degC, with its own leads inside the bank."},
    {"power", FIELD_QUANTITY, AT(struct raw_step, step.power_w), .dim = DIM_POWER, RANGE(1, 1e6), .flags = NEEDED,
     .help = "Continuous rating."},
};

static const struct object step_object = {
    .title = "steps",
    .intro = "One switched resistor; the first is bit 0 of command and feedback.",
    .size = sizeof(struct raw_step),
    FIELDS(step_fields),
};

static const struct field load_fields[] = {
    {"device", FIELD_NAME, AT(struct raw_load, device), .flags = NEEDED, .help = "The load controller."},
    {"kind", FIELD_CHOICE, AT(struct raw_load, load.kind), .choices = &choice_load_kinds, .fallback = "stepped",
     .help = "stepped: switched resistors; settable: an electronic load that takes a resistance or a current."},
    {"command", FIELD_NAME, AT(struct raw_load, command), .flags = NEEDED,
     .help = "Point that is written: the mask of steps, or the set value."},
    {"feedback", FIELD_NAME, AT(struct raw_load, feedback),
     .help = "Point that reads the mask of closed steps from auxiliary contacts; needed for stepped loads."},
    {"heartbeat", FIELD_NAME, AT(struct raw_load, heartbeat),
     .help = "Point that is written with every beat. Without it: the map's beat."},
    {"watchdog", FIELD_NAME, AT(struct raw_load, watchdog),
     .help = "Point that holds the controller's watchdog limit. Without it: the map's watchdog."},
    {"watchdog_time", FIELD_DURATION, AT(struct raw_load, watchdog_ns), RANGE(0.1, 120), .flags = ZERO,
     .help = "The controller opens everything by itself when it has seen no beat for this long. Without it: 5 s, when "
             "the controller has a watchdog. Above 1 min only on a virtual bench."},
    {"steps", FIELD_LIST, AT(struct raw_load, steps), .object = &step_object, .max_items = STEPS_MAX,
     .help = "Needed for stepped loads."},
    {"max_power", FIELD_QUANTITY, AT(struct raw_load, load.max_power_w), .dim = DIM_POWER, RANGE(0, 1e7), .flags = ZERO,
     .help = "Of the channel as a whole. Without it: the sum of its steps."},
    {"max_voltage", FIELD_QUANTITY, AT(struct raw_load, load.max_voltage_v), .dim = DIM_VOLTAGE, RANGE(0, 2000),
     .flags = ZERO,
     .help = "Highest voltage that elements, contactors and meters are made for, no-load voltage included. Plasma "
             "cutters reach several hundred volts."},
    {"highest_u2", FIELD_QUANTITY, AT(struct raw_load, highest_u2_v), .dim = DIM_VOLTAGE, RANGE(5, 1000),
     .fallback = "44 V",
     .help = "Highest load voltage that the channel is used at, for the check of step ratings. 44 V is the end of the "
             "conventional mma and mig lines."},
    {"min_resistance", FIELD_QUANTITY, AT(struct raw_load, load.min_resistance_ohm), .dim = DIM_RESISTANCE,
     RANGE(0, 1e4), .flags = ZERO, .help = "Settable loads."},
    {"max_resistance", FIELD_QUANTITY, AT(struct raw_load, load.max_resistance_ohm), .dim = DIM_RESISTANCE,
     RANGE(0, 1e6), .flags = ZERO, .help = "Settable loads."},
    {"max_current", FIELD_QUANTITY, AT(struct raw_load, load.max_current_a), .dim = DIM_CURRENT, RANGE(0, 1e4),
     .flags = ZERO, .help = "Settable loads."},
    {"breaks_dc", FIELD_QUANTITY, AT(struct raw_load, load.breaks_dc_v), .dim = DIM_VOLTAGE, RANGE(0, 2000),
     .flags = ZERO,
     .help = "DC voltage at which the contactors may break their rated current. Without it: none, and units whose "
             "output is always live are refused."},
    {"breaks_current", FIELD_QUANTITY, AT(struct raw_load, load.breaks_a), .dim = DIM_CURRENT, RANGE(0, 1e4),
     .flags = ZERO, .help = "Current that they may break at that voltage."},
    {"travel", FIELD_DURATION, AT(struct raw_load, load.travel_ns), RANGE(0.001, 5), .fallback = "150 ms",
     .help = "Longest time a contactor takes to open or close."},
    {"contactor_life", FIELD_INT, AT(struct raw_load, load.contactor_life), RANGE(0, 1e8), .flags = ZERO,
     .help = "Closings that a contactor is made for at what it carries and breaks here, by its maker's data. "
             "`soakbench use` says how many are left."},
    {"contactors_renewed", FIELD_DATE, AT(struct raw_load, load.contactors_renewed_utc_s), .flags = ZERO,
     .help = "Day when the contactors were last renewed: closings count from then on. Without it: all on record."},
    {"supply_trip", FIELD_TEXT, AT(struct raw_load, supply_trip),
     .help = "Second means: point whose 1 opens the unit's supply, of the load device or as `device.point`. It must "
             "also be in the hard-wired stop circuit."},
    {"fan", FIELD_TEXT, AT(struct raw_load, fan),
     .help = "Point that runs the bank's fan, of the load device or as `device.point`."},
    {"lead_resistance", FIELD_QUANTITY, AT(struct raw_load, load.lead_resistance_ohm), .dim = DIM_RESISTANCE,
     RANGE(0, 1), .flags = ZERO,
     .help = "Of the leads between unit and bank, part of the load when u2 is sensed at the unit."},
    {"u2_at", FIELD_CHOICE, AT(struct raw_load, u2_at), .choices = &choice_sense_places, .fallback = "unit",
     .help = "Where u2 is sensed: at the unit's terminals or at the bank's."},
    {"strike", FIELD_OBJECT, AT(struct raw_load, strike), .flags = HIDDEN, .object = &strike_object,
     .help = "What gets units going that do not start on a fixed load."},
};

static void check_settable(const struct raw_load *l, const struct node *node, struct problems *problems)
{
    if (l->steps.count > 0)
        at_problem(problems, &l->at, "steps", PROBLEM_ERROR, "a settable load has no steps",
                   "Remove them, or the kind.");
    if (l->load.kind == LOAD_SETTABLE_RESISTANCE &&
        (l->load.min_resistance_ohm <= 0 || l->load.max_resistance_ohm <= l->load.min_resistance_ohm))
        node_problem(problems, node, PROBLEM_ERROR, "the range of resistance is missing or empty",
                     "Add min_resistance and max_resistance.");
    if (l->load.kind == LOAD_SETTABLE_CURRENT && l->load.max_current_a <= 0)
        node_problem(problems, node, PROBLEM_ERROR, "the highest current is missing", "Add max_current.");
    if (l->load.max_power_w <= 0)
        node_problem(problems, node, PROBLEM_ERROR, "the power that the load takes is missing",
                     "Add max_power: from its rating plate.");
    if (l->feedback[0] == '\0')
        node_problem(problems, node, PROBLEM_ERROR, "a settable load needs feedback",
                     "Add feedback: and the point that is 0 while the load is off; without it nobody knows whether the "
                     "load has opened.");
}

static void check_step_ratings(const struct raw_load *l, struct problems *problems)
{
    char text[TEXT_CAP];
    const struct raw_step *steps = l->steps.items;
    double u = l->highest_u2_v;
    if (l->load.max_voltage_v > 0 && l->load.max_voltage_v < u)
        u = l->load.max_voltage_v;
    for (int i = 0; i < l->steps.count; i++) {
        double needed = u * u / steps[i].step.resistance_ohm;
        if (needed <= steps[i].step.power_w * 1.02) /* catalogue values are rounded */
            continue;
        (void)text_format(text, sizeof text, "step %d (%g ohm) takes %.4g kW at %g V, but is rated for %.4g kW", i + 1,
                          steps[i].step.resistance_ohm, needed / 1000, u, steps[i].step.power_w / 1000);
        node_problem(problems, steps[i].at.node, PROBLEM_WARNING, text,
                     "Rate each step for the highest U2 it may see, or state a lower highest_u2.");
    }
}

static void check_load(void *base, const struct node *node, struct problems *problems)
{
    struct raw_load *l = base;
    build_strike(l, problems);
    if (l->load.kind != LOAD_STEPPED) {
        check_settable(l, node, problems);
        return;
    }
    if (l->steps.count == 0)
        node_problem(problems, node, PROBLEM_ERROR, "a stepped load needs its steps",
                     "Add steps: [{resistance: 0.16 ohm, power: 12 kW}, ...]");
    if (l->feedback[0] == '\0')
        node_problem(problems, node, PROBLEM_ERROR, "a stepped load needs feedback of its closed steps",
                     "Add feedback: and the point that reads the auxiliary contacts; without it nobody knows whether "
                     "the load has opened.");
    if (l->load.breaks_dc_v > 0 && l->load.breaks_a <= 0)
        node_problem(problems, node, PROBLEM_WARNING, "breaks_dc is stated without breaks_current",
                     "Add breaks_current: the current that the contactors may break at that voltage.");
    check_step_ratings(l, problems);
}

static const struct object load_object = {
    .title = "load",
    .intro = "The load of a channel. Banks, leads and terminals get hot enough to burn; a guard, bank thermostats and "
             "an airflow switch that are hard-wired must be there whatever the limits say.",
    .size = sizeof(struct raw_load),
    FIELDS(load_fields),
    .check = check_load,
};

static const struct field output_fields[] = {
    {"device", FIELD_NAME, AT(struct raw_output, device), .flags = NEEDED, .help = "Device that has the output."},
    {"command", FIELD_NAME, AT(struct raw_output, command), .flags = NEEDED,
     .help = "Point that is written: 1 on, 0 off."},
};

const struct object output_object = {
    .title = "trigger, beacon",
    .intro = "An output.",
    .size = sizeof(struct raw_output),
    FIELDS(output_fields),
};

static const struct field channel_capture_fields[] = {
    {"device", FIELD_NAME, AT(struct raw_channel_capture, device), .flags = NEEDED,
     .help = "Meter that has the buffer."},
    {"name", FIELD_NAME, AT(struct raw_channel_capture, name),
     .help = "Which of the captures of its map. Without it: the only one."},
};

static const struct object channel_capture_object = {
    .title = "capture (of a channel)",
    .intro = "Where fast samples of the channel's voltage and current come from.",
    .size = sizeof(struct raw_channel_capture),
    FIELDS(channel_capture_fields),
};

static const struct field uncertainty_fields[] = {
    {"of_reading", FIELD_QUANTITY, AT(struct raw_uncertainty, u.of_reading_pct), .dim = DIM_PERCENT, RANGE(0, 100),
     .flags = ZERO, .help = "Share of the reading."},
    {"of_range", FIELD_QUANTITY, AT(struct raw_uncertainty, u.of_range_pct), .dim = DIM_PERCENT, RANGE(0, 100),
     .flags = ZERO, .help = "Share of the range."},
    {"range", FIELD_DEFERRED, AT(struct raw_uncertainty, range), .help = "The range, in the signal's unit."},
    {"absolute", FIELD_DEFERRED, AT(struct raw_uncertainty, absolute),
     .help = "Fixed part, in the signal's unit (K for temperatures)."},
    {"kind", FIELD_CHOICE, AT(struct raw_uncertainty, u.kind), .choices = &choice_uncertainty_kinds,
     .fallback = "limit", .help = "limit: limits of error; expanded: expanded uncertainty with its k."},
    {"k", FIELD_NUMBER, AT(struct raw_uncertainty, u.k), RANGE(1, 5), .fallback = "2",
     .help = "Coverage factor, for expanded."},
};

static void check_uncertainty(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_uncertainty *u = base;
    if (u->u.of_range_pct > 0 && u->range[0] == '\0')
        node_problem(problems, node, PROBLEM_ERROR, "of_range is stated without the range",
                     "Add range: and its value.");
}

static const struct object uncertainty_object = {
    .title = "uncertainty",
    .intro = "How far a reading may be off, as the meter's manual or certificate states it. The parts add up.",
    .size = sizeof(struct raw_uncertainty),
    FIELDS(uncertainty_fields),
    .check = check_uncertainty,
};

static const struct field calibration_fields[] = {
    {"certificate", FIELD_TEXT, AT(struct raw_calibration, certificate), .help = "Its number, printed in records."},
    {"due", FIELD_DATE, AT(struct raw_calibration, due_utc_s), .flags = ZERO, .help = "Day of the next calibration."},
    {"gain", FIELD_NUMBER, AT(struct raw_calibration, gain), RANGE(0.5, 2), .fallback = "1",
     .help = "Correction: value = read * gain + offset."},
    {"offset", FIELD_DEFERRED, AT(struct raw_calibration, offset),
     .help = "Correction, in the signal's unit (K for temperatures)."},
};

static const struct object calibration_object = {
    .title = "calibration",
    .intro = "What the calibration certificate says.",
    .size = sizeof(struct raw_calibration),
    FIELDS(calibration_fields),
};

static const struct field signal_fields[] = {
    {"device", FIELD_NAME, AT(struct raw_signal, device), .flags = NEEDED, .help = "Device that measures it."},
    {"point", FIELD_NAME, AT(struct raw_signal, point), .flags = NEEDED, .help = "Point of that device's map."},
    {"class", FIELD_CHOICE, AT(struct raw_signal, cls), .flags = OPTIONAL, .choices = &choice_signal_classes,
     .help = "How long its loss is borne. Without it: by the signal's name, see *signals by name*."},
    {"stale_after", FIELD_DURATION, AT(struct raw_signal, stale_after_ns), RANGE(0.1, 86400), .flags = OPTIONAL,
     .help = "A reading older than this no longer counts. Without it: the class's, see *limits*."},
    {"refresh", FIELD_DURATION, AT(struct raw_signal, refresh_ns), RANGE(0, 3600), .flags = ZERO,
     .help = "Time between new values of the meter. Without it: a new value with each poll."},
    {"averaging", FIELD_DURATION, AT(struct raw_signal, averaging_ns), RANGE(0, 3600), .flags = ZERO,
     .help = "Window that the meter averages over."},
    {"damping", FIELD_DURATION, AT(struct raw_signal, damping_ns), RANGE(0, 3600), .flags = ZERO,
     .help = "Time constant of its filter."},
    {"quantity", FIELD_CHOICE, AT(struct raw_signal, mean), .flags = OPTIONAL, .choices = &choice_means,
     .help = "What the meter shows: mean for DC, rms for AC. Without it: rms for u1 and i1, mean for all else."},
    {"uncertainty", FIELD_OBJECT, AT(struct raw_signal, uncertainty), .flags = HIDDEN, .object = &uncertainty_object,
     .help = "How far it may be off."},
    {"calibration", FIELD_OBJECT, AT(struct raw_signal, calibration), .flags = HIDDEN, .object = &calibration_object,
     .help = "Certificate and corrections."},
};

const struct object signal_object = {
    .title = "signals",
    .intro = "A measured quantity, under its name.",
    .size = sizeof(struct raw_signal),
    FIELDS(signal_fields),
};

static const struct field channel_fields[] = {
    {"name", FIELD_LABEL, AT(struct raw_channel, name), .flags = NEEDED, .help = "Name on the channel's label."},
    {"circuit", FIELD_NAME, AT(struct raw_channel, circuit),
     .help =
         "Supply circuit that units on it are plugged into. Without it: for units with an engine or a battery only."},
    {"path", FIELD_LIST, AT(struct raw_channel, path), .object = &path_object, .max_items = PATH_PARTS_MAX,
     .help = "The load path, part by part."},
    {"load", FIELD_OBJECT, AT(struct raw_channel, load), .flags = NEEDED, .object = &load_object, .help = "Its load."},
    {"trigger", FIELD_OBJECT, AT(struct raw_channel, trigger), .flags = HIDDEN, .object = &output_object,
     .help = "Output that holds the unit's torch switch."},
    {"capture", FIELD_OBJECT, AT(struct raw_channel, capture), .flags = HIDDEN, .object = &channel_capture_object,
     .help = "Buffer of fast samples around a shutoff."},
    {"isolation", FIELD_QUANTITY, AT(struct raw_channel, isolation_v), .dim = DIM_VOLTAGE, RANGE(0, 1e5),
     .flags = OPTIONAL,
     .help = "Voltage that the channel is isolated for from the others and from earth. A common return bar ties units "
             "together."},
    {"remote_setpoint", FIELD_OBJECT, AT(struct raw_channel, remote), .flags = HIDDEN, .object = &remote_object,
     .help = "A wired remote control of the unit's current, written by the bench: a survey and `setting` need nobody."},
    {"signals", FIELD_DICT, AT(struct raw_channel, signals), .flags = NEEDED, .object = &signal_object, .max_items = 64,
     .help = "Its signals by name; i2 and u2 are needed."},
};

const struct object channel_object = {
    .title = "channels",
    .intro = "A load position: one unit at a time is tested on it.",
    .size = sizeof(struct raw_channel),
    FIELDS(channel_fields),
};
