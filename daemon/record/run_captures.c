#include "run_captures.h"

#include <math.h>

#include "input.h"
#include "quantity.h"

struct writing {
    const struct journal_run *run;
    FILE *to;
    int captures;
};

static void put_number(FILE *to, double v, const char *after)
{
    char text[32] = "";
    if (!isnan(v))
        number_print(text, sizeof text, v);
    (void)fprintf(to, "%s%s", text, after);
}

static int put_capture(void *ctx, const struct input *in)
{
    struct writing *w = ctx;
    const struct input_capture *c = &in->u.capture;
    if (in->kind != INPUT_CAPTURE || c->channel != w->run->channel || c->status != CAPTURE_WHOLE ||
        in->seq < w->run->start_seq)
        return 0;
    w->captures++;
    for (int i = 0; i < c->count; i++) {
        int64_t at_ns = c->first_ns + i * c->interval_ns - w->run->start_ns;
        (void)fprintf(w->to, "%d,", w->captures);
        put_number(w->to, (double)at_ns / 1e9, ",");
        put_number(w->to, (double)c->half_width_ns / 1e9, ",");
        put_number(w->to, c->has[CAPTURED_U2] ? c->values[CAPTURED_U2 * c->count + i] : (double)NAN, ",");
        put_number(w->to, c->has[CAPTURED_I2] ? c->values[CAPTURED_I2 * c->count + i] : (double)NAN, "\r\n");
    }
    return ferror(w->to) != 0;
}

int run_captures_write(struct journal_reader *reader, const struct journal_run *run, FILE *to, struct error *err)
{
    struct writing w = {.run = run, .to = to};
    (void)fputs("capture,elapsed_s,half_width_s,u2_v,i2_a\r\n", to);
    return journal_reader_inputs(reader, run->epoch, run->end_seq, put_capture, &w, err) < 0 ? -1 : w.captures;
}
