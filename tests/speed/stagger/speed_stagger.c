/* The joint plan of channels' cycles: what it takes, and how much lower its peak is than with every run beginning at
 * once, than placing one after the other, and how far at most above the best there can be. */
#include <stdint.h>

#include "speed.h"
#include "stagger_plan.h"

enum { ROUNDS = 31 };

static uint64_t next(uint64_t *state, uint64_t below)
{
    *state = *state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (*state >> 33) % below;
}

/* On-load parts of 20 to 60 % of ten minutes, units of 1.5 to 12 kW, four channels on a circuit of 63 A. */
static struct stagger_job job_of(int count, int under_way, uint64_t *state)
{
    struct stagger_job job = {.count = count,
                              .limits = {.bank_mw = INT64_C(7000000) * count, .circuit_count = (count + 3) / 4}};
    for (int c = 0; c < job.limits.circuit_count; c++)
        job.limits.circuit_ma[c] = 63000;
    for (int i = 0; i < count; i++)
        job.items[i] = (struct stagger_item){.kind = i < under_way ? STAGGER_FIXED : STAGGER_CYCLES,
                                             .channel = i,
                                             .circuit = i / 4,
                                             .cycle_ms = 600000,
                                             .on_ms = 120000 + 1000 * (int64_t)next(state, 241),
                                             .power_mw = 1500000 + 1000 * (int64_t)next(state, 10500),
                                             .supply_ma = 8000 + 10 * (int64_t)next(state, 1500),
                                             .offset_ms = 1000 * (int64_t)next(state, 600)};
    return job;
}

static void measure(int count, int under_way)
{
    double ours_s[ROUNDS], turn_s[ROUNDS], lower = 0, lower_turn = 0, above = 0;
    double most_above = 0, slowest_s = 0;
    int exact = 0, waiting = 0;
    uint64_t state = (uint64_t)count * 1000 + (uint64_t)under_way;
    for (int i = 0; i < ROUNDS; i++) {
        struct stagger_job job = job_of(count, under_way, &state);
        struct stagger_plan plan, turn;
        double t0 = speed_cpu_s();
        stagger_plan_jointly(&job, &plan);
        double t1 = speed_cpu_s();
        stagger_plan_in_turn(&job, &turn);
        turn_s[i] = speed_cpu_s() - t1;
        ours_s[i] = t1 - t0;
        slowest_s = ours_s[i] > slowest_s ? ours_s[i] : slowest_s;
        if (!stagger_plan_holds(&job, &plan) && under_way == 0)
            speed_fail("plan", "exceeds a limit");
        double over = (double)plan.peak_mw / (double)plan.bound_mw - 1;
        most_above = over > most_above ? over : most_above;
        above += over / ROUNDS;
        lower += (1 - (double)plan.peak_mw / (double)plan.together_mw) / ROUNDS;
        lower_turn += (1 - (double)turn.peak_mw / (double)plan.together_mw) / ROUNDS;
        exact += plan.exact;
        waiting += plan.waiting;
    }
    (void)printf("%2d channels (%d under way): joint %.2f ms (slowest %.1f), one after the other %.2f ms; peak %.0f %% "
                 "below all at once (%.0f %% one after the other), above the bound %.1f %% (most %.1f); exact in %d of "
                 "%d, %d wait\n",
                 count, under_way, 1e3 * speed_median(ours_s, ROUNDS), 1e3 * slowest_s,
                 1e3 * speed_median(turn_s, ROUNDS), 100 * lower, 100 * lower_turn, 100 * above, 100 * most_above,
                 exact, ROUNDS, waiting);
}

int main(void)
{
    measure(4, 0);
    measure(8, 0);
    measure(8, 3);
    measure(16, 0);
    measure(64, 0);
    measure(64, 60);
    return 0;
}
