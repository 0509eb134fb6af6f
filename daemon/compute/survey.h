/* One point of a survey: the percent-on that a unit carries at one current, from repeated cut-out and reset, as an
 * interval. Verdict path: + - * / sqrt and comparison only. */
#ifndef SURVEY_H
#define SURVEY_H

#include "error.h"
#include "rating.h"

enum { SURVEY_PARTS_MAX = 16 };

/* An on-load part that ended in a cut-out, and its reset. */
struct survey_part {
    double pause_s; /* load off before it; NAN for the first of a point */
    double on_s, on_half_s;
    double reset_s, reset_half_s; /* from the cut-out until the unit was ready again */
};

struct survey_share {
    double percent_on; /* mean of on / (on + reset) over the settled parts */
    double low, high;  /* interval at 95 %, within 0 and 100 */
    double on_s, reset_s;
    int settled; /* how many parts */
};

/* parts in order of time. Settled as in capability.h; fewer than two settled parts: -1 with err. The interval:
 *
 * - on / (on + reset) is never too low, since each part begins somewhat cooler than at the reset (the reset is seen
 *   late, the load closes later still); on / (on + pause) is never too high, since a body that cools slows down as it
 *   does, and the later seconds of a pause buy less on-time than the earlier (Newton's law of cooling). The truth lies
 *   between the two.
 * - scatter of the settled parts, with Student's t (JCGM 100:2008, G.3); edges known to their half-widths;
 * - what the share still moved within the settled parts is added on the side to which it moved;
 * - current_pct: expanded uncertainty of the current in % of it, which counts twice (square law). */
int survey_share_find(const struct survey_part *parts, int count, double settled_pct, double current_pct,
                      struct survey_share *share, struct error *err);

/* The rating point as it is at one of the request's currents: conventional load voltage (the plate's own at the plate's
 * current), percent-on by the square law, supply current in the share of the power. */
void survey_point_at(const struct rating_point *plate, double current_a, struct rating_point *point);

#endif
