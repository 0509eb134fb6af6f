/* What a run will do, worked out before it starts: times, load, heat, supply, load path. */
#ifndef PLAN_H
#define PLAN_H

#include <stdbool.h>

#include "bench.h"
#include "breaker.h"
#include "input.h"
#include "lead.h"
#include "load_voltage.h"
#include "rating.h"
#include "setup_sheet.h"
#include "step_choice.h"
#include "strike_plan.h"

struct supply_plan {
    bool any;            /* the channel has a circuit and the point a supply */
    bool from_plate;     /* I1 is the plate's I1max; else estimated */
    double i1_low_a;     /* estimate: with power factor 1 */
    double i1_high_a;    /* estimate: with power_factor; the plate's is both */
    double power_factor; /* assumed for i1_high_a: common practice, no published source */
    double i1_eff_a;     /* of i1_high_a */
    bool has_breaker;
    double
        start_heat; /* in the breaker before the run, as a share of its steady heat at rated current; NAN: not known */
    struct breaker_trip trip_high, trip_low; /* at i1_high_a and at i1_low_a */
    struct breaker_model model;
    char trip_text[TEXT_CAP];
    char trouble[TEXT_CAP]; /* why there is no prediction; may be empty */
};

/* One current of a survey. */
struct survey_plan {
    struct rating_point point; /* percent-on by the square law */
    struct load_point load;
    bool has_steps;
    double steps_error_pct, bank_w;
};

struct run_plan {
    struct load_point load;
    double on_goal_s; /* on-load part of a cycle, guard included */
    double pause_s;
    double duration_s; /* of the whole run; NAN: open end */
    double least_s;    /* ... which takes at least this long */
    bool to_equilibrium;
    double bank_w; /* while on-load */
    double room_w; /* mean over a cycle: bank and the unit's own losses, estimated */
    bool has_steps;
    struct step_choice steps;
    double setting;               /* of a settable load: ohm or A */
    char steps_trouble[TEXT_CAP]; /* why no combination does; may be empty */
    bool strikes;                 /* on-load parts begin by a strike ... */
    struct strike_plan strike;
    char strike_trouble[TEXT_CAP]; /* ... or why they cannot; may be empty */
    bool has_path;
    struct lead_state path;
    struct supply_plan supply;
    struct setup_sheet sheet;
    int survey_count; /* the rest of a survey's plan is of the current that takes most power */
    struct survey_plan survey[SURVEY_POINTS_MAX];
};

/* Assumed where the plate gives no I1max: common practice, no published source. */
#define PLAN_EFFICIENCY 0.8

/* Works a run out. run has been read by run_order_from_json; breaker_heat is what earlier runs left in the circuit's
 * breaker (NAN: not known, taken as cold). Returns 0 or -1 with err (the point has no load voltage). */
int plan_make(const struct bench *bench, int channel, const struct unit_plate *plate, const struct run_request *run,
              double breaker_heat, struct run_plan *plan, struct error *err);

/* One sentence or two on what the procedure does with this plan. */
void plan_course(const struct run_request *run, const struct run_plan *plan, char *to, size_t cap);

#endif
