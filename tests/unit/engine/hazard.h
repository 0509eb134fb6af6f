/* What can befall a bench, by the interlock that answers it. */
#ifndef HAZARD_H
#define HAZARD_H

#include "plant.h"

struct hazard {
    enum interlock which;
    void (*cause)(struct plant *p, int ch);
    double within_s; /* the interlock acts within this of its cause: polls and the time that it must hold */
    bool on_load;    /* the condition exists on-load only */
    bool standing;   /* a start is refused while it lasts */
};

const struct hazard *hazard_list(int *count);

/* Takes everything back that a hazard can leave behind. */
void hazard_clear(struct plant *p);

#endif
