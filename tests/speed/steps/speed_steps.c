/* The choice of steps of the largest bank beside the plain exhaustive search for the same combination. */
#include <math.h>

#include "speed.h"
#include "step_choice.h"

enum { ROUNDS = 51, STEPS = 16 };

/* Every combination, every step: the nearest conductance that no step is overloaded by. */
static double exhaustive(const struct step_wish *w)
{
    double least = INFINITY;
    for (uint32_t mask = 1; mask < 1u << w->step_count; mask++) {
        double g = 0;
        int bears = 1;
        for (int i = 0; i < w->step_count; i++) {
            if ((mask >> i & 1) == 0)
                continue;
            g += 1 / w->steps[i].resistance_ohm;
            if (w->voltage_v * w->voltage_v / w->steps[i].resistance_ohm > w->steps[i].power_w)
                bears = 0;
        }
        if (bears)
            least = fmin(least, fabs(g - w->target_conductance_s));
    }
    return least;
}

int main(void)
{
    struct bench_step steps[STEPS];
    for (int i = 0; i < STEPS; i++)
        steps[i] = (struct bench_step){0.1 * (1 + i), 5000};
    struct step_wish w = {.steps = steps,
                          .step_count = STEPS,
                          .usable_mask = (1u << STEPS) - 1u,
                          .target_conductance_s = 1 / 0.07,
                          .voltage_v = 20,
                          .temperature_factor = 1,
                          .step_load_pct = 100,
                          .tie_pct = 0.5};
    double ours_s[ROUNDS], bare_s[ROUNDS], least = 0;
    struct step_choice c = {0};
    struct error err = {""};
    for (int i = 0; i < ROUNDS; i++) {
        double t0 = speed_now_s();
        if (step_choose(&w, &c, &err) != 0)
            speed_fail("choice", err.text);
        double t1 = speed_now_s();
        least += exhaustive(&w);
        bare_s[i] = speed_now_s() - t1;
        ours_s[i] = t1 - t0;
    }
    double ours = speed_median(ours_s, ROUNDS), bare = speed_median(bare_s, ROUNDS);
    /* A tie is settled by movements: the choice may be that much further off, no more. */
    if (fabs(c.conductance_s - w.target_conductance_s) > least / ROUNDS + w.tie_pct / 100 * w.target_conductance_s)
        speed_fail("choice", "not the one that the exhaustive search finds");
    (void)printf("16 steps: choice %.0f us, exhaustive search %.0f us, ratio %.2f\n", ours * 1e6, bare * 1e6,
                 ours / bare);
    return 0;
}
