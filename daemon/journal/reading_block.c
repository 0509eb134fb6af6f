#include "reading_block.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <zstd.h>

#include "codec.h"

enum { ROWS = READING_BLOCK_ROWS, BLOCK_CAP = 4 * 1024 * 1024, LEVEL = 9, POWERS = 10 };
enum plane_mode { PLANE_ZERO, PLANE_RAW, PLANE_ZSTD };
enum presence { PRESENT_NONE, PRESENT_ALL, PRESENT_SOME };
enum value_codec { VALUE_QUOTIENT, VALUE_PRODUCT, VALUE_SINGLE, VALUE_LISTED, VALUE_RAW };

/* Both lists as the compiler rounds them: part of the format. */
static const double tens[POWERS] = {1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
static const double tenths[POWERS] = {1.0, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9};
static const double whole_max = 4503599627370496.0; /* 2^52: whole numbers are exact up to here */

struct group {
    int64_t channel_id, run_no;
    int32_t idx;
};

struct reading_packer {
    ZSTD_CCtx *pack;
    ZSTD_DCtx *unpack;
    uint8_t *out;
    struct group groups[READING_BLOCK_GROUPS];
    int group_count;
    uint8_t group_of[ROWS];
    int order[ROWS];  /* places of the rows, group by group */
    bool first[ROWS]; /* in that order: does a group begin here? */
    int64_t whole[ROWS], sorted[ROWS];
    uint64_t words[ROWS];
    double values[ROWS], listed[ROWS];
    uint8_t plane[ROWS], bits[ROWS / 8];
};

struct reading_packer *reading_packer_new(void)
{
    struct reading_packer *p = calloc(1, sizeof *p);
    if (p == NULL)
        return NULL;
    p->pack = ZSTD_createCCtx();
    p->unpack = ZSTD_createDCtx();
    p->out = malloc(BLOCK_CAP);
    if (p->pack == NULL || p->unpack == NULL || p->out == NULL) {
        reading_packer_free(p);
        return NULL;
    }
    return p;
}

void reading_packer_free(struct reading_packer *p)
{
    if (p == NULL)
        return;
    ZSTD_freeCCtx(p->pack);
    ZSTD_freeDCtx(p->unpack);
    free(p->out);
    free(p);
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

static int64_t wrapping_sub(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a - (uint64_t)b);
}

static int64_t wrapping_add(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a + (uint64_t)b);
}

/* ---- planes ---- */

static void put_plane(struct reading_packer *p, struct writer *w, const uint8_t *bytes, size_t n)
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

static void get_plane(struct reading_packer *p, struct reader *r, uint8_t *bytes, size_t n)
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
static void put_words(struct reading_packer *p, struct writer *w, int n)
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
        put_plane(p, w, p->plane, (size_t)n);
    }
}

static void get_words(struct reading_packer *p, struct reader *r, int n)
{
    uint8_t width = get_u8(r);
    memset(p->words, 0, sizeof p->words);
    if (width > 8)
        r->bad = true;
    for (unsigned b = 0; !r->bad && b < width; b++) {
        get_plane(p, r, p->plane, (size_t)n);
        for (int i = 0; i < n; i++)
            p->words[i] |= (uint64_t)p->plane[i] << (8 * b);
    }
}

static int by_whole(const void *a, const void *b)
{
    const int64_t *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* The n whole numbers as differences from the one before; first[i] (NULL: only the first) begins anew. The usual
 * difference is taken off, so that a steady rise costs nothing. */
static void put_whole(struct reading_packer *p, struct writer *w, int n, const bool *first)
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
    put_words(p, w, n);
}

