/* The table of interlocks: one row each, with the condition as a function of what is seen now. */
#ifndef INTERLOCK_ROWS_H
#define INTERLOCK_ROWS_H

#include "engine_state.h"

/* How a row behaves. ALWAYS: also where the channel is not in use. READY: also while preflight waits for fans and
 * signals to come. STANDING: stands in the way of closing and of a reset. */
enum { ALWAYS = 1, READY = 2, STANDING = 4, WAKES = 8 };

struct interlock_row {
    enum interlock which;
    unsigned how;
    /* Does the condition hold? Writes a sentence then. */
    bool (*holds)(struct engine *e, int ch, char *text);
    /* How long it must hold before it acts; NULL: at once. */
    int64_t (*patience_ns)(const struct engine *e, int ch);
};

extern const struct interlock_row interlock_rows[];
extern const int interlock_row_count;

/* The supply is too high, not too low or short of a phase. */
bool supply_is_too_high(struct engine *e, int ch);

/* When the present on-load time began, for its limit; NEVER_NS: the load is open or opening. */
int64_t interlock_on_load_since_ns(const struct channel *c);

#endif
