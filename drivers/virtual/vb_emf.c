/* The emf of a type K thermocouple, reference junction at 0 degC: NIST Monograph 175 (ITS-90), reference function. */
#include <math.h>

#include "vb_world.h"

static double polynomial(const double *c, int count, double t)
{
    double sum = 0;
    for (int i = count - 1; i >= 0; i--)
        sum = sum * t + c[i];
    return sum;
}

double vb_emf_k(double t_degc)
{
    static const double below[] = {0.000000000000E+00,  0.394501280250E-01,  0.236223735980E-04,  -0.328589067840E-06,
                                   -0.499048287770E-08, -0.675090591730E-10, -0.574103274280E-12, -0.310888728940E-14,
                                   -0.104516093650E-16, -0.198892668780E-19, -0.163226974860E-22};
    static const double above[] = {-0.176004136860E-01, 0.389212049750E-01,  0.185587700320E-04, -0.994575928740E-07,
                                   0.318409457190E-09,  -0.560728448890E-12, 0.560750590590E-15, -0.320207200030E-18,
                                   0.971511471520E-22,  -0.121047212750E-25};
    if (t_degc < 0)
        return polynomial(below, sizeof below / sizeof below[0], t_degc);
    double off = t_degc - 0.126968600000E+03;
    return polynomial(above, sizeof above / sizeof above[0], t_degc) +
           0.118597600000E+00 * exp(-0.118343200000E-03 * off * off);
}
