/* What the lines of the preflight share, for their files only. */
#ifndef PREFLIGHT_LINES_H
#define PREFLIGHT_LINES_H

#include "preflight.h"

/* What a line looks at. */
struct ask {
    struct engine *e;
    int ch;
    const struct run_request *rq;
    const struct bench_channel *b;
    const struct rating_point *plate; /* the request's own; that of rq is a survey's current under look */
    struct load_point point;
    bool point_ok;
    char *text; /* REASON_CAP */
};

/* Gives the reason, and the result back. */
enum preflight_result preflight_say(const struct ask *a, enum preflight_result r, const char *text);
bool preflight_has(const struct ask *a, enum signal_kind kind);

/* preflight_unit.c: what the unit, its rating point and its leads are fit for. */
enum preflight_result preflight_safety_test(const struct ask *a);
enum preflight_result preflight_procedure_fits(const struct ask *a);
enum preflight_result preflight_protection(const struct ask *a);
enum preflight_result preflight_cutouts(const struct ask *a);
enum preflight_result preflight_set_up(const struct ask *a);
enum preflight_result preflight_breaking(const struct ask *a);
enum preflight_result preflight_bank(const struct ask *a);
enum preflight_result preflight_strike(const struct ask *a);
enum preflight_result preflight_load_path(const struct ask *a);
enum preflight_result preflight_meters(const struct ask *a);

/* preflight_bench.c: is the bench itself in order? */
enum preflight_result preflight_store(const struct ask *a);
enum preflight_result preflight_clock(const struct ask *a);
enum preflight_result preflight_record(const struct ask *a);
enum preflight_result preflight_watchdog(const struct ask *a);
enum preflight_result preflight_time_to_open(const struct ask *a);
enum preflight_result preflight_bench_safe(const struct ask *a);
enum preflight_result preflight_key_switch(const struct ask *a);
enum preflight_result preflight_second_means(const struct ask *a);

/* preflight_night.c: what a night with nobody at the bench needs, a line for each thing, so that everything that lacks
 * is said at once. */
enum preflight_result preflight_unattended(const struct ask *a);
enum preflight_result preflight_detectors(const struct ask *a);
enum preflight_result preflight_notification(const struct ask *a);
enum preflight_result preflight_outside(const struct ask *a);
enum preflight_result preflight_standby_supply(const struct ask *a);
enum preflight_result preflight_beacon(const struct ask *a);

#endif
