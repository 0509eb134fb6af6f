/* Uncertainty budgets by JCGM 100:2008, line by line: value, standard uncertainty, sensitivity, share of the whole. */
#ifndef BUDGET_H
#define BUDGET_H

#include <stdbool.h>
#include <stdint.h>

#include "bench.h"
#include "capacity.h"
#include "coverage.h"
#include "error.h"

enum { BUDGET_LINES_MAX = 16 };

struct budget_line {
    char name[NAME_CAP];
    char unit[16];
    double u;            /* standard uncertainty of the influence, in its unit */
    double sensitivity;  /* result's unit per influence's unit */
    double dof;          /* degrees of freedom; INFINITY for what is known without repetition */
    double contribution; /* |sensitivity| * u, in the result's unit */
    double share_pct;    /* of the variance */
};

struct budget {
    char name[NAME_CAP];
    char unit[16];
    double value;
    int count;
    struct budget_line lines[BUDGET_LINES_MAX];
    double combined; /* standard uncertainty */
    double dof;      /* effective, Welch and Satterthwaite (JCGM 100:2008, G.4) */
    double k;        /* coverage factor */
    double expanded; /* k * combined */
    enum coverage coverage;
};

/* Begins a budget of a figure. Returns 0 or -1 with err (value no number, name too long). */
int budget_begin(struct budget *b, const char *name, const char *unit, double value, struct error *err);

/* Adds an influence. Returns 0 or -1 with err (full, u below 0, dof below 1, not numbers). */
int budget_add(struct budget *b, const char *name, const char *unit, double u, double sensitivity, double dof,
               struct error *err);

/* Combines: root of the sum of squares of uncorrelated contributions, effective degrees of freedom, k. With infinite
 * degrees of freedom COVERAGE_95_45 gives k = 2. Returns 0 or -1 with err (no line). */
int budget_finish(struct budget *b, enum coverage coverage, struct error *err);

/* One line for people; index -1: the header, count: the sum. */
void budget_print(const struct budget *b, int index, char *to, unsigned cap);

/* A meter's reading (I2 or U2): its stated uncertainty, and the scatter of the mean where readings were averaged (sd of
 * the readings, count of them; count below 2: none). Returns 0 or -1 with err. */
int budget_reading(struct budget *b, const char *name, const char *unit, double value, const struct uncertainty *stated,
                   double sd, int count, struct error *err);

/* On-load time in s between two edges with limits of error, and the steadiness of the clock in parts per million. */
int budget_on_load(struct budget *b, double on_load_s, double begin_half_width_s, double end_half_width_s,
                   double clock_ppm, struct error *err);

/* What moves the percent-on that a unit can hold. Standard uncertainties; 0: known exactly. */
struct percent_on_influences {
    double percent_on;
    double cycle_s;
    double current_a, u_current_a; /* square law: 1 % of I2 is 2 % of X */
    double load_voltage_v, u_load_voltage_v;
    double load_voltage_exponent;   /* X goes as U2 to minus this: 0.5 by default, common practice */
    double headroom_k, u_ambient_k; /* trip point over ambient; 1 K is 1/headroom of X */
    double supply_v, u_supply_v;
    double supply_exponent; /* X goes as U1 to this: 0.5 by default, common practice */
    double u_start_pct;     /* of X: state at the start */
    double u_on_load_s;     /* of the time itself */
};

/* Budget of a percent-on with the sensitivities as lines of their own. headroom_k and voltages above 0. */
int budget_percent_on(struct budget *b, const struct percent_on_influences *in, struct error *err);

#endif
