/* Uncertainty of a reading from what the meter's data sheet or certificate states. Verdict path: + - * / sqrt. */
#ifndef UNCERTAINTY_H
#define UNCERTAINTY_H

#include "bench.h"
#include "error.h"

/* Standard uncertainty of a reading, in the signal's unit: the stated parts (of reading, of range, absolute) are added
 * and divided by sqrt(3) when they are limits of error (JCGM 100:2008, 4.3.7) or by their coverage factor k when they
 * are expanded (4.3.3; k not above 0 counts as 2). NAN for a reading that is not finite. */
double uncertainty_standard(const struct uncertainty *u, double reading);

/* Expanded, k = 2. */
double uncertainty_expanded(const struct uncertainty *u, double reading);

/* A reading corrected by its calibration: value * gain + offset. A gain of 0 counts as 1 (none stated). */
double calibration_apply(const struct bench_signal *signal, double read);

/* Expanded (k = 2) uncertainty of a time between two edges whose limits of error are given, rectangular each. */
double time_uncertainty_s(double begin_half_width_s, double end_half_width_s);

#endif
