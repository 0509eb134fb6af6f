#include "columns.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LEVEL = 9, POWERS = 10 };
enum plane_mode { PLANE_ZERO, PLANE_RAW, PLANE_ZSTD };
enum presence { PRESENT_NONE, PRESENT_ALL, PRESENT_SOME };
enum value_codec { VALUE_QUOTIENT, VALUE_PRODUCT, VALUE_SINGLE, VALUE_LISTED, VALUE_RAW };

/* Both lists as the compiler rounds them: part of the format. */
static const double tens[POWERS] = {1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
static const double tenths[POWERS] = {1.0, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9};
static const double whole_max = 4503599627370496.0; /* 2^52: whole numbers are exact up to here */

int columns_init(struct columns *p, int cap)
{
    size_t n = (size_t)cap;
    *p = (struct columns){.pack = ZSTD_createCCtx(),
                          .unpack = ZSTD_createDCtx(),
                          .cap = cap,
                          .whole = calloc(n, sizeof *p->whole),
                          .sorted = calloc(n, sizeof *p->sorted),
                          .words = calloc(n, sizeof *p->words),
                          .values = calloc(n, sizeof *p->values),
                          .listed = calloc(n, sizeof *p->listed),
                          .plane = calloc(n, 1),
                          .bits = calloc(n / 8 + 1, 1)};
    return p->pack == NULL || p->unpack == NULL || p->whole == NULL || p->sorted == NULL || p->words == NULL ||
                   p->values == NULL || p->listed == NULL || p->plane == NULL || p->bits == NULL
               ? -1
               : 0;
}

void columns_free(struct columns *p)
{
    ZSTD_freeCCtx(p->pack);
    ZSTD_freeDCtx(p->unpack);
    free(p->whole);
    free(p->sorted);
    free(p->words);
    free(p->values);
    free(p->listed);
    free(p->plane);
    free(p->bits);
}

static uint64_t bits_of(double v)
{
    uint64_t u;
    memcpy(&u, &v, sizeof u);
    return u;
}

static double double_of(uint64_t u)
{
    double v;
    memcpy(&v, &u, sizeof v);
    return v;
}

static uint64_t zigzag(int64_t v)
{
    return ((uint64_t)v << 1) ^ (v < 0 ? UINT64_MAX : 0);
}

static int64_t unzigzag(uint64_t u)
{
    return (int64_t)((u >> 1) ^ ((u & 1) != 0 ? UINT64_MAX : 0));
}

/* ---- planes ---- */

void columns_put_plane(struct columns *p, struct writer *w, const uint8_t *bytes, size_t n)
{
    bool zero = true;
    for (size_t i = 0; zero && i < n; i++)
        zero = bytes[i] == 0;
    put_u8(w, zero ? PLANE_ZERO : PLANE_RAW);
    if (zero || w->bad)
        return;
    size_t mode_at = w->used - 1;
    if (w->cap - w->used > n + 4) {
        size_t size = ZSTD_compressCCtx(p->pack, w->bytes + w->used + 4, n, bytes, n, LEVEL);
        if (!ZSTD_isError(size) && size + 4 < n) {
            w->bytes[mode_at] = PLANE_ZSTD;
            put_u32(w, (uint32_t)size);
            w->used += size;
            return;
        }
    }
    put_bytes(w, bytes, n);
}

void columns_get_plane(struct columns *p, struct reader *r, uint8_t *bytes, size_t n)
{
    uint8_t mode = get_u8(r);
    memset(bytes, 0, n);
    if (mode == PLANE_RAW) {
        get_bytes(r, bytes, n);
    } else if (mode == PLANE_ZSTD) {
        uint32_t size = get_u32(r);
        if (r->bad || size > r->size - r->at || ZSTD_decompressDCtx(p->unpack, bytes, n, r->bytes + r->at, size) != n)
            r->bad = true;
        else
            r->at += size;
    } else if (mode != PLANE_ZERO) {
        r->bad = true;
    }
}

/* The n words byte by byte of equal weight, as many planes as the greatest needs. */
void columns_put_words(struct columns *p, struct writer *w, int n)
{
    uint64_t all = 0;
    for (int i = 0; i < n; i++)
        all |= p->words[i];
    uint8_t width = 0;
    for (; all != 0; all >>= 8)
        width++;
    put_u8(w, width);
    for (unsigned b = 0; b < width; b++) {
        for (int i = 0; i < n; i++)
            p->plane[i] = (uint8_t)(p->words[i] >> (8 * b));
        columns_put_plane(p, w, p->plane, (size_t)n);
    }
}

void columns_get_words(struct columns *p, struct reader *r, int n)
{
    uint8_t width = get_u8(r);
    memset(p->words, 0, (size_t)n * sizeof p->words[0]);
    if (width > 8)
        r->bad = true;
    for (unsigned b = 0; !r->bad && b < width; b++) {
        columns_get_plane(p, r, p->plane, (size_t)n);
        for (int i = 0; i < n; i++)
            p->words[i] |= (uint64_t)p->plane[i] << (8 * b);
    }
}

static int by_whole(const void *a, const void *b)
{
    const int64_t *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* The usual difference is taken off, so that a steady rise costs nothing. */
void columns_put_whole(struct columns *p, struct writer *w, int n, const bool *first)
{
    int64_t usual = 0;
    int m = 0;
    for (int i = 1; i < n; i++)
        if (first == NULL || !first[i])
            p->sorted[m++] = wrapping_sub(p->whole[i], p->whole[i - 1]);
    qsort(p->sorted, (size_t)m, sizeof p->sorted[0], by_whole);
    if (m > 0)
        usual = p->sorted[m / 2];
    put_i64(w, usual);
    for (int i = 0; i < n; i++) {
        bool anew = i == 0 || (first != NULL && first[i]);
        int64_t d = anew ? p->whole[i] : wrapping_sub(wrapping_sub(p->whole[i], p->whole[i - 1]), usual);
        p->words[i] = zigzag(d);
    }
    columns_put_words(p, w, n);
}

void columns_get_whole(struct columns *p, struct reader *r, int n, const bool *first)
{
    int64_t usual = get_i64(r);
    columns_get_words(p, r, n);
    for (int i = 0; i < n; i++) {
        bool anew = i == 0 || (first != NULL && first[i]);
        int64_t d = unzigzag(p->words[i]);
        p->whole[i] = anew ? d : wrapping_add(wrapping_add(p->whole[i - 1], d), usual);
    }
}

/* ---- values ---- */

static double from_whole(int64_t n, enum value_codec codec, int power)
{
    return codec == VALUE_QUOTIENT ? (double)n / tens[power] : (double)n * tenths[power];
}

static bool all_whole(struct columns *p, int n, enum value_codec codec, int power)
{
    for (int i = 0; i < n; i++) {
        double scaled = p->values[i] * tens[power];
        if (!(fabs(scaled) < whole_max))
            return false;
        p->whole[i] = (int64_t)(scaled + (scaled < 0.0 ? -0.5 : 0.5));
        if (bits_of(from_whole(p->whole[i], codec, power)) != bits_of(p->values[i]))
            return false;
    }
    return true;
}

static bool all_single(const struct columns *p, int n)
{
    for (int i = 0; i < n; i++)
        if (fabs(p->values[i]) > 3e38 || bits_of((double)(float)p->values[i]) != bits_of(p->values[i]))
            return false;
    return true;
}

static int by_value(const void *a, const void *b)
{
    const double *x = a, *y = b;
    if (*x < *y || *x > *y)
        return *x < *y ? -1 : 1;
    return signbit(*x) == signbit(*y) ? 0 : signbit(*x) ? -1 : 1;
}

/* The different values, sorted; 0 when they are too many for a list to pay. Places go to whole. */
static int list_values(struct columns *p, int n)
{
    memcpy(p->listed, p->values, (size_t)n * sizeof p->listed[0]);
    qsort(p->listed, (size_t)n, sizeof p->listed[0], by_value);
    int m = 0;
    for (int i = 0; i < n; i++)
        if (m == 0 || bits_of(p->listed[i]) != bits_of(p->listed[m - 1]))
            p->listed[m++] = p->listed[i];
    if (m > n / 8)
        return 0;
    for (int i = 0; i < n; i++) {
        const double *at = bsearch(&p->values[i], p->listed, (size_t)m, sizeof p->listed[0], by_value);
        if (at == NULL)
            return 0;
        p->whole[i] = at - p->listed;
    }
    return m;
}

static void put_present(struct columns *p, struct writer *w, int n)
{
    for (int codec = VALUE_QUOTIENT; codec <= VALUE_PRODUCT; codec++) {
        for (int power = 0; power < POWERS; power++) {
            if (!all_whole(p, n, (enum value_codec)codec, power))
                continue;
            put_u8(w, (uint8_t)codec);
            put_u8(w, (uint8_t)power);
            columns_put_whole(p, w, n, NULL);
            return;
        }
    }
    int listed = list_values(p, n);
    if (listed > 0) {
        put_u8(w, VALUE_LISTED);
        put_u32(w, (uint32_t)listed);
        for (int i = 0; i < listed; i++)
            p->words[i] = bits_of(p->listed[i]);
        columns_put_words(p, w, listed);
        columns_put_whole(p, w, n, NULL);
        return;
    }
    bool single = all_single(p, n);
    put_u8(w, single ? VALUE_SINGLE : VALUE_RAW);
    for (int i = 0; i < n; i++) {
        float f = (float)p->values[i];
        uint32_t u;
        memcpy(&u, &f, sizeof u);
        p->words[i] = single ? u : bits_of(p->values[i]);
    }
    columns_put_words(p, w, n);
}

static void get_present(struct columns *p, struct reader *r, int n)
{
    uint8_t codec = get_u8(r);
    if (codec == VALUE_QUOTIENT || codec == VALUE_PRODUCT) {
        uint8_t power = get_u8(r);
        if (power >= POWERS)
            r->bad = true;
        columns_get_whole(p, r, n, NULL);
        for (int i = 0; !r->bad && i < n; i++)
            p->values[i] = from_whole(p->whole[i], (enum value_codec)codec, power);
    } else if (codec == VALUE_LISTED) {
        uint32_t m = get_u32(r);
        if (m > (uint32_t)p->cap)
            r->bad = true;
        if (r->bad)
            return;
        columns_get_words(p, r, (int)m);
        for (uint32_t i = 0; i < m; i++)
            p->listed[i] = double_of(p->words[i]);
        columns_get_whole(p, r, n, NULL);
        for (int i = 0; !r->bad && i < n; i++) {
            if (p->whole[i] < 0 || p->whole[i] >= (int64_t)m)
                r->bad = true;
            else
                p->values[i] = p->listed[p->whole[i]];
        }
    } else if (codec == VALUE_SINGLE || codec == VALUE_RAW) {
        columns_get_words(p, r, n);
        for (int i = 0; i < n; i++) {
            uint32_t u = (uint32_t)p->words[i];
            float f;
            memcpy(&f, &u, sizeof f);
            p->values[i] = codec == VALUE_SINGLE ? (double)f : double_of(p->words[i]);
        }
    } else {
        r->bad = true;
    }
}

/* ---- values that need not all be there ---- */

void columns_put_values(struct columns *p, struct writer *w, int n)
{
    int there = 0;
    memset(p->bits, 0, (size_t)(n + 7) / 8);
    for (int i = 0; i < n; i++) {
        if (isnan(p->values[i]))
            continue;
        p->values[there++] = p->values[i];
        p->bits[i / 8] |= (uint8_t)(1u << (i % 8));
    }
    put_u8(w, there == 0 ? PRESENT_NONE : there == n ? PRESENT_ALL : PRESENT_SOME);
    if (there > 0 && there < n)
        columns_put_plane(p, w, p->bits, (size_t)(n + 7) / 8);
    if (there > 0)
        put_present(p, w, there);
}

void columns_get_values(struct columns *p, struct reader *r, int n)
{
    uint8_t presence = get_u8(r);
    memset(p->bits, presence == PRESENT_ALL ? 0xff : 0, (size_t)(n + 7) / 8);
    if (presence == PRESENT_SOME)
        columns_get_plane(p, r, p->bits, (size_t)(n + 7) / 8);
    else if (presence > PRESENT_SOME)
        r->bad = true;
    int there = 0;
    for (int i = 0; i < n; i++)
        there += (p->bits[i / 8] >> (i % 8)) & 1;
    if (there > 0 && !r->bad)
        get_present(p, r, there);
    /* From the end, since the values lie together in front. */
    for (int i = n - 1; i >= 0; i--)
        p->values[i] = ((p->bits[i / 8] >> (i % 8)) & 1) != 0 ? p->values[--there] : (double)NAN;
}
