/* What fast samples of voltage and current around a shutoff show: which of the two went first, and how. Pure. */
#ifndef CAPTURE_LOOK_H
#define CAPTURE_LOOK_H

#include <stdbool.h>

enum capture_shows {
    SHOWS_NOTHING,  /* not looked at, or it holds no fall of the current */
    SHOWS_UNCLEAR,  /* a fall, and nothing that tells why */
    SHOWS_OPEN,     /* the voltage rose towards no-load as the current went */
    SHOWS_SHORT,    /* the voltage fell to a few volts while the current stood, then both went */
    SHOWS_TOGETHER, /* both went at the same time */
};

struct capture_look {
    enum capture_shows shows;
    int fall;          /* index of the first sample without current */
    double i_before_a; /* NAN: the buffer holds no current */
    double u_before_v; /* NAN: no voltage */
    double u_most_v;   /* OPEN: highest ... */
    double rise_s;     /* ... and for how long above the line */
    bool rise_to_end;  /* ... or until the samples end */
    double u_least_v;  /* SHORT: lowest while the current stood ... */
    double i_then_a;   /* ... and the current then */
    double short_s;    /* ... for how long */
};

/* before_v: the voltage on load by other means, NAN where there are none. u2 or i2 NULL: not in the buffer; samples
 * that stand for no value are NAN. event: index at which the device saw the event, used where there is no current to
 * look at. no_load_v: of the unit, 0 where it is not known. */
void capture_look(const double *u2, const double *i2, int count, int event, double interval_s, double before_v,
                  double no_load_v, struct capture_look *look);

/* Above this the voltage has left the load for the open circuit. */
double open_path_line_v(double before_v, double no_load_v);

#endif
