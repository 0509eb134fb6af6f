#include "frozen.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "figures.h"
#include "load.h"
#include "track.h"

/* How many times the same number makes it worth looking back; how far back; what counts as noise there. Measured on
 * normal noise of two digits and more, of which none in ten thousand parts looked like standing still; a last digit
 * that only flickers does not count as noise. */
enum { SAME_LEAST = 24, BACK_MOST = 64, MOVES_LEAST = 12, REFRESHES_LEAST = 20, USUAL_TIMES = 10 };
static const int64_t switched_least_ns = 5 * SECOND_NS, bank_least_ns = 300 * SECOND_NS;
static const double bank_least_w = 500;

/* Quantities that are never quite still on load. */
static const enum signal_kind lively[] = {SIG_I2,   SIG_U2, SIG_U_BANK, SIG_U1,   SIG_U1_LINE, SIG_U1_A, SIG_U1_B,
                                          SIG_U1_C, SIG_I1, SIG_I1_A,   SIG_I1_B, SIG_I1_C,    SIG_P1};
/* ... and those that change when the load is closed. */
static bool follows_load(enum signal_kind k)
{
    return k == SIG_I2 || k == SIG_U2 || k == SIG_U_BANK || k == SIG_I1 || k == SIG_I1_A || k == SIG_I1_B ||
           k == SIG_I1_C || k == SIG_P1;
}

/* Was the signal noisy before it began to stand still, as far as it is remembered and not before from_ns? usual_ns: how
 * long it stood at most then. */
static bool was_noisy(const struct track *t, int64_t from_ns, int64_t *usual_ns)
{
    uint64_t first = t->count - t->same_count; /* of the readings that are the same */
    int moves = 0, turns = 0;
    double least = INFINITY, sum = 0, before = 0;
    int64_t moved_ns = t->same_since_ns;
    *usual_ns = 0;
    for (uint64_t n = first; n > 0 && first - n < BACK_MOST; n--) {
        const struct sample *s = track_sample(t, n - 1), *next = track_sample(t, n);
        if (!s || !next || s->stamp_ns < from_ns)
            break;
        double d = next->value - s->value;
        if (d == 0)
            continue;
        moves++;
        turns += d * before < 0;
        before = d;
        double size = d < 0 ? -d : d;
        least = size < least ? size : least;
        sum += size;
        *usual_ns = moved_ns - next->stamp_ns > *usual_ns ? moved_ns - next->stamp_ns : *usual_ns;
        moved_ns = next->stamp_ns;
    }
    return moves >= MOVES_LEAST && 3 * turns >= moves && sum > 1.8 * least * moves;
}

/* How long it has been standing still where it ought to move, and why that is known; 0: not at all. */
static int64_t stands_for(struct engine *e, int ch, enum signal_kind kind, struct track *t, const char **why)
{
    const struct channel *c = channel_of(e, ch);
    const struct bench_signal *s = signal_of(e, ch, kind);
    int64_t on = c->load.commanded_on_ns, lag = signal_lag_ns(e, ch, kind), refreshes = REFRESHES_LEAST * s->refresh_ns;
    int64_t same = track_stamp(t) - t->same_since_ns;
    if (follows_load(kind) && t->same_count > 3 && t->same_since_ns < on) {
        int64_t since = track_stamp(t) - on - lag;
        double i = track_value(e, ch, SIG_I2), u = track_value(e, ch, SIG_U2), wanted = c->run.point.voltage_v;
        bool moved = kind == SIG_I2 ? u > 0.8 * wanted && u < 1.2 * wanted : i > flow_threshold(e, ch);
        *why = "though the load was closed meanwhile";
        return moved && since > switched_least_ns && since > refreshes ? since : 0;
    }
    if (t->same_count < SAME_LEAST)
        return 0;
    if (!t->same_judged) {
        t->same_judged = true;
        t->noisy = was_noisy(t, on + c->figures.setup.settle_ns + lag, &t->usual_ns);
    }
    *why = "where it never stood still before";
    return t->noisy && same > refreshes && same > USUAL_TIMES * t->usual_ns ? same : 0;
}

