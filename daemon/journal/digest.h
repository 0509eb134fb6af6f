/* SHA-256 (FIPS 180-4) through libcrypto: names of blobs and the chain over the record. */
#ifndef DIGEST_H
#define DIGEST_H

#include <stddef.h>
#include <stdint.h>

enum { DIGEST_SIZE = 32, DIGEST_HEX_CAP = 2 * DIGEST_SIZE + 1 };

struct digest {
    uint8_t bytes[DIGEST_SIZE];
};

/* Digest of size bytes. Returns 0, or -1 when the library refuses (out of memory). */
int digest_of(const void *bytes, size_t size, struct digest *out);

/* A digest that is fed piece by piece. digest_stream_new gives NULL when out of memory. begin starts it afresh, add
 * feeds it, end writes the digest (the stream must begin again before more is added). Each returns 0 or -1. */
struct digest_stream;
struct digest_stream *digest_stream_new(void);
void digest_stream_free(struct digest_stream *s);
int digest_stream_begin(struct digest_stream *s);
int digest_stream_add(struct digest_stream *s, const void *bytes, size_t size);
int digest_stream_end(struct digest_stream *s, struct digest *out);

/* Lower-case hexadecimal with the final zero. */
void digest_print(const struct digest *d, char to[DIGEST_HEX_CAP]);

/* Reads 64 hexadecimal digits, nothing around them. Returns 0 or -1. */
int digest_parse(const char *text, struct digest *out);

#endif
