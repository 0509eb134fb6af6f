/* libFuzzer harness for the canonical encodings that are read back from a journal: any bytes as an input, an event, a
 * verdict, a plate and a bench. What is accepted must encode to something that decodes to the same bytes again. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"
#include "event.h"
#include "input.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void input_again(const struct input *in)
{
    uint8_t a[16384], b[16384];
    struct writer wa = writer_over(a, sizeof a), wb = writer_over(b, sizeof b);
    put_input(&wa, in);
    struct reader r = reader_over(a, wa.used);
    struct input *back = malloc(sizeof *back);
    if (back == NULL)
        return;
    get_input(&r, back);
    put_input(&wb, back);
    if (wa.bad || wb.bad || r.bad || wa.used != wb.used || memcmp(a, b, wa.used) != 0)
        abort();
    free(back);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct reader r = reader_over(data, size);
    struct input *in = malloc(sizeof *in);
    struct bench *bench = malloc(sizeof *bench);
    if (in != NULL && bench != NULL) {
        get_input(&r, in);
        if (!r.bad)
            input_again(in);
        r = reader_over(data, size);
        struct event e;
        get_event(&r, &e);
        r = reader_over(data, size);
        struct verdict v;
        get_verdict(&r, &v);
        r = reader_over(data, size);
        struct unit_plate plate;
        get_unit_plate(&r, &plate);
        (void)bench_decode(bench, data, size);
    }
    free(in);
    free(bench);
    return 0;
}
