/* How a device lets it be known that it lost its supply and started again. */
#ifndef POWER_UP_H
#define POWER_UP_H

enum power_up_kind {
    POWER_UP_UNKNOWN, /* it tells nothing: whenever its link was lost it may have */
    POWER_UP_MARK,    /* a mark that stays until it is taken off */
    POWER_UP_COUNT,   /* a count that differs from the last */
    POWER_UP_UPTIME,  /* the time since its start */
    POWER_UP_KIND_COUNT_
};

#endif
