/* Do the summaries of seconds fit the sealed readings that they were made of? */
#ifndef SECONDS_CHECK_H
#define SECONDS_CHECK_H

#include "reader_private.h"

struct seconds_check;

struct seconds_check *seconds_check_new(struct journal_reader *r, struct error *err);
void seconds_check_free(struct seconds_check *c);

/* Compares the seconds of one block's rows. Returns 1 they fit, 0 not (second receives the first that does not), -1. */
int seconds_check_block(struct seconds_check *c, const struct block_row *rows, int count, int64_t *second,
                        struct error *err);

#endif
