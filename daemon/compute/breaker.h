/* When a supply breaker may trip, as a band between the fastest and the slowest breaker that its standard or its maker
 * allows: never one time. Thermal model, stated: heat follows d heat / dt = ((I/In)^2 - heat) / tau and the breaker
 * trips when heat reaches a level; level and tau of either edge are taken from the limits. Uses the mathematical
 * library. */
#ifndef BREAKER_H
#define BREAKER_H

#include <stdbool.h>

#include "bench.h"
#include "error.h"

/* One edge of the band. */
struct breaker_edge {
    double trip_heat; /* share of the steady heat at rated current at which it trips */
    double tau_s;
    double at_once_multiple; /* at and above this it trips magnetically */
    double at_once_s;        /* ... after at most this */
};

struct breaker_model {
    struct breaker_edge fast, slow;
    bool from_memory;  /* limits not seen in a publication (UL 489, and what no standard limits) */
    bool from_curve;   /* the maker's points were used */
    const char *basis; /* for people: where the band comes from */
};

struct breaker_cycle {
    double on_current_a;    /* supply current on-load */
    double pause_current_a; /* in the pauses */
    double on_s, pause_s;   /* pause_s 0: continuous */
    double start_heat;      /* carried over from earlier runs, see breaker_heat_after; 0 cold */
    int cycles;             /* how many; at most 1000 */
    double ambient_factor;  /* rated current at the panel's temperature over rated current; 1 unless known */
};

struct breaker_trip {
    double trip_min_s, trip_max_s; /* from the begin, pauses included; INFINITY: not by this edge within the cycles */
    int cycle_min, cycle_max;      /* in which cycle, from 1; 0 none */
    double end_heat_fast, end_heat_slow; /* when it did not trip, else at the trip */
    double multiple;                     /* on-load current over rated current */
};

/* The band for a breaker at a current of `multiple` times rated (a maker's curve is used where its points reach).
 * IEC 60898-1: no trip at 1.13, trip at 1.45 within 1 h (2 h above 63 A), at 2.55 in 1 to 60 s (120 s above 32 A),
 * instantaneous bands B 3-5, C 5-10, D 10-20. UL 489: carries 100 %, 135 % within 1 h (2 h above 50 A), 200 % within 2
 * min to 18 min by rating (times from memory). Returns 0 or -1 with err (unknown standard, no rating, bad points). */
int breaker_model_find(const struct breaker *breaker, double multiple, struct breaker_model *model, struct error *err);

/* Predicts the band of trip times under a cyclic current. Returns 0 or -1 with err. */
int breaker_predict(const struct breaker *breaker, const struct breaker_cycle *cycle, struct breaker_trip *trip,
                    struct breaker_model *model, struct error *err);

/* "may trip after 3.0 to 9.0 min (IEC 60898-1 limits)", "is not expected to trip", ... */
void breaker_trip_print(char *to, unsigned cap, const struct breaker_trip *trip, const struct breaker_model *model);

#endif
