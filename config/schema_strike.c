/* The strike of a load: table and checks. */
#include <math.h>
#include <string.h>

#include "choices.h"
#include "raw.h"

static const struct field stage_fields[] = {
    {"resistance", FIELD_QUANTITY, AT(struct raw_strike_stage, resistance_ohm), .dim = DIM_RESISTANCE, RANGE(1e-3, 1e3),
     .flags = OPTIONAL,
     .help = "That the unit is to see, leads included. low takes the steps that come nearest from below, high some of "
             "the point's own steps that come nearest from above, so that the circuit is never opened in between."},
    {"steps", FIELD_WORDS, AT(struct raw_strike_stage, steps), .max_items = STEPS_MAX,
     .help = "Or these steps by number, the first being 1: those of low must hold those of high, and those of high be "
             "some of the point's."},
    {"for", FIELD_DURATION, AT(struct raw_strike_stage, for_ns), RANGE(0.05, 5), .flags = NEEDED,
     .help = "How long, from the moment that feedback confirms it."},
};

static const struct object stage_object = {
    .title = "low, high",
    .intro = "A moment of a strike.",
    .size = sizeof(struct raw_strike_stage),
    FIELDS(stage_fields),
};

static const struct field strike_fields[] = {
    {"low", FIELD_OBJECT, AT(struct raw_strike, low), .flags = HIDDEN, .object = &stage_object,
     .help = "First a low resistance, as of an electrode that touches."},
    {"high", FIELD_OBJECT, AT(struct raw_strike, high), .flags = HIDDEN, .object = &stage_object,
     .help = "Then a high one, as of an arc. At least one of the two is needed."},
    {"change", FIELD_CHOICE, AT(struct raw_strike, change), .choices = &choice_strike_changes, .fallback = "live",
     .help = "How steps open between low and high. live: while current flows, which the contactors must be rated for "
             "(breaks_dc, breaks_current); released: with the torch switch let go meanwhile, for units that remember "
             "the touch."},
    {"attempts", FIELD_INT, AT(struct raw_strike, strike.attempts), RANGE(1, 10), .fallback = "3",
     .help = "At most so many at each begin of an on-load part. Then the run ends as never-reached."},
    {"rest", FIELD_DURATION, AT(struct raw_strike, strike.rest_ns), RANGE(1, 120), .fallback = "5 s",
     .help = "With the load open between two attempts: anti-stick lets go, the unit goes back to its begin."},
    {"within", FIELD_DURATION, AT(struct raw_strike, strike.within_ns), RANGE(0.2, 30), .fallback = "5 s",
     .help = "After the point's own steps have closed, the unit has to give its current within this (up-slope) ..."},
    {"started", FIELD_QUANTITY, AT(struct raw_strike, strike.started_pct), .dim = DIM_PERCENT, RANGE(5, 100),
     .fallback = "50 %", .help = "... at least this share of the rated current."},
    {"start_current", FIELD_QUANTITY, AT(struct raw_strike, strike.start_a), .dim = DIM_CURRENT, RANGE(0.1, 500),
     .fallback = "20 A",
     .help = "What a unit gives that waits for its arc (common practice, no published source): for the check that high "
             "is high enough."},
    {"arc_voltage", FIELD_QUANTITY, AT(struct raw_strike, strike.arc_v), .dim = DIM_VOLTAGE, RANGE(1, 60),
     .fallback = "12 V",
     .help = "At and above which it takes it that an arc burns (common practice, no published source)."},
    {"overload", FIELD_QUANTITY, AT(struct raw_strike, strike.overload_pct), .dim = DIM_PERCENT, RANGE(100, 1000),
     .fallback = "400 %",
     .help = "Of a step's continuous rating, for these moments, should the unit give all it has: by the maker of the "
             "resistors. Settable loads: never more than 100 %."},
};

static int stage_count(const struct raw_strike *s)
{
    return (s->low.at.node != NULL) + (s->high.at.node != NULL);
}

static void check_stage(const struct raw_strike_stage *s, struct problems *problems)
{
    if (s->at.node != NULL && (s->steps.count > 0) == !isnan(s->resistance_ohm))
        node_problem(problems, s->at.node, PROBLEM_ERROR, "a moment of the strike is either a resistance or steps",
                     "Write {resistance: 0.1 ohm, for: 500 ms} or {steps: [1, 2, 3], for: 500 ms}.");
}

static void check_strike(void *base, const struct node *node, struct problems *problems)
{
    const struct raw_strike *s = base;
    if (stage_count(s) == 0)
        node_problem(problems, node, PROBLEM_ERROR, "a strike without a low and a high moment is none",
                     "Add low:, high: or both, or remove the strike.");
    check_stage(&s->low, problems);
    check_stage(&s->high, problems);
}

const struct object strike_object = {
    .title = "strike",
    .intro = "What gets a unit going that does not start on the steps of its rating point. Lift-start TIG gives some "
             "20 A until it has seen an electrode touch and then lift: a moment of low resistance, then one that is "
             "high enough for more than the arc voltage, then the point's own steps. Used by units whose rating point "
             "says `strike: true`, or where a run asks for it. Each move waits for the record and for feedback; "
             "interlocks act throughout.",
    .size = sizeof(struct raw_strike),
    FIELDS(strike_fields),
    .check = check_strike,
};

