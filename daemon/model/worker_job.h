/* Jobs that run beside the engine. The engine asks with COMMAND_WORKER, the answer is an INPUT_WORKER: a recorded
 * input, so that a replay is fed the result and never fits anything again. There is exactly one answer to each
 * question. */
#ifndef WORKER_JOB_H
#define WORKER_JOB_H

#include <stdbool.h>
#include <stdint.h>

/* command.code. What the command says:
 *
 *   JOB_HEAT   number   comes back as input_worker.job
 *              channel  whose unit it is
 *              mask     signal kind of the temperature: SIG_T_CASE or SIG_T_EXHAUST
 *              until_ns begin of the record, bench time of a stamp; 0: as far back as is kept
 *              percent_on, cycle_s  of the rating point
 *              value    temperature at which the unit was seen to cut out, degC; NAN: no cut-out was seen, the highest
 *                       temperature of the record is what it was seen to bear, and the answer is "at least"
 *
 *   JOB_STAGGER  number  comes back as input_worker.job; what it asks stands beside the commands
 * (engine_out.stagger_job)
 *
 * The daemon keeps the temperatures and the load of each channel and hands them over by value with the job. */
enum worker_job { JOB_HEAT = 1, JOB_STAGGER };

/* input_worker.status. All but JOB_HOLDS leave values at NAN. */
enum job_status {
    JOB_HOLDS,
    JOB_BAD_RECORD,       /* too short, no change of load, no such temperature */
    JOB_NOT_IDENTIFIABLE, /* the record does not fix the time constants */
    JOB_NOT_LINEAR,       /* a fan that runs on demand, or the like */
    JOB_REFUSED           /* no room for the job, or not a job of this daemon: ask later */
};

const char *job_status_name(enum job_status status);

/* input_worker.values of JOB_HEAT; temperatures in degC, rises in K. The second body is NAN when there is one body. */
enum heat_value {
    HEAT_VALUE_BODIES, /* 1 or 2 */
    HEAT_VALUE_STEADY_1_K,
    HEAT_VALUE_TAU_ON_1_S,
    HEAT_VALUE_TAU_OFF_1_S,
    HEAT_VALUE_STEADY_2_K,
    HEAT_VALUE_TAU_ON_2_S,
    HEAT_VALUE_TAU_OFF_2_S,
    HEAT_VALUE_IDLE_K,
    HEAT_VALUE_RESIDUAL_K,  /* standard deviation of the residuals */
    HEAT_VALUE_INTAKE_DEGC, /* mean over the record */
    HEAT_VALUE_LIMIT_DEGC,  /* temperature that the answer goes by */
    HEAT_VALUE_PERCENT_ON,  /* at 40 degC intake and the record's current, cycle of ten minutes */
    HEAT_VALUE_LOW_PCT,     /* its interval, k = 2 */
    HEAT_VALUE_HIGH_PCT,
    HEAT_VALUE_AT_LEAST,         /* 1: no cut-out was seen, the answer is a lower bound */
    HEAT_VALUE_POINTS,           /* samples that the fit used */
    HEAT_VALUE_EQUILIBRIUM_DEGC, /* highest temperature of the steady cycle at the rated percent-on and this intake */
    HEAT_VALUE_EQUILIBRIUM_U_K,  /* its expanded uncertainty, k = 2 */
    HEAT_VALUE_HERE_PCT,         /* percent-on at the intake of the record, */
    HEAT_VALUE_HERE_LOW_PCT,     /* its interval, k = 2 */
    HEAT_VALUE_HERE_HIGH_PCT,
    HEAT_VALUE_COUNT_
};

/* What is shown of the latest JOB_HEAT. Every figure is an estimate, with its interval for k = 2. */
struct heat_estimate {
    bool asked;    /* a fit was asked for in this run */
    bool answered; /* and one was answered: status holds */
    enum job_status status;
    double equilibrium_degc, equilibrium_u_k;
    double here_pct, here_low_pct, here_high_pct;    /* percent-on at the intake of the record */
    double rated_pct, rated_low_pct, rated_high_pct; /* percent-on at 40 degC intake */
    bool at_least;                                   /* no cut-out was seen: "at least" */
    double intake_degc, limit_degc;
    int64_t at_ns; /* when it was answered */
};

#endif
