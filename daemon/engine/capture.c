#include "capture.h"

#include <math.h>

#include "attribute.h"
#include "emit.h"
#include "error.h"
#include "evidence.h"
#include "track.h"

/* A bus gives up by itself before; this is for one that says nothing at all. */
static const int64_t patience_ns = 200 * SECOND_NS;

static void order(struct engine *e, int ch, enum capture_order what)
{
    struct command *k = emit_command(e, COMMAND_CAPTURE, ch, -1);
    k->code = (int32_t)what;
    channel_of(e, ch)->capture.command = k->number;
}

void capture_arm(struct engine *e, int ch)
{
    if (!bench_channel_of(e, ch)->has_capture)
        return;
    channel_of(e, ch)->capture = (struct capture_state){0};
    order(e, ch, CAPTURE_ARM);
}

void capture_ask(struct engine *e, int ch)
{
    struct capture_state *k = &channel_of(e, ch)->capture;
    k->look = (struct capture_look){.shows = SHOWS_NOTHING};
    if (!bench_channel_of(e, ch)->has_capture || !k->armed)
        return;
    k->awaited = true;
    k->until_ns = e->now_ns + patience_ns;
    order(e, ch, CAPTURE_READ);
}

bool capture_is_awaited(const struct engine *e, int ch)
{
    const struct capture_state *k = &e->channels[ch].capture;
    return k->awaited && e->step_ns < k->until_ns;
}

void capture_words(const struct capture_look *l, char *text, size_t cap)
{
    switch (l->shows) {
    case SHOWS_OPEN:
        (void)text_format(text, cap,
                          "fast samples: the voltage rose from %.1f V to %.1f V as the current went, %s%.2f s",
                          l->u_before_v, l->u_most_v, l->rise_to_end ? "for at least " : "for ", l->rise_s);
        break;
    case SHOWS_SHORT:
        (void)text_format(text, cap,
                          "fast samples: the voltage fell to %.1f V while %.0f A flowed on for %.2f s, then both went",
                          l->u_least_v, l->i_then_a, l->short_s);
        break;
    case SHOWS_TOGETHER:
        (void)text_copy(text, cap, "fast samples: voltage and current went at the same time");
        break;
    case SHOWS_UNCLEAR:
    case SHOWS_NOTHING:
        text[0] = '\0';
        break;
    }
}

/* Is it the shutoff that the samples hold? Its place by the slow signals may be off by their lags. */
static bool is_of_shutoff(const struct engine *e, int ch, const struct input_capture *in, int fall, double *off_s)
{
    const struct edge *at = &e->channels[ch].shutoff.at;
    int64_t fall_ns = in->first_ns + fall * in->interval_ns;
    int64_t slack = in->half_width_ns + SECOND_NS / 2 + signal_lag_ns(e, ch, SIG_I2);
    *off_s = seconds_of(fall_ns - at->at_ns);
    return fall_ns >= at->earliest_ns - slack && fall_ns <= at->latest_ns + slack;
}

static void look_at(struct engine *e, int ch, const struct input_capture *in)
{
    struct channel *c = channel_of(e, ch);
    struct capture_look *l = &c->capture.look;
    const double *rows[CAPTURE_SIGNALS] = {NULL, NULL};
    double off_s, no_load = c->run.u0_v > 5 ? c->run.u0_v : c->run.rq.point.no_load_v;
    const struct track *slow = track_of(e, ch, SIG_U2);
    int64_t edge = c->shutoff.at.earliest_ns;
    double before_v = slow ? track_mean(slow, edge - 5 * SECOND_NS, edge, NULL) : NAN;
    for (int s = 0; s < CAPTURE_SIGNALS; s++)
        rows[s] = in->has[s] ? in->values + s * in->count : NULL;
    capture_look(rows[CAPTURED_U2], rows[CAPTURED_I2], in->count, in->event, seconds_of(in->interval_ns), before_v,
                 no_load, l);
    if (l->shows == SHOWS_NOTHING) {
        emit_text(e, EVENT_NOTE, ch, "fast capture: it holds no fall of the current, and is not used");
    } else if (!is_of_shutoff(e, ch, in, l->fall, &off_s)) {
        emit_text(e, EVENT_NOTE, ch, "fast capture: it is of another moment, %+.1f s from the shutoff, and is not used",
                  off_s);
        l->shows = SHOWS_NOTHING;
    } else {
        emit_text(e, EVENT_NOTE, ch, "fast capture: %d samples each %.4g ms, the current goes at sample %d%s",
                  in->count, 1e3 * seconds_of(in->interval_ns), l->fall,
                  l->shows == SHOWS_UNCLEAR ? "; they do not tell why" : "");
    }
}

void capture_take(struct engine *e, const struct input_capture *in)
{
    if (in->channel < 0 || in->channel >= e->bench.channel_count)
        return;
    int ch = in->channel;
    struct capture_state *k = &channel_of(e, ch)->capture;
    if (in->command != k->command)
        return; /* of an order that another has replaced */
    if (in->status == CAPTURE_ARMED) {
        k->armed = true;
        return;
    }
    bool awaited = k->awaited;
    k->armed = k->awaited = false;
    if (in->status != CAPTURE_WHOLE) {
        emit_text(e, EVENT_NOTE, ch, "fast capture %s, without it: %.180s", capture_status_name(in->status), in->text);
        return;
    }
    if (!awaited || in->count <= 0 || in->count * CAPTURE_SIGNALS > CAPTURE_VALUES_MAX)
        return;
    look_at(e, ch, in);
    shutoff_capture(e, ch);
}
