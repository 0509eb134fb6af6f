/* Tables of unit files. */
#include <math.h>

#include "choices.h"
#include "raw.h"

static const struct field rating_fields[] = {
    {"process", FIELD_CHOICE, AT(struct raw_rating, point.process), .flags = NEEDED, .choices = &choice_processes,
     .help = "Also taken: stick, SMAW, GTAW, MAG, GMAW, FCAW, PAC, PAW in any case."},
    {"output", FIELD_CHOICE, AT(struct raw_rating, point.output), .choices = &choice_outputs, .fallback = "dc",
     .help = "dc or ac."},
    {"output_control", FIELD_CHOICE, AT(struct raw_rating, point.control), .flags = NEEDED, .choices = &choice_controls,
     .help = "trigger: by the torch switch, which the bench holds; always-live: output whenever the unit is on, so the "
             "load's contactors break the current; remote-contactor: by a contactor in the unit. Sticks and most "
             "engine sets are always live."},
    {"supply", FIELD_QUANTITY, AT(struct raw_rating, point.supply_v), .dim = DIM_VOLTAGE, RANGE(10, 1000),
     .flags = OPTIONAL,
     .help = "Rated supply voltage U1; of three phases line to line, as plates print it. Needed unless phases is 0."},
    {"phases", FIELD_INT, AT(struct raw_rating, point.phases), RANGE(0, 3), .fallback = "1",
     .help = "1 or 3; 0: engine or battery."},
    {"frequency", FIELD_QUANTITY, AT(struct raw_rating, point.frequency_hz), .dim = DIM_FREQUENCY, RANGE(10, 400),
     .flags = OPTIONAL, .help = "Rated frequency."},
    {"percent_on", FIELD_PERCENT, AT(struct raw_rating, point.percent_on), RANGE(1, 100), .flags = NEEDED,
     .help = "Rated duty cycle X."},
    {"current", FIELD_QUANTITY, AT(struct raw_rating, point.current_a), .dim = DIM_CURRENT, RANGE(1, 5000),
     .flags = NEEDED, .help = "Rated welding current I2."},
    {"u2", FIELD_QUANTITY, AT(struct raw_rating, point.load_voltage_v), .dim = DIM_VOLTAGE, RANGE(5, 500),
     .flags = OPTIONAL, .help = "Load voltage as printed. Without it: by the formula of the process."},
    {"u0", FIELD_QUANTITY, AT(struct raw_rating, point.no_load_v), .dim = DIM_VOLTAGE, RANGE(5, 1000),
     .flags = OPTIONAL, .help = "No-load voltage as printed."},
    {"i1max", FIELD_QUANTITY, AT(struct raw_rating, point.i1max_a), .dim = DIM_CURRENT, RANGE(0.1, 2000),
     .flags = OPTIONAL, .help = "Greatest rated supply current, as printed."},
    {"i1eff", FIELD_QUANTITY, AT(struct raw_rating, point.i1eff_a), .dim = DIM_CURRENT, RANGE(0.1, 2000),
     .flags = OPTIONAL, .help = "Greatest effective supply current, as printed."},
    {"rated_ambient", FIELD_QUANTITY, AT(struct raw_rating, point.ambient_degc), .dim = DIM_TEMPERATURE, RANGE(0, 60),
     .fallback = "40 degC",
     .help = "Ambient that the rating is for; limited-duty and old plates may say 20 or 25 degC."},
    {"rated_cycle", FIELD_DURATION, AT(struct raw_rating, cycle_ns), RANGE(60, 3600), .fallback = "10 min",
     .help = "Cycle that the rating is based on; old plates may say 5 min."},
    {"strike", FIELD_BOOL, AT(struct raw_rating, point.strike), .fallback = "false",
     .help = "Not on the plate: the unit starts at this point only by a strike (lift start, some voltage-reducing "
             "devices), see *strike*."},
};

