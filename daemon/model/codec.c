#include "codec.h"

#include <string.h>

static const uint64_t one_nan = UINT64_C(0x7ff8000000000000);

struct writer writer_over(uint8_t *bytes, size_t cap)
{
    return (struct writer){.bytes = bytes, .cap = cap, .used = 0, .bad = false};
}

struct reader reader_over(const uint8_t *bytes, size_t size)
{
    return (struct reader){.bytes = bytes, .size = size, .at = 0, .bad = false};
}

void put_bytes(struct writer *w, const void *v, size_t n)
{
    if (w->bytes != NULL) {
        if (w->bad || n > w->cap - w->used) {
            w->bad = true;
            return;
        }
        if (n > 0)
            memcpy(w->bytes + w->used, v, n);
    }
    w->used += n;
}

static void put_le(struct writer *w, uint64_t v, size_t n)
{
    uint8_t b[8];
    for (size_t i = 0; i < n; i++)
        b[i] = (uint8_t)(v >> (8 * i));
    put_bytes(w, b, n);
}

void put_u8(struct writer *w, uint8_t v)
{
    put_le(w, v, 1);
}

void put_u16(struct writer *w, uint16_t v)
{
    put_le(w, v, 2);
}

void put_u32(struct writer *w, uint32_t v)
{
    put_le(w, v, 4);
}

void put_u64(struct writer *w, uint64_t v)
{
    put_le(w, v, 8);
}

void put_i32(struct writer *w, int32_t v)
{
    put_le(w, (uint32_t)v, 4);
}

void put_i64(struct writer *w, int64_t v)
{
    put_le(w, (uint64_t)v, 8);
}

void put_bool(struct writer *w, bool v)
{
    put_le(w, v ? 1 : 0, 1);
}

void put_f64(struct writer *w, double v)
{
    uint64_t bits;
    if (v != v)
        bits = one_nan;
    else
        memcpy(&bits, &v, sizeof bits);
    put_le(w, bits, 8);
}

void put_text(struct writer *w, const char *v)
{
    size_t n = strlen(v);
    if (n > UINT16_MAX) {
        w->bad = true;
        return;
    }
    put_u16(w, (uint16_t)n);
    put_bytes(w, v, n);
}

void get_bytes(struct reader *r, void *to, size_t n)
{
    if (r->bad || n > r->size - r->at) {
        r->bad = true;
        memset(to, 0, n);
        return;
    }
    if (n > 0)
        memcpy(to, r->bytes + r->at, n);
    r->at += n;
}

static uint64_t get_le(struct reader *r, size_t n)
{
    uint8_t b[8] = {0};
    get_bytes(r, b, n);
    uint64_t v = 0;
    for (size_t i = 0; i < n; i++)
        v |= (uint64_t)b[i] << (8 * i);
    return v;
}

uint8_t get_u8(struct reader *r)
{
    return (uint8_t)get_le(r, 1);
}

uint16_t get_u16(struct reader *r)
{
    return (uint16_t)get_le(r, 2);
}

uint32_t get_u32(struct reader *r)
{
    return (uint32_t)get_le(r, 4);
}

uint64_t get_u64(struct reader *r)
{
    return get_le(r, 8);
}

int32_t get_i32(struct reader *r)
{
    return (int32_t)get_u32(r);
}

int64_t get_i64(struct reader *r)
{
    return (int64_t)get_u64(r);
}

bool get_bool(struct reader *r)
{
    uint8_t v = get_u8(r);
    if (v > 1)
        r->bad = true;
    return v == 1;
}

double get_f64(struct reader *r)
{
    uint64_t bits = get_u64(r);
    double v;
    memcpy(&v, &bits, sizeof v);
    return v;
}

void get_text(struct reader *r, char *to, size_t cap)
{
    uint16_t n = get_u16(r);
    to[0] = '\0';
    if (r->bad || (size_t)n >= cap) {
        r->bad = true;
        return;
    }
    get_bytes(r, to, n);
    to[r->bad ? 0 : n] = '\0';
    if (!r->bad && memchr(to, 0, n) != NULL) {
        r->bad = true;
        to[0] = '\0';
    }
}

uint32_t get_below(struct reader *r, uint32_t limit)
{
    uint32_t v = get_u32(r);
    if (v >= limit) {
        r->bad = true;
        return 0;
    }
    return v;
}
