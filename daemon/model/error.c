#include "error.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static int format_into(char *to, size_t cap, const char *format, va_list args) __attribute__((format(printf, 3, 0)));

static int format_into(char *to, size_t cap, const char *format, va_list args)
{
    if (cap == 0)
        return -1;
    /* The analyzer of clang 14 does not see that va_start began args, here or in every caller. */
    int n = vsnprintf(to, cap, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized) */
    if (n < 0) {
        to[0] = '\0';
        return -1;
    }
    return (size_t)n < cap ? 0 : -1;
}

int error_set(struct error *err, const char *format, ...)
{
    if (err == NULL)
        return -1;
    va_list args;
    va_start(args, format);
    (void)format_into(err->text, sizeof err->text, format, args);
    va_end(args);
    return -1;
}

int error_prefix(struct error *err, const char *format, ...)
{
    if (err == NULL)
        return -1;
    char whole[sizeof err->text];
    va_list args;
    va_start(args, format);
    (void)format_into(whole, sizeof whole, format, args);
    va_end(args);
    (void)text_append(whole, sizeof whole, ": %s", err->text);
    memcpy(err->text, whole, sizeof whole);
    return -1;
}

int text_copy(char *to, size_t cap, const char *from)
{
    if (cap == 0)
        return -1;
    size_t n = strlen(from);
    int cut = n >= cap;
    if (cut)
        n = cap - 1;
    memcpy(to, from, n);
    to[n] = '\0';
    return cut ? -1 : 0;
}

int text_format(char *to, size_t cap, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    int rc = format_into(to, cap, format, args);
    va_end(args);
    return rc;
}

int text_append(char *to, size_t cap, const char *format, ...)
{
    size_t used = strnlen(to, cap);
    if (used >= cap)
        return -1;
    va_list args;
    va_start(args, format);
    int rc = format_into(to + used, cap - used, format, args);
    va_end(args);
    return rc;
}
