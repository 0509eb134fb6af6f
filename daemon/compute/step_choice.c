#include "step_choice.h"

/* What a combination gives is put together from two halves of eight steps each, tabulated once: two additions a
 * combination, and no sum that drifts as it would along a walk that adds and removes one step at a time. */
enum { HALF = 8, HALF_COUNT = 1 << HALF };

struct half_table {
    double conductance_s[HALF_COUNT]; /* of the closed steps */
    double limit_v[HALF_COUNT];       /* highest bank voltage that all closed steps bear */
};

struct search {
    const struct step_wish *wish;
    struct half_table low, high;
    double step_g[STEPS_MAX], step_limit_v[STEPS_MAX];
};

static bool above_zero(double x)
{
    return x > 0 && x < 1e300;
}

static int check_wish(const struct step_wish *w, struct error *err)
{
    if (w->step_count < 1 || w->step_count > STEPS_MAX)
        return error_set(err, "a load has 1 to %d steps, not %d", STEPS_MAX, w->step_count);
    if (!above_zero(w->target_conductance_s))
        return error_set(err, "the wanted conductance must be above 0 S");
    if (!above_zero(w->voltage_v))
        return error_set(err, "the voltage that the load may see must be above 0 V");
    if (!above_zero(w->temperature_factor))
        return error_set(err, "the temperature factor of the elements must be above 0");
    if (!above_zero(w->step_load_pct))
        return error_set(err, "the usable share of a step's power rating must be above 0 %%");
    if (!(w->lead_resistance_ohm >= 0) || w->lead_resistance_ohm >= 1e300)
        return error_set(err, "the lead resistance must be a number of at least 0 ohm");
    if (!(w->max_power_w >= 0) || !(w->tie_pct >= 0))
        return error_set(err, "power limit and tie share must be at least 0");
    for (int i = 0; i < w->step_count; i++) {
        if (!above_zero(w->steps[i].resistance_ohm) || !above_zero(w->steps[i].power_w))
            return error_set(err, "step %d needs a resistance and a power rating above 0", i + 1);
    }
    uint32_t all = (1u << w->step_count) - 1u;
    if ((w->usable_mask & ~all) != 0 || (w->present_mask & ~all) != 0)
        return error_set(err, "a mask names a step that the load does not have");
    return 0;
}

static void fill_half(struct half_table *table, const double *g, const double *limit_v)
{
    table->conductance_s[0] = 0;
    table->limit_v[0] = 1e300;
    for (unsigned m = 1; m < HALF_COUNT; m++) {
        unsigned low_bit = (unsigned)__builtin_ctz(m);
        unsigned rest = m & (m - 1);
        table->conductance_s[m] = table->conductance_s[rest] + g[low_bit];
        table->limit_v[m] = table->limit_v[rest] < limit_v[low_bit] ? table->limit_v[rest] : limit_v[low_bit];
    }
}

static void prepare(struct search *s, const struct step_wish *w)
{
    s->wish = w;
    for (int i = 0; i < STEPS_MAX; i++) {
        s->step_g[i] = 0;
        s->step_limit_v[i] = 1e300;
    }
    /* An element that is still cold takes more power than a hot one, one whose alloy falls with temperature less: the
     * smaller resistance of the two counts for the limit. */
    double least = w->temperature_factor < 1 ? w->temperature_factor : 1;
    for (int i = 0; i < w->step_count; i++) {
        s->step_g[i] = 1 / (w->steps[i].resistance_ohm * w->temperature_factor);
        double usable_w = w->steps[i].power_w * w->step_load_pct / 100;
        /* a part in a thousand million more, so that a step right at its rating does not fail by rounding */
        s->step_limit_v[i] = __builtin_sqrt(usable_w * w->steps[i].resistance_ohm * least) * (1 + 1e-9);
    }
    fill_half(&s->low, s->step_g, s->step_limit_v);
    fill_half(&s->high, s->step_g + HALF, s->step_limit_v + HALF);
}

