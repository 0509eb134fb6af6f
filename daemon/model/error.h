/* One error report: what went wrong, where, and what to do about it, as a sentence for people. Filled by the function
 * that failed, untouched on success. Any thread; the caller owns it. */
#ifndef ERROR_H
#define ERROR_H

#include <stddef.h>

struct error {
    char text[768];
};

/* Write a formatted message into err (NULL: dropped). Always returns -1, so a caller may `return error_set(...)`. */
int error_set(struct error *err, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Put "prefix: " in front of the message already in err. Always returns -1. */
int error_prefix(struct error *err, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Copy a string into a buffer of cap bytes; always ends in zero. Returns 0, or -1 when it had to be cut. */
int text_copy(char *to, size_t cap, const char *from);

/* printf into a buffer of cap bytes; always ends in zero. Returns 0, or -1 when it had to be cut. */
int text_format(char *to, size_t cap, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* Append like printf to the string already in the buffer. Returns 0, or -1 when it had to be cut. */
int text_append(char *to, size_t cap, const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