/* Element, casing or outlet of a bank that takes kilowatts gets warmer. */
static int64_t bank_stands_for(struct engine *e, int ch, const struct track *t, const char **why)
{
    const struct channel *c = channel_of(e, ch);
    int64_t since = track_stamp(t) - c->load.commanded_on_ns;
    *why = "though the bank has been taking its load";
    return t->same_since_ns < c->load.commanded_on_ns && since > bank_least_ns &&
                   track_value(e, ch, SIG_I2) * track_value(e, ch, SIG_U2) > bank_least_w
               ? since
               : 0;
}

static void tell(struct engine *e, int ch, int signal, struct track *t, const char *why)
{
    const struct bench_signal *s = &e->bench.signals[signal];
    struct event *v = emit_event(e, EVENT_METER_DOUBT, ch);
    v->code = signal;
    v->at_ns = t->same_since_ns;
    (void)text_format(v->text, sizeof v->text, "%.47s has read the same, %.6g, for %.0f s %s: look at the meter",
                      s->name, t->value, seconds_of(track_stamp(t) - t->same_since_ns), why);
    channel_of(e, ch)->run.meter_doubt = true;
    t->frozen_told = true;
}

/* No cycle rests on it. */
static void void_by(struct engine *e, int ch, const struct bench_signal *s)
{
    char text[REASON_CAP];
    if (s->cls == CLASS_INFORMATIVE)
        return;
    (void)text_format(text, sizeof text, "%.47s stood still", s->name);
    figures_void(e, ch, text);
}

static void look(struct engine *e, int ch, enum signal_kind kind)
{
    int signal = bench_channel_of(e, ch)->signal[kind];
    const char *why = "";
    if (signal < 0 || e->tracks[signal].count == 0 || track_is_lost(e, signal))
        return;
    struct track *t = &e->tracks[signal];
    int64_t ns = kind == SIG_T_BANK ? bank_stands_for(e, ch, t, &why) : stands_for(e, ch, kind, t, &why);
    bool known = kind != SIG_T_BANK && t->same_since_ns >= channel_of(e, ch)->load.commanded_on_ns;
    t->frozen_ns = ns;
    /* Noise that is gone is given its time; a switching that was not seen has had it. */
    if (ns > 0 && !t->frozen_told && (!known || ns >= e->bench.limits.frozen_doubt_ns))
        tell(e, ch, signal, t, why);
    if (ns > 0 && t->frozen_told && kind != SIG_T_BANK) /* a bank's temperature is for safety, no figure */
        void_by(e, ch, &e->bench.signals[signal]);
}

void frozen_watch(struct engine *e, int ch)
{
    const struct channel *c = channel_of(e, ch);
    bool never = e->bench.limits.frozen_doubt_ns == NEVER_NS; /* recorded before there was such a rule */
    if (never || !load_is_on(c) || c->course != COURSE_PART)
        return;
    for (size_t k = 0; k < sizeof lively / sizeof lively[0]; k++)
        look(e, ch, lively[k]);
    look(e, ch, SIG_T_BANK);
}

int frozen_safety_signal(const struct engine *e, int ch)
{
    static const enum signal_kind kinds[] = {SIG_I2, SIG_U2};
    const struct channel *c = &e->channels[ch];
    for (size_t k = 0; c->load.phase == LOAD_ON && k < sizeof kinds / sizeof kinds[0]; k++) {
        int s = e->bench.channels[ch].signal[kinds[k]];
        if (s >= 0 && e->bench.signals[s].cls == CLASS_SAFETY && e->tracks[s].frozen_told &&
            e->tracks[s].frozen_ns >= e->bench.limits.frozen_open_ns)
            return s;
    }
    return -1;
}
