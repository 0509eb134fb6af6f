/* Heat in a thermal breaker, carried from run to run. Verdict path: + - * / and comparison only. */
#ifndef BREAKER_HEAT_H
#define BREAKER_HEAT_H

/* Heat after dt_s, as a share of the steady heat at rated current, with multiple = current over rated current:
 * d heat / dt = (multiple^2 - heat) / tau. The exponential is replaced by a power of 1 / (1 + dt / (n tau)) with so
 * many steps n that it is within one part in a hundred; never below 0. A dt that is not above 0 changes nothing. */
double breaker_heat_after(double heat, double multiple, double dt_s, double tau_s);

#endif