/* Numbers of steps as a mask; 0 with a problem. */
static uint32_t mask_of(const struct raw_strike_stage *s, int step_count, struct problems *problems)
{
    uint32_t mask = 0;
    for (int i = 0; i < s->steps.count; i++) {
        double number;
        int step = number_parse(s->steps.words[i], &number) == 0 && number >= 1 && number <= step_count &&
                           number == (double)(int)number
                       ? (int)number
                       : 0;
        if (step == 0 || (mask >> (step - 1) & 1u))
            node_problem(problems, s->steps.nodes[i], PROBLEM_ERROR, "this is no step of the load, or named twice",
                         "Number the steps as they stand in steps:, the first is 1.");
        else
            mask |= UINT32_C(1) << (step - 1);
    }
    return mask;
}

static double ohm_of(const struct raw_load *l, uint32_t mask)
{
    const struct raw_step *steps = l->steps.items;
    double g = 0;
    for (int i = 0; i < l->steps.count; i++)
        if (mask >> i & 1u)
            g += 1 / steps[i].step.resistance_ohm;
    return (g > 0 ? 1 / g : INFINITY) + (l->u2_at == 1 ? 0 : l->load.lead_resistance_ohm);
}

static void build_stage(const struct raw_strike_stage *from, int step_count, struct strike_stage *to,
                        struct problems *problems)
{
    *to = (struct strike_stage){0};
    if (from->at.node == NULL)
        return;
    to->for_ns = from->for_ns;
    to->resistance_ohm = isnan(from->resistance_ohm) ? 0 : from->resistance_ohm;
    to->mask = mask_of(from, step_count, problems);
}

static double stage_ohm(const struct raw_load *l, const struct strike_stage *s)
{
    return s->mask != 0 ? ohm_of(l, s->mask) : s->resistance_ohm;
}

/* Only what the steps can make: the rest depends on the rating point, and the preflight of a run looks at it. */
static void check_reach(const struct raw_load *l, const struct bench_strike *s, struct problems *problems)
{
    char text[TEXT_CAP];
    double least = ohm_of(l, (UINT32_C(1) << l->steps.count) - 1), most = 0;
    for (int i = 0; i < l->steps.count; i++)
        most = ohm_of(l, UINT32_C(1) << i) > most ? ohm_of(l, UINT32_C(1) << i) : most;
    if (s->low.resistance_ohm > 0 && s->low.resistance_ohm < least) {
        (void)text_format(text, sizeof text, "all steps together with the leads make %.4g ohm, not less", least);
        at_problem(problems, &l->strike.low.at, "resistance", PROBLEM_ERROR, text, "Ask for that or more.");
    }
    if (s->high.resistance_ohm > most) {
        (void)text_format(text, sizeof text, "no step has more than %.4g ohm with the leads", most);
        at_problem(problems, &l->strike.high.at, "resistance", PROBLEM_ERROR, text, "Ask for that or less.");
    }
    if (s->low.mask != 0 && s->high.mask != 0 && (s->high.mask & ~s->low.mask) != 0)
        at_problem(problems, &l->strike.low.at, "steps", PROBLEM_ERROR,
                   "the steps of low do not hold those of high: the circuit would be opened in between",
                   "Add the steps of high to those of low.");
}

static void check_settable_reach(const struct raw_load *l, const struct bench_strike *s, struct problems *problems)
{
    if (l->strike.low.steps.count > 0 || l->strike.high.steps.count > 0)
        at_problem(problems, &l->at, "strike", PROBLEM_ERROR, "a settable load has no steps to name",
                   "Give resistances.");
    double most = l->load.max_resistance_ohm;
    if (s->low.resistance_ohm > most || s->high.resistance_ohm > most)
        at_problem(problems, &l->at, "strike", PROBLEM_ERROR, "the strike asks for more than max_resistance",
                   "Ask for less, or correct max_resistance.");
}

static void check_voltages(const struct raw_load *l, const struct bench_strike *s, struct problems *problems)
{
    char text[TEXT_CAP];
    double low = stage_ohm(l, &s->low), high = stage_ohm(l, &s->high);
    if (s->low.for_ns > 0 && s->high.for_ns > 0 && low >= high)
        at_problem(problems, &l->at, "strike", PROBLEM_ERROR, "low is not below high", "Swap or correct them.");
    if (s->high.for_ns > 0 && high * s->start_a < s->arc_v) {
        (void)text_format(text, sizeof text, "start_current of %g A through %.4g ohm gives %.1f V, below %g V",
                          s->start_a, high, high * s->start_a, s->arc_v);
        at_problem(problems, &l->at, "strike", PROBLEM_ERROR, text,
                   "Make high a higher resistance: the unit would not take it for an arc.");
    }
}

void build_strike(struct raw_load *l, struct problems *problems)
{
    struct bench_strike *s = &l->load.strike;
    *s = (struct bench_strike){0};
    if (l->strike.at.node == NULL)
        return;
    if (l->load.kind == LOAD_SETTABLE_CURRENT) {
        at_problem(problems, &l->at, "strike", PROBLEM_ERROR,
                   "a load that is set to a current has no low and high resistance", "Remove the strike.");
        return;
    }
    *s = l->strike.strike;
    s->fitted = true;
    s->released = l->strike.change == 1;
    build_stage(&l->strike.low, l->steps.count, &s->low, problems);
    build_stage(&l->strike.high, l->steps.count, &s->high, problems);
    if (l->load.kind == LOAD_STEPPED)
        check_reach(l, s, problems);
    else
        check_settable_reach(l, s, problems);
    check_voltages(l, s, problems);
    bool opens = l->load.kind == LOAD_STEPPED && s->low.for_ns > 0;
    if (opens && !s->released && (l->load.breaks_dc_v <= 0 || l->load.breaks_a <= 0))
        at_problem(problems, &l->at, "strike", PROBLEM_ERROR,
                   "the strike opens steps while current flows, and the contactors are not stated to break any",
                   "State breaks_dc and breaks_current, write change: released, or leave low out.");
}
