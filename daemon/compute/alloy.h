/* Resistance of heating alloys over temperature. Verdict path: + - * / and comparison only. */
#ifndef ALLOY_H
#define ALLOY_H

#include "error.h"

/* Resistance at temperature_degc over that at 20 degC, by an alloy maker's table, straight between its points:
 * nicr-80-20, nicr-60-15, fecral-25-5 ... Handbooks differ at the third decimal: allow 0.3 %. Not to be inverted for a
 * temperature: nickel-chrome rises, falls and rises again. Returns 0; -1 with err for an unknown alloy (the message
 * lists them) or a temperature outside its table. */
int alloy_factor(const char *alloy, double temperature_degc, double *factor, struct error *err);

#endif
