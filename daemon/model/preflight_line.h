/* The names of what is looked at before a run begins: the engine looks, orders accept warnings by these names. */
#ifndef PREFLIGHT_LINE_H
#define PREFLIGHT_LINE_H

#include <stdbool.h>
#include <stddef.h>

enum preflight_line {
    LINE_RIGGING,
    LINE_UNIT,
    LINE_ISOLATOR,
    LINE_INTERRUPTION,
    LINE_BENCH,
    LINE_PROCEDURE,
    LINE_SAFETY_TEST,
    LINE_PROTECTION,
    LINE_CUTOUTS,
    LINE_SET_UP,
    LINE_BREAKING,
    LINE_BANK,
    LINE_STRIKE,
    LINE_LOAD_PATH,
    LINE_CIRCUIT,
    LINE_SUPPLY,
    LINE_METERS,
    LINE_WATCHDOG,
    LINE_TIME_TO_OPEN,
    LINE_START,
    LINE_RECORD,
    LINE_STORE,
    LINE_CLOCK,
    LINE_KEY_SWITCH,
    LINE_SECOND_MEANS,
    LINE_UNATTENDED,
    LINE_DETECTORS,
    LINE_NOTIFICATION,
    LINE_OUTSIDE,
    LINE_STANDBY_SUPPLY,
    LINE_BEACON,
    PREFLIGHT_LINE_COUNT_
};

const char *preflight_line_name(enum preflight_line line);

/* Does a list of names, set apart by spaces or commas, hold this line's? */
bool preflight_list_holds(const char *list, enum preflight_line line);

/* The first name in such a list that is no line's, into unknown (cut to cap). Returns false when all are known. */
bool preflight_list_unknown(const char *list, char *unknown, size_t cap);

/* All names, a comma and a space between. */
void preflight_line_names(char *text, size_t cap);

#endif
