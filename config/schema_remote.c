/* The wired remote control of a unit's current. */
#include <math.h>

#include "raw.h"

static const struct field remote_fields[] = {
    {"device", FIELD_NAME, AT(struct raw_remote, device), .flags = NEEDED, .help = "Device that has the output."},
    {"command", FIELD_NAME, AT(struct raw_remote, command), .flags = NEEDED,
     .help = "Point that is written, in V, % or whatever its map says."},
    {"low_output", FIELD_NUMBER, AT(struct raw_remote, remote.low_out), RANGE(-1e6, 1e6), .flags = NEEDED,
     .help = "At this output, a plain number in the unit of the point ..."},
    {"low_current", FIELD_QUANTITY, AT(struct raw_remote, remote.low_a), .dim = DIM_CURRENT, RANGE(0, 5000),
     .flags = NEEDED, .help = "... the unit gives this much."},
    {"high_output", FIELD_NUMBER, AT(struct raw_remote, remote.high_out), RANGE(-1e6, 1e6), .flags = NEEDED,
     .help = "And at this one ..."},
    {"high_current", FIELD_QUANTITY, AT(struct raw_remote, remote.high_a), .dim = DIM_CURRENT, RANGE(1, 5000),
     .flags = NEEDED, .help = "... this much. In between a straight line; no other current is asked for."},
    {"safe_output", FIELD_NUMBER, AT(struct raw_remote, remote.safe_out), RANGE(-1e6, 1e6), .flags = OPTIONAL,
     .help = "Written whenever the load opens. Without it: low_output."},
    {"settle", FIELD_DURATION, AT(struct raw_remote, remote.settle_ns), RANGE(0.1, 30), .fallback = "3 s",
     .help = "After the load has closed, before the current is looked at."},
    {"within", FIELD_QUANTITY, AT(struct raw_remote, remote.within_pct), .dim = DIM_PERCENT, RANGE(0.5, 20),
     .fallback = "3 %", .help = "The unit counts as set when the measured current is within this of the one wanted."},
    {"tries", FIELD_INT, AT(struct raw_remote, remote.tries), RANGE(1, 10), .fallback = "3",
     .help = "How often the output is corrected, each time with the load open, before the run is given up."},
};

static void check_remote(void *base, const struct node *node, struct problems *problems)
{
    struct bench_remote *m = &((struct raw_remote *)base)->remote;
    const struct raw_remote *raw = base;
    (void)node;
    m->fitted = raw->at.node != NULL;
    if (isnan(m->safe_out))
        m->safe_out = m->low_out;
    if (m->low_a >= m->high_a)
        at_problem(problems, &raw->at, "high_current", PROBLEM_ERROR, "high_current is not above low_current",
                   "Swap or correct them.");
    if (m->low_out == m->high_out)
        at_problem(problems, &raw->at, "high_output", PROBLEM_ERROR, "both outputs are the same",
                   "State the outputs at the two currents, such as 0 and 10.");
}

const struct object remote_object = {
    .title = "remote_setpoint",
    .intro =
        "A wired remote control of the unit's current. Set with the load open, before each closing of a survey, of a "
        "run that begins with `setting`, and of what follows in it; proved by the measured current; back to its safe "
        "value whenever the load opens.",
    .size = sizeof(struct raw_remote),
    FIELDS(remote_fields),
    .check = check_remote,
};
