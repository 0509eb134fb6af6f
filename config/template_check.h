/* Templates and expressions of text maps. */
#ifndef TEMPLATE_CHECK_H
#define TEMPLATE_CHECK_H

#include "error.h"

/* Number of {number} slots of a template; -1 with err when it holds another slot or an open brace. {text} stands for
 * anything and is not counted. */
int template_slots(const char *text, struct error *err);

/* Checks an extended POSIX expression against what a bus can afford: one group, which is not repeated, no
 * back-references, no counts above 32, at most 4 repetitions. Returns 0, or -1 with err. */
int expression_check(const char *text, struct error *err);

#endif
