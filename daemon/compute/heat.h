/* Heating of a unit: one or two time constants fitted to a temperature record with on and off phases, and what follows
 * from them. The temperature is a proxy (case, exhaust) for what the cut-out senses, and is taken as a linear sum of
 * bodies: a unit whose fan runs on demand is not linear and is refused. Every figure is an estimate with an interval.
 * Uses the mathematical library; runs in a worker, its result enters the engine as a recorded input. */
#ifndef HEAT_H
#define HEAT_H

#include <stdbool.h>

#include "error.h"
#include "least_squares.h"

enum { HEAT_BODIES_MAX = 2, HEAT_POINTS_MAX = 400, HEAT_POINTS_LEAST = 20 };

/* A record, rising in time. on: the load was on from this sample to the next. intake_degc NULL: intake_const_degc. */
struct heat_record {
    int count;
    const double *time_s;
    const double *temperature_degc;
    const double *intake_degc;
    double intake_const_degc;
    const unsigned char *on;
    double noise_k; /* standard uncertainty of one temperature, random part; 0: not known */
};

/* One body: rise in K goes to steady_k on-load with time constant tau_on_s, to 0 (idle heat is kept apart) off-load
 * with tau_off_s. */
struct heat_body {
    double steady_k;
    double tau_on_s, tau_off_s;
    double start_k; /* rise at the begin of the record */
};

struct heat_model {
    int bodies;
    bool one_tau;                           /* same time constant on and off */
    bool no_idle;                           /* idle_k is 0 and was not fitted */
    double idle_k;                          /* steady rise with the load off (own losses of the switched-on unit) */
    struct heat_body body[HEAT_BODIES_MAX]; /* quicker first */
};

struct heat_fit {
    struct heat_model model;
    int parameters;
    struct ls_result solution; /* parameters as heat_model_from_parameters lays them out */
    double tau_on_rel[HEAT_BODIES_MAX], tau_off_rel[HEAT_BODIES_MAX]; /* relative standard uncertainties */
    double residual_k;                                                /* standard deviation of the residuals */
    double span_s;
    double highest_rise_k;    /* seen in the record */
    double highest_on_rise_k; /* seen while the load was on */
    double intake_degc;       /* mean over the record */
    double on_share;          /* of the record's time */
    int points;               /* used, after thinning out */
    int dropped;              /* candidates refused */
    char refused[160];        /* why the richer candidates were refused; empty when none was */
};

struct heat_limits {
    double tau_rel_max;     /* a time constant less certain than this is refused: 0.25 */
    double tau_span_max;    /* ... and one longer than this many times the record: 1.0 */
    double residual_factor; /* residuals above this many times the noise, or ... */
    double residual_share;  /* ... above this share of the span of temperature, refuse the linear model: 3, 0.02 */
};
struct heat_limits heat_limits_default(void); /* common practice, no published source */

/* Fits all candidates (one and two bodies, time constants alike or different on and off, with idle heat and without),
 * refuses those with constants the record does not identify, and takes the one with the least AICc of the rest. Returns
 * 0; -1 with err: "bad record: ..." (too short, unsorted, not numbers, no change of load), "not identifiable: ...",
 * "not linear: ...". */
int heat_fit(const struct heat_record *record, const struct heat_limits *limits, struct heat_fit *fit,
             struct error *err);

/* Rise in K over the record's times by the model; rise_k must hold count. */
void heat_model_run(const struct heat_model *model, const struct heat_record *record, double *rise_k);

struct heat_cycle {
    double peak_k, trough_k; /* at the end of the on-load part and at its begin */
    double mid_load_k;       /* middle of the on-load part, where IEC 60974-1, 7.2.1 counts temperatures (M) */
};

/* Steady periodic solution in closed form for cycles of cycle_s with percent_on (0 to 100). Returns 0 or -1 with err.
 */
int heat_cycle_find(const struct heat_model *model, double percent_on, double cycle_s, struct heat_cycle *cycle,
                    struct error *err);

/* What is asked for. */
struct heat_question {
    double limit_degc; /* temperature at which the unit was seen to cut out; or the highest it was seen to bear */
    bool limit_seen; /* true: a cut-out was seen there. false: nobody has seen the trip point: answers are "at least" */
    double u_limit_k;    /* standard uncertainty of that temperature */
    double ambient_degc; /* asked-for intake temperature: 40 */
    double u_ambient_k;
    double current_ratio; /* asked-for current over the record's; heat goes as its square; 1: same */
    double cycle_s;
    double coverage_k; /* coverage factor of the interval, 2 */
};

struct heat_answer {
    double percent_on;        /* estimated; 100 when it never reaches the limit, 0 when idle heat alone does */
    double u_pct;             /* standard uncertainty */
    double low_pct, high_pct; /* interval, cut to 0..100; high is 100 when at_least */
    bool at_least;            /* one-sided: no cut-out was seen */
    bool capped;              /* percent_on lies at 0 or 100: the interval is one-sided too */
};

/* Percent-on at which the periodic peak just reaches the limit, with its interval by propagation of the fit's
 * covariance and the given uncertainties (JCGM 100:2008, 5.2). Returns 0 or -1 with err. */
int heat_percent_on(const struct heat_fit *fit, const struct heat_question *question, struct heat_answer *answer,
                    struct error *err);

/* Highest rise in K of the steady cycle, wherever in it, and its standard uncertainty by the fit's covariance. A case
 * that lags is hottest some time after the load opened. Returns 0 or -1. */
int heat_equilibrium(const struct heat_fit *fit, double percent_on, double cycle_s, double *peak_k, double *u_k,
                     struct error *err);

/* heat_percent_on for one model without uncertainties, for checks by Monte Carlo. */
int heat_percent_on_of(const struct heat_model *model, const struct heat_question *question, double *percent_on,
                       struct error *err);

/* Parameters of a fit as a model of the given shape (bodies, one_tau, no_idle are read, the rest is filled). Layout:
 * for each body steady, start, ln tau_on, and ln tau_off unless one_tau; at the end idle unless no_idle. Returns their
 * number. */
int heat_model_from_parameters(const double *p, struct heat_model *model);

#endif
