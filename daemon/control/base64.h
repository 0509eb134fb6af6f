/* Bytes as text: base 64 of RFC 4648 section 4, with padding, without line breaks. */
#ifndef BASE64_H
#define BASE64_H

#include <stddef.h>
#include <stdint.h>

/* A malloc'd, zero-ended string, or NULL when memory is short. */
char *base64_encode(const uint8_t *bytes, size_t size);

/* The bytes of size characters of text, malloc'd; NULL when the text is no base 64 or memory is short. An empty text
 * gives a block of no bytes. */
uint8_t *base64_decode(const char *text, size_t size, size_t *bytes_size);

#endif
