/* The fast samples of a run, as the journal has them among its inputs. */
#ifndef RUN_CAPTURES_H
#define RUN_CAPTURES_H

#include <stdio.h>

#include "error.h"
#include "journal_read.h"

/* Writes a row a sample to an open CSV, the header first: number of the capture, time since the start of the run,
 * half-width of that time (of the whole capture: its samples against each other are as far apart as they say), volts,
 * amperes. Returns the number of captures, or -1 with err. */
int run_captures_write(struct journal_reader *reader, const struct journal_run *run, FILE *to, struct error *err);

#endif
