#include "breaker_heat.h"

double breaker_heat_after(double heat, double multiple, double dt_s, double tau_s)
{
    if (!(dt_s > 0) || !(tau_s > 0))
        return heat;
    double goal = multiple * multiple, part = dt_s / tau_s;
    if (part > 40)
        return goal;
    /* each squaring doubles the number of steps; an error of part / (2 n) in the exponent is left */
    int doublings = 0;
    double n = 1;
    while (part / n > 0.005 && doublings < 16) {
        n *= 2;
        doublings++;
    }
    double left = 1 / (1 + part / n);
    for (int i = 0; i < doublings; i++)
        left *= left;
    double after = goal + (heat - goal) * left;
    return after > 0 ? after : 0;
}
