#include "lead_watch.h"

#include <math.h>

#include "emit.h"
#include "error.h"
#include "procedure.h"
#include "track.h"

enum { WINDOW_S = 10, LEAST_READINGS = 5 };

/* Mean resistance over the window before now; NAN when it cannot be had. */
static double resistance_now(struct engine *e, int ch, double *current_a)
{
    const struct track *u2 = track_of(e, ch, SIG_U2), *bank = track_of(e, ch, SIG_U_BANK);
    const struct track *i2 = track_of(e, ch, SIG_I2);
    int64_t from = e->step_ns - WINDOW_S * SECOND_NS, to = e->step_ns;
    int volts, bank_volts, amps;
    if (!u2 || !bank || !i2 || bench_channel_of(e, ch)->u2_at_bank)
        return NAN;
    double u = track_mean(u2, from, to, &volts), b = track_mean(bank, from, to, &bank_volts);
    *current_a = track_mean(i2, from, to, &amps);
    if (volts < LEAST_READINGS || bank_volts < LEAST_READINGS || amps < LEAST_READINGS)
        return NAN;
    if (!(*current_a > 0.5 * channel_of(e, ch)->run.point.current_a))
        return NAN;
    return (u - b) / *current_a;
}

static void tell(struct engine *e, int ch, double from_ohm, double to_ohm, double more_w)
{
    emit_text(e, EVENT_FINDING, ch,
              "load path: resistance between unit and bank has risen from %.1f to %.1f milliohm, %.0f W more: a "
              "connector or lead is getting hot",
              1000 * from_ohm, 1000 * to_ohm, more_w);
    emit_text(e, EVENT_ADVICE, ch,
              "end the run, isolate, and look at connectors, adaptor and cable lugs for heat marks");
    emit_notify(e, ch, NOTIFY_MORNING,
                "Channel %.47s: a connector or lead of the load path is getting hot, %.0f W more.",
                bench_channel_of(e, ch)->name, more_w);
}

void lead_watch(struct engine *e, int ch)
{
    struct run *r = &channel_of(e, ch)->run;
    struct lead_state_seen *w = &r->lead;
    int64_t flowing = e->step_ns - channel_of(e, ch)->load.commanded_on_ns;
    if (e->step_ns < w->next_ns || flowing < (WINDOW_S + 2) * SECOND_NS + channel_of(e, ch)->figures.setup.settle_ns)
        return;
    w->next_ns = e->step_ns + WINDOW_S * SECOND_NS;
    double amps = 0, ohm = resistance_now(e, ch, &amps);
    if (isnan(ohm))
        return;
    if (!w->known) {
        w->known = true;
        w->first_ohm = ohm;
    }
    w->ohm = ohm;
    double base = w->first_ohm > 0 ? w->first_ohm : 0, more_w = (ohm - base) * amps * amps;
    bool worse = 100 * ohm > level_of(e, LEVEL_LEAD_RISE) * base && more_w > level_of(e, LEVEL_LEAD_WARN);
    w->over = worse ? w->over + 1 : 0;
    if (w->over < 2)
        return;
    if (!w->told)
        tell(e, ch, base, ohm, more_w);
    w->told = true;
    if (more_w > level_of(e, LEVEL_LEAD_END))
        run_end_soon(e, ch, CAUSE_BENCH_INTERLOCK, "a connector or lead of the load path is burning");
}
