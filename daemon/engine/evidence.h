/* What the signals said before, at and after a shutoff, and the causes that it speaks for. */
#ifndef EVIDENCE_H
#define EVIDENCE_H

#include "engine_state.h"
#include "supply_seen.h"

/* A figure that was not seen is NAN. before: the seconds before the shutoff; after: from the shutoff until the bench
 * opened the load. */
struct evidence {
    double rated_a, rated_u2_v, rated_u1_v;
    double u0_v; /* the unit's own, as learnt */
    double i2_before, u2_before, u2_most_after, u2_after, u2_peak_after;
    double bank_most_after;                 /* volts at the bank: there, the break lies behind its terminals */
    bool lead_was_rising;                   /* resistance of the load path had been told to rise */
    double u2_least_before, i2_most_before; /* in the last second before: a short shows here */
    double u1_before, u1_least_before, u1_after,
        u1_line_after;          /* in the rating point's volts; mean of phases, least of any */
    double i1_before, i1_after; /* of the phase that carries most */
    double breaker_before, breaker_after, lamp_after, speed_before, speed_after, exhaust_k;
    struct phase_look phase_before, phase_after; /* on-load until then by volts and amperes; since then by volts */
    bool meter_fed_by_circuit_died; /* a meter powered from the channel's circuit fell silent with the current */
    bool circuit_shared_loss;       /* another channel of the circuit lost its current at the same time */
    double on_s;                    /* on-load until then */
    struct capture_look capture;    /* of fast samples */
};

void evidence_gather(struct engine *e, int ch, struct evidence *ev);

/* Cause, second candidate, confidence 0..1 and a sentence. Pure. */
void evidence_weigh(const struct evidence *ev, struct shutoff *s);

#endif
