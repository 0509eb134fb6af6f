/* The load path as a chain of cable, connectors and adaptor, judged at a current and a percent-on. A torch's rating is
 * advice about the customer's outfit and no part of this. Verdict path: + - * / sqrt and comparison only. */
#ifndef LEAD_H
#define LEAD_H

#include <stdbool.h>

#include "bench.h"
#include "error.h"

/* Square law: same mean heat, I^2 X = constant. Published by makers of power sources and built into cable tables; it
 * ignores no-load losses, constant-voltage drops and time constants not long against the cycle. Return 0 or -1 with
 * err. A percent-on that would exceed 100 is given as 100: the current may flow continuously. */
int equivalent_current(double current_a, double percent_on, double at_percent_on, double *equivalent_a,
                       struct error *err);
int equivalent_percent_on(double current_a, double percent_on, double at_current_a, double *equivalent_pct,
                          struct error *err);

struct lead_load {
    double current_a;
    double percent_on;
    double cycle_s;      /* of the run, usually 600 */
    double ambient_degc; /* NAN: as the rating's own (25 degC) */
};

struct lead_part_state {
    double loading_pct;       /* heat-equivalent current over the rating, 100 is just the rating */
    double allowed_current_a; /* at the run's percent-on */
    bool over;                /* loaded above its rating */
    bool other_cycle;         /* rated on another cycle length (five minutes): the square law flatters it, so say so */
    double resistance_ohm;    /* cable by area and length; 0 when not known */
    double drop_v;            /* at the run's current, 20 degC */
};

struct lead_state {
    int count;
    struct lead_part_state parts[PATH_PARTS_MAX];
    int weakest;           /* index of the most loaded part, -1 when the path has none */
    double resistance_ohm; /* of all cables, out and back as listed */
    double drop_v;
};

/* Judges a path. Returns 0 or -1 with err (rating missing or not a figure that makes sense). */
int lead_check(const struct path_part *parts, int count, const struct lead_load *load, struct lead_state *state,
               struct error *err);

/* Highest conductor resistance at 20 degC in ohm per m by area: EN 60228, flexible class 6 (16 to 95 mm2) and class 5
 * above. Returns 0 or -1 with err when the area is not tabulated. */
int cable_resistance(double area_mm2, double *ohm_per_m, struct error *err);

/* Factor on a cable's rating at another ambient than 25 degC, conductor limit 85 degC: sqrt((85 - t) / 60), which gives
 * the tabulated 0.96, 0.91, 0.87, 0.82 at 30, 35, 40, 45 degC (cable to BS 638-4). Returns 0 or -1 with err. */
int cable_ambient_factor(double ambient_degc, double *factor, struct error *err);

/* Multiplier of the rated primary current for the supply conductors (US electrical code 630.11(A), 2008): the row at or
 * next above the percent-on. Returns 0 or -1 with err. */
int supply_conductor_multiplier(double percent_on, bool motor_generator, double *multiplier, struct error *err);

/* Ampacity of a group's supply (630.11(B)): 100 % of the two largest, 85 % of the third, 70 % of the fourth, 60 % of
 * the rest. currents_a: each unit's own, already multiplied; not changed. count 1 to 32. Returns 0 or -1 with err. */
int supply_conductor_group(const double *currents_a, int count, double *ampacity_a, struct error *err);

#endif
