#include "protocol.h"

#include <stdlib.h>
#include <string.h>

struct line_buffer line_buffer_over(size_t max)
{
    return (struct line_buffer){.max = max};
}

void line_buffer_free(struct line_buffer *b)
{
    free(b->bytes);
    *b = (struct line_buffer){.max = b->max};
}

int line_buffer_add(struct line_buffer *b, const char *bytes, size_t size)
{
    if (size == 0)
        return 0;
    if (size > b->max - b->used)
        return -1;
    if (b->used + size > b->cap) {
        size_t cap = b->cap ? b->cap : 1024;
        while (cap < b->used + size)
            cap = cap > b->max / 2 ? b->max : cap * 2;
        char *grown = realloc(b->bytes, cap);
        if (!grown)
            return -1;
        b->bytes = grown;
        b->cap = cap;
    }
    memcpy(b->bytes + b->used, bytes, size);
    b->used += size;
    return 0;
}

bool line_buffer_line(struct line_buffer *b, const char **line, size_t *size)
{
    if (b->scanned >= b->used)
        return false;
    const char *end = memchr(b->bytes + b->scanned, '\n', b->used - b->scanned);
    if (!end) {
        b->scanned = b->used;
        return false;
    }
    b->scanned = (size_t)(end - b->bytes);
    *line = b->bytes;
    *size = b->scanned;
    return true;
}

void line_buffer_drop(struct line_buffer *b)
{
    const char *end = b->used ? memchr(b->bytes, '\n', b->used) : NULL;
    size_t gone = end ? (size_t)(end - b->bytes) + 1 : b->used;
    if (gone < b->used)
        memmove(b->bytes, b->bytes + gone, b->used - gone);
    b->used -= gone;
    b->scanned = 0;
}
