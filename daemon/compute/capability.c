#include "capability.h"

static double share_of(const struct cutout_cycle *c)
{
    return c->on_s / (c->on_s + c->reset_s);
}

static bool is_settled(const struct cutout_cycle *cycles, int from, int count, double settled_pct)
{
    double mean = 0;
    for (int i = from + 1; i < count; i++)
        mean += cycles[i].on_s / (count - from - 1);
    double off = cycles[from].on_s > mean ? cycles[from].on_s - mean : mean - cycles[from].on_s;
    return off <= mean * settled_pct / 100;
}

int capability_find(const struct cutout_cycle *cycles, int count, double settled_pct, struct capability *capability,
                    struct error *err)
{
    if (count < 3 || count > CAPABILITY_MAX)
        return error_set(err, "own capability needs 3 to %d cycles of cut-out and reset, not %d", CAPABILITY_MAX,
                         count);
    if (!(settled_pct > 0) || settled_pct > 100)
        return error_set(err, "the share that tells settled cycles must lie above 0 %% and not above 100 %%");
    for (int i = 0; i < count; i++) {
        if (!(cycles[i].on_s > 0) || !(cycles[i].reset_s > 0) || cycles[i].on_s > 1e9 || cycles[i].reset_s > 1e9)
            return error_set(err, "cycle %d: on-time and time to reset must be above 0 s", i + 1);
    }
    int from = 1;
    while (from <= count - 2 && !is_settled(cycles, from, count, settled_pct))
        from++;
    if (from > count - 2)
        return error_set(err, "the cycles have not settled: the on-time still changes by more than %g %%", settled_pct);
    int n = count - from;
    double mean = 0, squares = 0;
    for (int i = from; i < count; i++)
        mean += share_of(&cycles[i]) / n;
    for (int i = from; i < count; i++) {
        double off = share_of(&cycles[i]) - mean;
        squares += off * off;
    }
    *capability = (struct capability){.percent_on = 100 * mean,
                                      .uncertainty_pct = 100 * __builtin_sqrt(squares / (n - 1) / n),
                                      .first_settled = from,
                                      .settled = n};
    return 0;
}
