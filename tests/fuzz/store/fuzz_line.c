/* libFuzzer harness for lines. Any bytes as a line: the checker must hold. The same bytes as names and texts of an
 * event: what the renderer makes of them must pass the checker, which shares no code with it. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "line_protocol.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void take(const uint8_t **data, size_t *size, char *to, size_t cap)
{
    size_t n = *size > 0 ? **data % cap : 0;
    if (n > *size)
        n = *size;
    memcpy(to, *data, n);
    to[n] = '\0';
    *data += n;
    *size -= n;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct error err;
    (void)line_check((const char *)data, size, &err);
    struct journal_event e = {.store_ms = 1767323045000};
    char bench[NAME_CAP];
    take(&data, &size, bench, sizeof bench);
    take(&data, &size, e.channel, sizeof e.channel);
    take(&data, &size, e.serial, sizeof e.serial);
    take(&data, &size, e.event.text, sizeof e.event.text);
    e.event.kind = EVENT_NOTE;
    for (e.event.value_count = 0; e.event.value_count < EVENT_VALUES_MAX && size >= sizeof(double);
         size -= 8, data += 8)
        memcpy(&e.event.values[e.event.value_count++], data, sizeof(double));
    struct line_text b = {0};
    if (line_put_event(&b, bench, &e, true) != 1 || line_check(b.text, b.used - 1, &err) != 0)
        abort();
    line_text_free(&b);
    return 0;
}
