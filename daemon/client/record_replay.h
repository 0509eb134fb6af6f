/* Judging a record that was made elsewhere. The file is read twice, in memory of a fixed size: once for its digest and
 * for how often each signal has a reading, once to feed the engine. It is the engine that judges every run, fed with a
 * bench that commands nothing (LOAD_OBSERVED); nothing is judged here. */
#ifndef RECORD_REPLAY_H
#define RECORD_REPLAY_H

#include "digest.h"
#include "event.h"
#include "record_rows.h"

enum { RECORD_EVENTS_MAX = 4096, CURVE_POINTS = 2048 };

struct record_question {
    struct record_file file;
    struct record_map map;
    struct run_request run;
    char circuit[NAME_CAP]; /* that fed the unit; empty: not stated */
    double intake_degc;     /* stated for the whole record; NAN: by the record */
    double altitude_m;
    int64_t gap_ns; /* readings further apart leave the time between unseen; 0: two and a half times their interval */
};

/* A signal over the record, thinned to the extremes of stretches of equal length. */
struct record_curve {
    int signal; /* of the mapping */
    int count;
    int64_t width_ns;
    struct {
        double low, high; /* NAN: none */
    } points[CURVE_POINTS];
};

struct record_answer {
    struct digest digest;
    int64_t rows, fed;    /* in the file, with readings for the engine */
    int64_t first_utc_ns; /* 0: not known */
    bool utc_is_local;    /* zone not written */
    int64_t span_ns, first_half_ns;
    int64_t readings[MAP_SIGNALS_MAX], interval_ns[MAP_SIGNALS_MAX]; /* interval: the usual one */
    int64_t thinned;                                                 /* every so manieth row was fed; 1: all */
    struct record_warnings warnings;
    bool judged;
    struct verdict verdict;
    int64_t decided_line; /* 0: at the end of the file */
    struct bench *bench;  /* as the engine had it */
    int event_count;
    int64_t events_left_out;
    struct event *events; /* times: since the first stamp of the file */
    struct record_curve curves[MAP_SIGNALS_MAX];
};

/* Returns an answer to be freed by record_answer_free; NULL with err. */
struct record_answer *record_replay(struct record_question *question, struct error *err);
void record_answer_free(struct record_answer *answer); /* NULL is allowed */

#endif
