/* Orders to the register of units, as the control socket hands them over, put into the journal. */
#ifndef REGISTER_PUT_H
#define REGISTER_PUT_H

#include <stdint.h>

#include "control.h"
#include "error.h"
#include "journal.h"

/* Put one order into the batch that is open. utc_s is what stands for "now". 0 or -1 with err. */
int register_put(struct journal *journal, const struct register_order *order, int64_t utc_s, struct error *err);

#endif
