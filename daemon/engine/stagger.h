/* Which channels may be on-load together: limits of the bank and of the supply circuits. */
#ifndef STAGGER_H
#define STAGGER_H

#include "engine_state.h"

/* Would the bank or the channel's circuit be overloaded if this channel went on-load now? Writes why. */
bool stagger_hinders(struct engine *e, int ch, char *text, size_t cap);

/* The channel waits for others to come off load, which is no fault. */
bool stagger_is_waiting(const struct engine *e, int ch);

/* How long the first cycle of the channel's run should wait, so that its cycles fall between those that are under way
 * and the peak of what they share (the bank where it has a limit, the supply circuit) is lowest; 0: begin now. Only the
 * first cycle is moved, at most by one cycle: a running one is never touched, since a longer pause would be kind to its
 * unit. Runs of one cycle do not wait; nor do those that share nothing with others. Writes why. */
int64_t stagger_delay_ns(const struct engine *e, int ch, char *text, size_t cap);

/* Supply current that the rating point takes: from the plate, else an estimate (efficiency 0.8, power factor 0.65 for
 * one phase and 0.9 for three: common practice, no published source). A */
double stagger_supply_a(const struct run_request *rq, const struct load_point *point);

/* One channel's demand on the bench. */
struct stagger_item {
    double on_s, cycle_s; /* on-load part of each cycle */
    double power_w;       /* in the bank */
    double supply_a;
    int circuit;     /* -1: none */
    double offset_s; /* result: when its cycles begin */
    bool fits;       /* result: within the limits at that offset */
};

/* Shifts cycles of equal length against each other so that the limits hold and the peak of power is lowest. bank_w and
 * circuit_a of 0: no limit. Exact over starts on a grid of the other channels' ends for up to 8 items, one after the
 * other by size beyond. Pure. */
void stagger_plan(struct stagger_item *items, int count, double bank_w, const double *circuit_a, int circuit_count);

#endif