static void get_whole(struct reading_packer *p, struct reader *r, int n, const bool *first)
{
    int64_t usual = get_i64(r);
    get_words(p, r, n);
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

static bool all_whole(struct reading_packer *p, int n, enum value_codec codec, int power)
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

static bool all_single(const struct reading_packer *p, int n)
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
static int list_values(struct reading_packer *p, int n)
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

static void put_values(struct reading_packer *p, struct writer *w, int n)
{
    for (int codec = VALUE_QUOTIENT; codec <= VALUE_PRODUCT; codec++) {
        for (int power = 0; power < POWERS; power++) {
            if (!all_whole(p, n, (enum value_codec)codec, power))
                continue;
            put_u8(w, (uint8_t)codec);
            put_u8(w, (uint8_t)power);
            put_whole(p, w, n, NULL);
            return;
        }
    }
    int listed = list_values(p, n);
    if (listed > 0) {
        put_u8(w, VALUE_LISTED);
        put_u32(w, (uint32_t)listed);
        for (int i = 0; i < listed; i++)
            p->words[i] = bits_of(p->listed[i]);
        put_words(p, w, listed);
        put_whole(p, w, n, NULL);
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
    put_words(p, w, n);
}

static void get_values(struct reading_packer *p, struct reader *r, int n)
{
    uint8_t codec = get_u8(r);
    if (codec == VALUE_QUOTIENT || codec == VALUE_PRODUCT) {
        uint8_t power = get_u8(r);
        if (power >= POWERS)
            r->bad = true;
        get_whole(p, r, n, NULL);
        for (int i = 0; !r->bad && i < n; i++)
            p->values[i] = from_whole(p->whole[i], (enum value_codec)codec, power);
    } else if (codec == VALUE_LISTED) {
        uint32_t m = get_u32(r);
        if (m > ROWS)
            r->bad = true;
        if (r->bad)
            return;
        get_words(p, r, (int)m);
        for (uint32_t i = 0; i < m; i++)
            p->listed[i] = double_of(p->words[i]);
        get_whole(p, r, n, NULL);
        for (int i = 0; !r->bad && i < n; i++) {
            if (p->whole[i] < 0 || p->whole[i] >= (int64_t)m)
                r->bad = true;
            else
                p->values[i] = p->listed[p->whole[i]];
        }
    } else if (codec == VALUE_SINGLE || codec == VALUE_RAW) {
        get_words(p, r, n);
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

/* ---- rows ---- */

/* Channels and runs of the rows; -1: more than a block may have. */
static int find_groups(struct reading_packer *p, const struct block_row *rows, int count)
{
    p->group_count = 0;
    for (int i = 0; i < count; i++) {
        const struct journal_reading *m = &rows[i].m;
        int g = 0;
        while (g < p->group_count && (p->groups[g].channel_id != rows[i].channel_id ||
                                      p->groups[g].run_no != m->run_no || p->groups[g].idx != m->channel))
            g++;
        if (g == p->group_count) {
            if (g == READING_BLOCK_GROUPS)
                return -1;
            p->groups[p->group_count++] =
                (struct group){.channel_id = rows[i].channel_id, .run_no = m->run_no, .idx = m->channel};
        }
        p->group_of[i] = (uint8_t)g;
    }
    return 0;
}

static void order_rows(struct reading_packer *p, int count)
{
    int at = 0;
    for (int g = 0; g < p->group_count; g++) {
        int begin = at;
        for (int i = 0; i < count; i++) {
            if (p->group_of[i] != g)
                continue;
            p->first[at] = at == begin;
            p->order[at++] = i;
        }
    }
}

static int64_t floor_ms(int64_t utc_us)
{
    return utc_us / 1000 - (utc_us % 1000 < 0 ? 1 : 0);
}

enum column { COLUMN_SEQ, COLUMN_UTC, COLUMN_STORE, COLUMN_HALF_WIDTH, COLUMN_LOST, COLUMN_BACK, COLUMN_COUNT_ };

static int64_t column_get(const struct journal_reading *m, int column)
{
    switch ((enum column)column) {
    case COLUMN_SEQ:
        return (int64_t)m->seq;
    case COLUMN_UTC:
        return m->utc_us;
    case COLUMN_STORE:
        return wrapping_sub(m->store_ms, floor_ms(m->utc_us)); /* nearly always none */
    case COLUMN_HALF_WIDTH:
        return m->half_width_us;
    case COLUMN_LOST:
        return m->lost;
    case COLUMN_BACK:
        return m->back;
    case COLUMN_COUNT_:
        break;
    }
    return 0;
}

static void column_set(struct journal_reading *m, int column, int64_t v)
{
    switch ((enum column)column) {
    case COLUMN_SEQ:
        m->seq = (uint64_t)v;
        break;
    case COLUMN_UTC:
        m->utc_us = v;
        break;
    case COLUMN_STORE:
        m->store_ms = wrapping_add(floor_ms(m->utc_us), v);
        break;
    case COLUMN_HALF_WIDTH:
        m->half_width_us = v;
        break;
    case COLUMN_LOST:
        m->lost = (uint32_t)v;
        break;
    case COLUMN_BACK:
        m->back = (uint32_t)v;
        break;
    case COLUMN_COUNT_:
        break;
    }
}

static void put_kind(struct reading_packer *p, struct writer *w, const struct block_row *rows, int count, int kind)
{
    int n = 0;
    memset(p->bits, 0, sizeof p->bits);
    for (int i = 0; i < count; i++) {
        double v = rows[p->order[i]].m.values[kind];
        if (isnan(v))
            continue;
        p->values[n++] = v;
        p->bits[i / 8] |= (uint8_t)(1u << (i % 8));
    }
    put_u8(w, n == 0 ? PRESENT_NONE : n == count ? PRESENT_ALL : PRESENT_SOME);
    if (n > 0 && n < count)
        put_plane(p, w, p->bits, (size_t)(count + 7) / 8);
    if (n > 0)
        put_values(p, w, n);
}

static void get_kind(struct reading_packer *p, struct reader *r, struct block_row *rows, int count, int kind)
{
    uint8_t presence = get_u8(r);
    memset(p->bits, presence == PRESENT_ALL ? 0xff : 0, sizeof p->bits);
    if (presence == PRESENT_SOME)
        get_plane(p, r, p->bits, (size_t)(count + 7) / 8);
    else if (presence > PRESENT_SOME)
        r->bad = true;
    int n = 0, at = 0;
    for (int i = 0; i < count; i++)
        n += (p->bits[i / 8] >> (i % 8)) & 1;
    if (n > 0 && !r->bad)
        get_values(p, r, n);
    for (int i = 0; i < count; i++) {
        bool there = ((p->bits[i / 8] >> (i % 8)) & 1) != 0;
        rows[p->order[i]].m.values[kind] = there ? p->values[at++] : (double)NAN;
    }
}

int reading_block_pack(struct reading_packer *p, const struct block_row *rows, int count, const uint8_t **bytes,
                       size_t *size)
{
    if (count < 1 || count > ROWS)
        return -1;
    for (int i = 0; i < count; i++)
        if (rows[i].m.row != rows[0].m.row + i || rows[i].m.epoch != rows[0].m.epoch)
            return -1;
    if (find_groups(p, rows, count) != 0)
        return -1;
    order_rows(p, count);
    struct writer w = writer_over(p->out, BLOCK_CAP);
    put_u32(&w, (uint32_t)count);
    put_u64(&w, rows[0].m.epoch);
    put_i64(&w, rows[0].m.row);
    put_u8(&w, (uint8_t)p->group_count);
    for (int g = 0; g < p->group_count; g++) {
        put_i64(&w, p->groups[g].channel_id);
        put_i64(&w, p->groups[g].run_no);
        put_i32(&w, p->groups[g].idx);
    }
    put_plane(p, &w, p->group_of, (size_t)count);
    for (int c = 0; c < COLUMN_COUNT_; c++) {
        for (int i = 0; i < count; i++)
            p->whole[i] = column_get(&rows[p->order[i]].m, c);
        put_whole(p, &w, count, p->first);
    }
    put_u8(&w, SIG_OTHER);
    for (int k = 0; k < SIG_OTHER; k++)
        put_kind(p, &w, rows, count, k);
    *bytes = p->out;
    *size = w.used;
    return w.bad ? -1 : 0;
}

static int unpack_head(struct reading_packer *p, struct reader *r, uint64_t *epoch, int64_t *row)
{
    uint32_t count = get_u32(r);
    *epoch = get_u64(r);
    *row = get_i64(r);
    p->group_count = get_u8(r);
    if (r->bad || count < 1 || count > ROWS)
        return -1;
    for (int g = 0; g < p->group_count; g++) {
        p->groups[g].channel_id = get_i64(r);
        p->groups[g].run_no = get_i64(r);
        p->groups[g].idx = get_i32(r);
    }
    get_plane(p, r, p->group_of, count);
    for (uint32_t i = 0; i < count; i++)
        if (p->group_of[i] >= p->group_count)
            r->bad = true;
    return r->bad ? -1 : (int)count;
}

int reading_block_unpack(struct reading_packer *p, const uint8_t *bytes, size_t size, struct block_row *rows)
{
    struct reader r = reader_over(bytes, size);
    uint64_t epoch;
    int64_t row;
    int count = unpack_head(p, &r, &epoch, &row);
    if (count < 0)
        return -1;
    order_rows(p, count);
    for (int i = 0; i < count; i++) {
        const struct group *g = &p->groups[p->group_of[i]];
        rows[i] = (struct block_row){.channel_id = g->channel_id};
        rows[i].m.row = wrapping_add(row, i);
        rows[i].m.epoch = epoch;
        rows[i].m.run_no = g->run_no;
        rows[i].m.channel = g->idx;
        for (int k = 0; k < SIG_KIND_COUNT_; k++)
            rows[i].m.values[k] = (double)NAN;
    }
    for (int c = 0; c < COLUMN_COUNT_; c++) {
        get_whole(p, &r, count, p->first);
        for (int i = 0; i < count; i++)
            column_set(&rows[p->order[i]].m, c, p->whole[i]);
    }
    int kinds = get_u8(&r);
    if (kinds > SIG_OTHER)
        return -1;
    for (int k = 0; !r.bad && k < kinds; k++)
        get_kind(p, &r, rows, count, k);
    return r.bad || r.at != r.size ? -1 : count;
}

bool block_row_same(const struct block_row *a, const struct block_row *b)
{
    const struct journal_reading *x = &a->m, *y = &b->m;
    if (a->channel_id != b->channel_id || x->row != y->row || x->epoch != y->epoch || x->channel != y->channel ||
        x->run_no != y->run_no || x->seq != y->seq || x->utc_us != y->utc_us || x->store_ms != y->store_ms ||
        x->half_width_us != y->half_width_us || x->lost != y->lost || x->back != y->back)
        return false;
    for (int k = 0; k < SIG_OTHER; k++)
        if (bits_of(x->values[k]) != bits_of(y->values[k]) && !(isnan(x->values[k]) && isnan(y->values[k])))
            return false;
    return true;
}
