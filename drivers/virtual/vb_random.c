#include "vb_random.h"

/* A 64-bit counter run through a mixing function (multiply, xor, shift). */
uint64_t vb_random_next(struct vb_random *r)
{
    r->state += 0x9e3779b97f4a7c15u;
    uint64_t z = r->state;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

struct vb_random vb_random_stream(uint64_t seed, const char *name)
{
    uint64_t hash = 0xcbf29ce484222325u;
    for (; *name; name++)
        hash = (hash ^ (uint8_t)*name) * 0x100000001b3u;
    struct vb_random r = {.state = seed ^ hash};
    vb_random_next(&r);
    return r;
}

double vb_random_uniform(struct vb_random *r)
{
    return (double)(vb_random_next(r) >> 11) * 0x1p-53;
}

double vb_random_normal(struct vb_random *r)
{
    double sum = 0;
    for (int i = 0; i < 12; i++)
        sum += vb_random_uniform(r);
    return sum - 6;
}
