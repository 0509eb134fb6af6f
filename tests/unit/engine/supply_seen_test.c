/* The supply against the rating point, by hand-made readings: which signals count, mean and worst, phases that are
 * gone, and the breaker's heat by the phase that carries most. Figures by hand. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "suite_run.h"
#include "supply_seen.h"
#include "track.h"

enum { SECONDS = 1000000000 };

static const struct rating_point three = {.supply_v = 400, .phases = 3};
static const struct rating_point one = {.supply_v = 230, .phases = 1};
static const struct rating_point two_lines = {.supply_v = 400, .phases = 1};
static const struct rating_point engine_set = {.supply_v = NAN, .phases = 0};

/* One channel on a circuit with the given signals, and the latest reading of each. */
struct fixture {
    struct bench *bench;
    struct engine *engine;
    struct engine_out *out;
    int64_t now_ns;
    uint64_t seq;
};

static struct fixture *fixture_new(int circuit_phases, const enum signal_kind *kinds, int count)
{
    struct fixture *f = calloc(1, sizeof *f);
    ck_assert_ptr_nonnull(f);
    f->bench = calloc(1, sizeof *f->bench);
    f->out = calloc(1, sizeof *f->out);
    ck_assert(f->bench && f->out);
    struct bench *b = f->bench;
    bench_limits_default(&b->limits);
    b->rate = 1;
    b->bus_count = b->channel_count = b->circuit_count = 1;
    b->circuits[0] = (struct bench_circuit){.voltage_v = circuit_phases == 3 ? 400 : 230, .phases = circuit_phases};
    b->circuits[0].breaker.rated_a = 32;
    b->channels[0].circuit = 0;
    b->channels[0].load.device = -1;
    b->channels[0].load.feedback_signal = -1;
    for (int k = 0; k < SIG_KIND_COUNT_; k++)
        b->channels[0].signal[k] = -1;
    for (int i = 0; i < count; i++) {
        b->signals[i] = (struct bench_signal){.kind = kinds[i], .cls = CLASS_JUDGEMENT, .device = -1};
        text_copy(b->signals[i].name, sizeof b->signals[i].name, signal_kind_name(kinds[i]));
        b->channels[0].signal[kinds[i]] = i;
    }
    b->signal_count = count;
    f->engine = engine_new(b);
    ck_assert_ptr_nonnull(f->engine);
    struct input boot = {.kind = INPUT_BOOT, .seq = ++f->seq, .seen_ns = f->now_ns};
    boot.u.boot.circuit_count = 1;
    engine_step(f->engine, &boot, f->out);
    return f;
}

static void fixture_free(struct fixture *f)
{
    engine_free(f->engine);
    free(f->bench);
    free(f->out);
    free(f);
}

/* A second goes by, with these readings; NAN: none of that signal. */
static void read_all(struct fixture *f, const double *values)
{
    f->now_ns += SECONDS;
    struct input in = {.kind = INPUT_READINGS, .seq = ++f->seq, .seen_ns = f->now_ns};
    in.u.readings.stamp_ns = f->now_ns;
    for (int i = 0; i < f->bench->signal_count; i++)
        if (!isnan(values[i]))
            in.u.readings.items[in.u.readings.count++] =
                (struct reading){.signal = i, .value = values[i], .quality = QUALITY_GOOD};
    engine_step(f->engine, &in, f->out);
}

static struct supply_seen see(int circuit_phases, const enum signal_kind *kinds, const double *values, int count,
                              const struct rating_point *p)
{
    struct fixture *f = fixture_new(circuit_phases, kinds, count);
    read_all(f, values);
    struct supply_seen seen = supply_now(f->engine, 0, p);
    fixture_free(f);
    return seen;
}

static const enum signal_kind phases[] = {SIG_U1_A, SIG_U1_B, SIG_U1_C};

START_TEST(phases_to_neutral_count_between_lines)
{
    const double even[] = {230.94, 230.94, 230.94}, uneven[] = {230.94, 212.46, 230.94};
    struct supply_seen seen = see(3, phases, even, 3, &three);
    ck_assert_double_eq_tol(seen.mean, 400, 0.01); /* 230.94 V times the root of three */
    ck_assert_double_eq_tol(seen.worst, 400, 0.01);
    seen = see(3, phases, uneven, 3, &three);
    ck_assert_double_eq_tol(seen.mean, 389.33, 0.01);
    ck_assert_double_eq_tol(seen.worst, 368, 0.01);
    ck_assert_int_eq(seen.where, SIG_U1_B);
    ck_assert_double_eq_tol(supply_off_pct(seen.worst, &three), -8, 0.01);
    ck_assert(!supply_is_dead(&seen, &three));
}
END_TEST

