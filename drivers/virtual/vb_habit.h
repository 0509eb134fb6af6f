/* What real units do besides their curve: start helps, protections, idling. One function a moment of the step. */
#ifndef VB_HABIT_H
#define VB_HABIT_H

#include "vb_world.h"

/* Mains came or went: timers and latches start afresh. */
void vb_habit_power(struct vbench *vb, struct vb_unit *u);

/* Advances the latches and timers; false: one of them holds the output off. */
bool vb_habit_run(struct vbench *vb, struct vb_unit *u, int channel);

/* Factor on the set value at the start of the flow (hot start, up-slope, lift). */
double vb_habit_start(const struct vbench *vb, const struct vb_unit *u);

/* Factor on everything (foldback, sag, phase loss, engine speed). */
double vb_habit_scale(const struct vbench *vb, const struct vb_unit *u);

/* Voltage with the output on and no current. */
double vb_habit_open_volts(const struct vbench *vb, const struct vb_unit *u);

/* A voltage-reducing device holds the output low into this resistance. */
bool vb_habit_limits(const struct vb_unit *u, double ohm);

#endif