static void check_rating(void *base, const struct node *node, struct problems *problems)
{
    struct raw_rating *r = base;
    const struct rating_point *p = &r->point;
    if (p->phases == 2)
        at_problem(problems, &r->at, "phases", PROBLEM_ERROR, "a rating has 1 or 3 phases, or 0",
                   "Write 1 for a unit between two phases.");
    if (p->phases > 0 && isnan(p->supply_v))
        node_problem(problems, node, PROBLEM_ERROR, "the rated supply voltage is missing",
                     "Add supply: with its volts, or phases: 0 for a unit with an engine or a battery.");
    if (!isnan(p->i1max_a) && !isnan(p->i1eff_a) && p->i1eff_a > p->i1max_a)
        at_problem(problems, &r->at, "i1eff", PROBLEM_ERROR, "i1eff is above i1max",
                   "Look at the plate: they may be swapped.");
    if (p->percent_on == 100)
        at_problem(problems, &r->at, "percent_on", PROBLEM_HINT,
                   "a 100 % point is decided by soak only: at least an hour, to equilibrium",
                   "One ten-minute cycle has no pause and proves nothing about it.");
    r->point.cycle_s = (double)r->cycle_ns / 1e9;
}

static const struct object rating_object = {
    .title = "ratings",
    .intro = "One rating point as the plate gives it. Type what is printed, not what should be there.",
    .size = sizeof(struct raw_rating),
    FIELDS(rating_fields),
    .check = check_rating,
};

static const struct field unit_fields[] = {
    {"serial", FIELD_TEXT, AT(struct raw_unit, plate.serial), .flags = NEEDED, .help = "Serial number."},
    {"maker", FIELD_TEXT, AT(struct raw_unit, plate.maker), .help = "Maker; serials repeat across makers."},
    {"model", FIELD_TEXT, AT(struct raw_unit, plate.model), .help = "Model."},
    {"asset", FIELD_TEXT, AT(struct raw_unit, plate.asset), .help = "The shop's own number."},
    {"rated_by", FIELD_TEXT, AT(struct raw_unit, plate.rated_by),
     .help = "Standard printed on the plate, with its year."},
    {"year", FIELD_INT, AT(struct raw_unit, plate.year), RANGE(1900, 2100), .flags = ZERO, .help = "Year of make."},
    {"protection", FIELD_CHOICE, AT(struct raw_unit, plate.protection), .choices = &choice_protections,
     .fallback = "unknown",
     .help = "Is thermal protection fitted? unknown counts as none: on-load is capped, and to-cutout is refused past "
             "the rating."},
    {"s_marked", FIELD_BOOL, AT(struct raw_unit, plate.s_marked), .fallback = "false",
     .help = "Marked S, for work with increased hazard of electric shock."},
    {"ratings", FIELD_LIST, AT(struct raw_unit, ratings), .object = &rating_object, .max_items = RATINGS_MAX,
     .help = "The rating points. Without any, the unit can be measured, but no verdict is given."},
};

static bool same_point(const struct rating_point *a, const struct rating_point *b)
{
    bool same_supply = a->supply_v == b->supply_v || (isnan(a->supply_v) && isnan(b->supply_v));
    return a->process == b->process && a->output == b->output && same_supply && a->phases == b->phases &&
           a->percent_on == b->percent_on;
}

static void check_unit(void *base, const struct node *node, struct problems *problems)
{
    struct raw_unit *u = base;
    struct raw_rating *r = u->ratings.items;
    for (int i = 0; i < u->ratings.count; i++)
        for (int k = 0; k < i; k++)
            if (same_point(&r[i].point, &r[k].point))
                node_problem(problems, r[i].at.node, PROBLEM_ERROR,
                             "this point has the process, output, supply and percent-on of an earlier one",
                             "Remove one of them, or correct the percent-on.");
    if (u->ratings.count == 0)
        node_problem(problems, node, PROBLEM_WARNING, "no rating point: the unit can be measured, but not judged",
                     "Add ratings: from the plate, when it can be read.");
}

const struct object unit_object = {
    .title = "unit files",
    .intro =
        "The rating plate of one unit, for `soakbench unit add FILE`. Plates are versioned: a run keeps the version "
        "that it was judged by.",
    .size = sizeof(struct raw_unit),
    FIELDS(unit_fields),
    .check = check_unit,
};