START_TEST(what_is_not_seen_is_not_made_up)
{
    const double lost[] = {230, NAN, 231}, none[] = {NAN, NAN, NAN}, dead[] = {3, 0, 1};
    struct supply_seen seen = see(3, phases, lost, 3, &three);
    ck_assert(isnan(seen.mean));
    ck_assert_double_eq_tol(seen.worst, 398.4, 0.1);
    seen = see(3, phases, none, 3, &three);
    ck_assert(isnan(seen.mean) && isnan(seen.worst) && !supply_is_dead(&seen, &three));
    seen = see(3, phases, dead, 3, &three);
    ck_assert(supply_is_dead(&seen, &three));
    seen = see(3, phases, dead, 3, &engine_set);
    ck_assert(isnan(seen.mean) && !supply_is_dead(&seen, &engine_set));
}
END_TEST

START_TEST(a_single_signal_and_other_wirings)
{
    static const enum signal_kind whole[] = {SIG_U1}, both[] = {SIG_U1, SIG_U1_A, SIG_U1_B, SIG_U1_C},
                                  single[] = {SIG_U1_B};
    const double volts[] = {398}, four[] = {398, 229, 228, 227}, neutral[] = {229}, low[] = {226, 229, 228, 227};
    ck_assert_double_eq(see(1, whole, volts, 1, &three).mean, 398);
    ck_assert_double_eq_tol(see(3, both, four, 4, &three).mean, 228 * sqrt(3), 0.01); /* the phases tell more */
    ck_assert_double_eq(see(3, both, low, 4, &one).mean, 226);                        /* at the unit itself */
    ck_assert_double_eq(see(3, phases, four + 1, 3, &one).mean, 228);                 /* a line and neutral */
    ck_assert_double_eq_tol(see(3, phases, four + 1, 3, &two_lines).mean, 228 * sqrt(3), 0.01);
    ck_assert_double_eq(see(3, single, neutral, 1, &one).mean, 229);
    ck_assert_double_eq_tol(see(3, single, neutral, 1, &three).mean, 229 * sqrt(3), 0.01);
}
END_TEST

START_TEST(a_phase_that_brings_nothing)
{
    static const struct {
        double volts[3], amps[3];
        enum phase_loss loss;
        int phase;
    } cases[] = {
        {{230, 231, 229}, {15, 14, 16}, PHASES_THERE, 0},
        {{230, 231, 2}, {22, 23, 0}, PHASE_WITHOUT_VOLTS, 2},
        {{115, 231, 230}, {1, 23, 22}, PHASE_WITHOUT_VOLTS, 0}, /* held up by the unit itself */
        {{230, 231, 229}, {22, 0.1, 23}, PHASE_WITHOUT_AMPERES, 1},
        {{NAN, NAN, NAN}, {22, 23, 0}, PHASE_WITHOUT_AMPERES, 2},
        {{230, 226, 229}, {15, 7, 18}, PHASES_THERE, 0},   /* rectifiers draw unevenly */
        {{230, 231, 229}, {0.3, 0.3, 0}, PHASES_THERE, 0}, /* next to nothing at all */
        {{1, 0, 2}, {0, 0, 0}, PHASES_THERE, 0},           /* all of it gone is no lost phase */
        {{230, NAN, 229}, {NAN, 1, 2}, PHASES_THERE, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct phase_look look = supply_phases(cases[i].volts, cases[i].amps);
        ck_assert_msg(look.loss == cases[i].loss, "case %zu: %d", i, (int)look.loss);
        if (look.loss != PHASES_THERE)
            ck_assert_int_eq(look.phase, cases[i].phase);
    }
}
END_TEST

/* d heat / dt = (multiple^2 - heat) / tau from cold: 1 - exp(-t / tau) of the square. */
START_TEST(the_breaker_heats_by_its_fullest_pole)
{
    static const enum signal_kind amps[] = {SIG_I1_A, SIG_I1_B, SIG_I1_C}, whole[] = {SIG_I1};
    const double uneven[] = {16, 24, 8}, single[] = {24};
    struct input_boot carry[2] = {0};
    struct fixture *f = fixture_new(3, amps, 3), *g = fixture_new(1, whole, 1);
    for (int s = 0; s < 600; s++) {
        read_all(f, uneven);
        read_all(g, single);
    }
    engine_carry(f->engine, &carry[0]);
    engine_carry(g->engine, &carry[1]);
    double want = 24.0 / 32 * (24.0 / 32) * (1 - exp(-600.0 / 600));
    ck_assert_double_eq_tol(carry[0].circuits[0].heat, want, 0.02 * want);
    ck_assert_double_eq_tol(carry[1].circuits[0].heat, want, 0.02 * want);
    fixture_free(f);
    fixture_free(g);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("supply as seen");
    TCase *t = tcase_create("supply as seen");
    tcase_add_test(t, phases_to_neutral_count_between_lines);
    tcase_add_test(t, what_is_not_seen_is_not_made_up);
    tcase_add_test(t, a_single_signal_and_other_wirings);
    tcase_add_test(t, a_phase_that_brings_nothing);
    tcase_add_test(t, the_breaker_heats_by_its_fullest_pole);
    suite_add_tcase(s, t);
    return suite_run(s);
}
