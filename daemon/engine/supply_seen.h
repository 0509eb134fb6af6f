/* The supply voltage of a channel against a rating point, from whatever signals there are: `u1`, or the phases. A
 * rating point of three phases is line to line; `u1_a` to `u1_c` are line to neutral, so they count times the root of
 * three. Everything here is in the rating point's own volts; a figure that is not seen is NAN. */
#ifndef SUPPLY_SEEN_H
#define SUPPLY_SEEN_H

#include "engine_state.h"

enum { SUPPLY_PHASES = 3 };

/* The signals that tell it. */
struct supply_sources {
    int count; /* 0: the unit has no supply, or nobody measures it */
    enum signal_kind kinds[SUPPLY_PHASES];
    double factor; /* from a reading to the rating point's volts */
};

struct supply_seen {
    double mean;            /* over all sources; NAN when one of them is not seen */
    double worst;           /* of the source that lies farthest off the rating, among those that are seen */
    enum signal_kind where; /* which that is */
    double least, most;
};

/* Three phases: `u1_a` to `u1_c`, else `u1` (line to line), else those phases that are measured. One phase: `u1`, else
 * the phases that are measured, as line to neutral; where the circuit has three phases and the rating fits their
 * line-to-line voltage better, the unit hangs between two of them. */
struct supply_sources supply_sources_of(const struct engine *e, int ch, const struct rating_point *p);

/* Puts one reading (or mean, or least) of each source together; `readings` in the order of the sources. */
struct supply_seen supply_together(const struct supply_sources *s, const double readings[SUPPLY_PHASES],
                                   const struct rating_point *p);

/* From the latest readings that still count. */
struct supply_seen supply_now(struct engine *e, int ch, const struct rating_point *p);

/* What the channel's circuit is rated for, as the unit sees it; 0: no circuit. */
double supply_nominal_v(const struct engine *e, int ch, const struct rating_point *p);

/* Off the rating in %, below it negative. */
double supply_off_pct(double volts, const struct rating_point *p);

/* Was it out of its band for too long at a stretch in this cycle? */
bool supply_was_out(const struct engine *e, const struct cycle_result *r);

/* All of it is gone, not just low: not one source is above half of the rating. False when none is seen. */
bool supply_is_dead(const struct supply_seen *s, const struct rating_point *p);

/* Lag of the slowest signal that tells of the supply, amperes of the phases included. */
int64_t supply_lag_ns(const struct engine *e, int ch);

/* A phase that brings nothing. By volts: below six tenths of the strongest, since a unit can hold a dead phase up at
 * half of the others. By amperes, where volts stand or are not measured: below a fifth of the strongest; rectifiers
 * draw very unevenly, so more than that means nothing. Common practice, no published source. */
enum phase_loss { PHASES_THERE, PHASE_WITHOUT_VOLTS, PHASE_WITHOUT_AMPERES };

struct phase_look {
    enum phase_loss loss;
    int phase;    /* 0 a, 1 b, 2 c */
    double share; /* of the strongest */
};

/* Amperes tell only while the unit is on-load: at idle its controls hang on one phase. */
struct phase_look supply_phases(const double volts[SUPPLY_PHASES], const double amps[SUPPLY_PHASES]);

/* The same from the latest readings, for a unit of three phases. */
struct phase_look supply_phases_now(struct engine *e, int ch, const struct rating_point *p, bool on_load);

/* "phase c of the supply is gone, 1 % of the others" */
void supply_phase_text(const struct phase_look *look, char *text, size_t cap);

/* What the channel adds to each phase of its circuit, A; 0 where nothing is seen. `i1` without phases counts on all. */
void supply_currents_add(struct engine *e, int ch, double amps[SUPPLY_PHASES]);

#endif
