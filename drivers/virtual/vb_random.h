/* The virtual bench's own random numbers: the same on every machine for the same seed. */
#ifndef VB_RANDOM_H
#define VB_RANDOM_H

#include <stdint.h>

struct vb_random {
    uint64_t state;
};

/* Starts a stream of its own for each name, so that adding a meter does not move another one's noise. */
struct vb_random vb_random_stream(uint64_t seed, const char *name);

uint64_t vb_random_next(struct vb_random *r);

/* Uniform in [0, 1). */
double vb_random_uniform(struct vb_random *r);

/* Mean 0, standard deviation 1: the sum of twelve uniform numbers less six, which needs no libm. */
double vb_random_normal(struct vb_random *r);

#endif
