/* Columns of numbers packed without loss: the parts that sealed blocks of readings and of inputs are made of. Whole
 * numbers as differences, values by the shortest way that gives every bit back, bytes of equal weight put together in
 * planes and compressed by zstd where that helps. */
#ifndef COLUMNS_H
#define COLUMNS_H

#include <stdbool.h>
#include <stdint.h>
#include <zstd.h>

#include "codec.h"

/* Room for columns of up to cap numbers. A column to pack is put into whole, words or values, and comes out there. */
struct columns {
    ZSTD_CCtx *pack;
    ZSTD_DCtx *unpack;
    int cap;
    int64_t *whole, *sorted;
    uint64_t *words;
    double *values, *listed;
    uint8_t *plane, *bits;
};

/* Returns 0, or -1 when memory is short. */
int columns_init(struct columns *p, int cap);
void columns_free(struct columns *p);

/* n bytes. */
void columns_put_plane(struct columns *p, struct writer *w, const uint8_t *bytes, size_t n);
void columns_get_plane(struct columns *p, struct reader *r, uint8_t *bytes, size_t n);

/* n of p->words. */
void columns_put_words(struct columns *p, struct writer *w, int n);
void columns_get_words(struct columns *p, struct reader *r, int n);

/* n of p->whole as differences from the one before; first[i] (NULL: only the first) begins anew. */
void columns_put_whole(struct columns *p, struct writer *w, int n, const bool *first);
void columns_get_whole(struct columns *p, struct reader *r, int n, const bool *first);

/* n of p->values, NAN where there is none; all others come back to the bit. */
void columns_put_values(struct columns *p, struct writer *w, int n);
void columns_get_values(struct columns *p, struct reader *r, int n);

static inline int64_t wrapping_sub(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a - (uint64_t)b);
}

static inline int64_t wrapping_add(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a + (uint64_t)b);
}

#endif