/* Conductance that the unit sees with a combination, or a negative number when it may not be used. */
static inline double usable_conductance(const struct search *s, uint32_t mask)
{
    unsigned lo = mask & (HALF_COUNT - 1), hi = mask >> HALF;
    double bank_g = s->low.conductance_s[lo] + s->high.conductance_s[hi];
    double share = 1 / (1 + bank_g * s->wish->lead_resistance_ohm); /* of U2 that reaches the bank */
    double bank_v = s->wish->voltage_v * share;
    double limit_v = s->low.limit_v[lo] < s->high.limit_v[hi] ? s->low.limit_v[lo] : s->high.limit_v[hi];
    if (bank_v > limit_v)
        return -1;
    if (s->wish->max_power_w > 0 && bank_v * bank_v * bank_g > s->wish->max_power_w)
        return -1;
    return bank_g * share;
}

static inline double distance(double g, double target)
{
    return g > target ? g - target : target - g;
}

struct best {
    bool any;
    uint32_t mask;
    double off;
    int movements;
};

/* Calls over every combination to look at: submasks of usable that contain must, without the empty one. */
static struct best walk(const struct search *s, uint32_t usable, uint32_t must, double within)
{
    struct best best = {false, 0, 1e300, 0};
    double target = s->wish->target_conductance_s;
    uint32_t free_steps = usable & ~must;
    uint32_t part = 0;
    do {
        uint32_t mask = part | must;
        double g = mask == 0 ? -1 : usable_conductance(s, mask);
        if (g >= 0) {
            double off = distance(g, target);
            if (within < 0) { /* first pass: the smallest distance alone */
                if (off < best.off)
                    best = (struct best){true, mask, off, 0};
            } else if (off <= within) {
                int moves = __builtin_popcount(mask ^ s->wish->present_mask);
                bool better = !best.any || moves < best.movements || (moves == best.movements && off < best.off);
                if (better)
                    best = (struct best){true, mask, off, moves};
            }
        }
        part = (part - free_steps) & free_steps; /* next submask, in rising order */
    } while (part != 0);
    return best;
}

static void describe(const struct search *s, const struct best *best, double best_off, struct step_choice *c)
{
    const struct step_wish *w = s->wish;
    unsigned lo = best->mask & (HALF_COUNT - 1), hi = best->mask >> HALF;
    double bank_g = s->low.conductance_s[lo] + s->high.conductance_s[hi];
    double g = usable_conductance(s, best->mask);
    double bank_v = w->voltage_v / (1 + bank_g * w->lead_resistance_ohm);
    double worst = 0;
    for (int i = 0; i < w->step_count; i++) {
        if ((best->mask >> i & 1u) == 0)
            continue;
        double share = bank_v * bank_v / (s->step_limit_v[i] * s->step_limit_v[i]) * w->step_load_pct;
        if (share > worst)
            worst = share;
    }
    *c = (struct step_choice){
        .mask = best->mask,
        .bank_resistance_ohm = 1 / bank_g,
        .resistance_ohm = 1 / g,
        .conductance_s = g,
        .error_pct = (g - w->target_conductance_s) / w->target_conductance_s * 100,
        .best_error_pct = best_off / w->target_conductance_s * 100,
        .power_w = bank_v * bank_v * bank_g,
        .worst_step_pct = worst,
        .movements = __builtin_popcount(best->mask ^ w->present_mask),
    };
}

int step_choose(const struct step_wish *wish, struct step_choice *choice, struct error *err)
{
    if (check_wish(wish, err) != 0)
        return -1;
    uint32_t usable = wish->usable_mask, must = 0;
    if (wish->close_only) {
        if ((wish->present_mask & ~usable) != 0)
            return error_set(err, "a step that is closed now is not usable: it cannot stay closed, yet none may open");
        must = wish->present_mask;
    }
    if (usable == 0)
        return error_set(err, "no step is usable");
    struct search s;
    prepare(&s, wish);
    struct best best = walk(&s, usable, must, -1);
    if (!best.any)
        return error_set(err, "no combination of the usable steps stays within the power limits at %g V",
                         wish->voltage_v);
    double best_off = best.off;
    double within = best_off + wish->tie_pct / 100 * wish->target_conductance_s;
    best = walk(&s, usable, must, within);
    describe(&s, &best, best_off, choice);
    return 0;
}

double step_conductance(const struct bench_step *steps, int step_count, uint32_t mask, double temperature_factor,
                        double lead_resistance_ohm)
{
    double g = 0;
    for (int i = 0; i < step_count && i < STEPS_MAX; i++) {
        if ((mask >> i & 1u) != 0)
            g += 1 / (steps[i].resistance_ohm * temperature_factor);
    }
    return g / (1 + g * lead_resistance_ohm);
}
