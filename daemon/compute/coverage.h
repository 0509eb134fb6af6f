/* Student's t as a table, so that intervals on the verdict path need no mathematical library. */
#ifndef COVERAGE_H
#define COVERAGE_H

enum coverage { COVERAGE_68, COVERAGE_90, COVERAGE_95, COVERAGE_95_45, COVERAGE_99, COVERAGE_99_73, COVERAGE_COUNT_ };

/* Two-sided coverage factor t_p(dof) (JCGM 100:2008, G.3 and table G.2). dof is cut to the next lower tabulated one, so
 * that the factor is never too small; dof below 1 gives NAN, above 1000 the normal distribution's value only for an
 * infinite dof. COVERAGE_90 two-sided is the 95 % one-sided factor. */
double coverage_factor(enum coverage coverage, double dof);

double coverage_percent(enum coverage coverage); /* 95.45 ... */

#endif
