/* Canonical binary encoding: little endian, fixed widths, strings as u16 length and bytes, doubles as their IEEE 754
 * bits (so the same value always has the same bytes; every NaN is written as one NaN). Digests and replay rest on it.
 * A writer or reader that runs out of room goes bad and stays bad; check it once at the end. */
#ifndef CODEC_H
#define CODEC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct writer {
    uint8_t *bytes; /* caller's buffer; NULL only counts */
    size_t cap;
    size_t used;
    bool bad;
};

struct reader {
    const uint8_t *bytes;
    size_t size;
    size_t at;
    bool bad;
};

struct writer writer_over(uint8_t *bytes, size_t cap);
struct reader reader_over(const uint8_t *bytes, size_t size);

void put_u8(struct writer *w, uint8_t v);
void put_u16(struct writer *w, uint16_t v);
void put_u32(struct writer *w, uint32_t v);
void put_u64(struct writer *w, uint64_t v);
void put_i32(struct writer *w, int32_t v);
void put_i64(struct writer *w, int64_t v);
void put_bool(struct writer *w, bool v);
void put_f64(struct writer *w, double v);
void put_text(struct writer *w, const char *v);
void put_bytes(struct writer *w, const void *v, size_t n);

uint8_t get_u8(struct reader *r);
uint16_t get_u16(struct reader *r);
uint32_t get_u32(struct reader *r);
uint64_t get_u64(struct reader *r);
int32_t get_i32(struct reader *r);
int64_t get_i64(struct reader *r);
bool get_bool(struct reader *r);
double get_f64(struct reader *r);
/* Reads a string into a buffer of cap bytes; goes bad when it does not fit or holds a zero byte. */
void get_text(struct reader *r, char *to, size_t cap);
void get_bytes(struct reader *r, void *to, size_t n);

/* A count or an enumeration read from outside: goes bad (and gives 0) when it is not below limit. */
uint32_t get_below(struct reader *r, uint32_t limit);

#endif
