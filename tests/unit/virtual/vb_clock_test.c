/* The same seed gives the same bytes, however finely time is advanced; hours take seconds. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "suite_run.h"
#include "vb_fixture.h"

static const char *const scenario = SOURCE_DIR "/config/examples/harrow-quay-scenario.yaml";

static void put(uint64_t *hash, const uint8_t *bytes, size_t size)
{
    for (size_t i = 0; i < size; i++)
        *hash = (*hash ^ bytes[i]) * 0x100000001b3u;
}

/* Reads 44 registers and puts the answer's bytes into the hash. */
static void poll_device(struct vbench *vb, const char *bus, int server, uint64_t *hash)
{
    const uint8_t pdu[5] = {4, 0, 0, 0, bus[0] == 's' ? 28 : 44};
    uint8_t answer[253];
    size_t size;
    int64_t took;
    vbench_exchange(vb, bus, server, pdu, sizeof pdu, answer, sizeof answer, &size, &took);
    put(hash, answer, size);
}

/* Four units in cycles of ten minutes, polled twice a second. step_ns: how finely the clock is advanced. */
static uint64_t soak(double hours, int64_t step_ns, const char *text, int polls)
{
    static const int on_s[4] = {240, 210, 360, 210}, mask[4] = {11, 14, 7, 11};
    struct vbench *vb = vbench_new(text, NULL);
    ck_assert_ptr_nonnull(vb);
    uint64_t hash = 1;
    vbench_start(vb, 0);
    write_coil(vb, 1, FAN, true);
    for (int64_t half = 0; half < (int64_t)(hours * 7200); half++) {
        int64_t now = half * SECOND / 2;
        int phase = (int)(half % 1200);
        write_register(vb, 1, BEAT, (int)(half & 0x7fff) + 1);
        for (int c = 0; c < 4; c++) {
            if (phase == 0) {
                write_register(vb, 1, STEPS_A + c, mask[c]);
                write_coil(vb, 1, TRIGGER_A + 8 * c, true);
            } else if (phase == 2 * on_s[c]) {
                write_coil(vb, 1, TRIGGER_A + 8 * c, false);
                write_register(vb, 1, STEPS_A + c, 0);
            }
        }
        for (int p = 0; p < polls; p++) {
            poll_device(vb, "rack", 1, &hash);
            for (int m = 1; m <= 3; m++)
                poll_device(vb, "meters", m, &hash);
            poll_device(vb, "meter3", 1, &hash);
            poll_device(vb, "scanners", 1 + p, &hash);
        }
        for (int64_t t = now + step_ns; t < now + SECOND / 2; t += step_ns)
            vbench_advance(vb, t);
        vbench_advance(vb, now + SECOND / 2);
    }
    uint64_t digest = vbench_digest(vb);
    put(&hash, (const uint8_t *)&digest, sizeof digest);
    vbench_free(vb);
    return hash;
}

START_TEST(same_seed_same_bytes)
{
    ck_assert_uint_eq(soak(0.6, SECOND, scenario, 1), soak(0.6, SECOND, scenario, 1));
}
END_TEST

START_TEST(granularity_of_the_clock_changes_nothing)
{
    uint64_t whole = soak(0.5, SECOND, scenario, 1);
    ck_assert_uint_eq(soak(0.5, SECOND / 7, scenario, 1), whole);
    ck_assert_uint_eq(soak(0.5, SECOND / 333, scenario, 1), whole);
}
END_TEST

START_TEST(another_seed_gives_other_noise)
{
    char text[16384] = "";
    FILE *f = fopen(scenario, "r");
    ck_assert_ptr_nonnull(f);
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    uint64_t one = soak(0.1, SECOND, text, 1);
    char *seed = strstr(text, "seed: 2026");
    ck_assert_ptr_nonnull(seed);
    memcpy(seed, "seed: 1999", 10);
    ck_assert_uint_ne(soak(0.1, SECOND, text, 1), one);
}
END_TEST

START_TEST(eight_hours_of_four_units_take_seconds)
{
    struct timespec a, b;
    clock_gettime(CLOCK_MONOTONIC, &a);
    soak(8, SECOND, scenario, 2);
    clock_gettime(CLOCK_MONOTONIC, &b);
    double s = (double)(b.tv_sec - a.tv_sec) + (double)(b.tv_nsec - a.tv_nsec) / 1e9;
    printf("8 h of 4 units, 2 polls a second of 6 devices: %.2f s\n", s);
    ck_assert_double_lt(s, 60); /* a few seconds; the limit is for sanitizers on a busy machine */
}
END_TEST

/* What the demonstration shows is true of the simulated units, with wide margins. */
START_TEST(demonstration_units_do_as_they_are_described)
{
    static const int on_s[4] = {240, 210, 360, 210}, mask[4] = {11, 14, 7, 11};
    struct vbench *vb = vbench_new(scenario, NULL);
    ck_assert_ptr_nonnull(vb);
    vbench_start(vb, 0);
    ck_assert_int_eq(write_coil(vb, 1, FAN, true), 0);
    double peak = 0;
    for (int s = 0; s < 4 * 3600; s++) {
        write_register(vb, 1, BEAT, (s & 0x7fff) + 1);
        for (int c = 0; c < 4; c++) {
            if (s % 600 == 0) {
                write_register(vb, 1, STEPS_A + c, mask[c]);
                write_coil(vb, 1, TRIGGER_A + 8 * c, true);
            } else if (s % 600 == on_s[c] + 6) { /* with the guard beyond the rated time */
                write_coil(vb, 1, TRIGGER_A + 8 * c, false);
                write_register(vb, 1, STEPS_A + c, 0);
            }
        }
        vbench_advance(vb, (s + 1) * SECOND);
        peak = state_of(vb, "A").t_a_degc > peak ? state_of(vb, "A").t_a_degc : peak;
        if (s == 239)
            ck_assert_double_eq_tol(state_of(vb, "A").u2_v, 10 + 0.04 * 160, 0.4);
        if (s == 209)
            ck_assert_double_eq_tol(state_of(vb, "B").u2_v, 20 + 0.04 * 140, 1.2);
    }
    ck_assert_double_lt(peak, 95); /* 20 K below its cut-out */
    ck_assert_int_eq(state_of(vb, "A").last_trip, VBENCH_TRIP_NONE);
    const struct vbench_happening *h = happened(vb, VBENCH_TRIP_CUTOUT);
    ck_assert_ptr_nonnull(h);
    ck_assert_int_eq(h->channel, 1);
    ck_assert_int_eq(h->at_ns / (600 * SECOND), 2); /* third cycle */
    ck_assert_int_lt(h->at_ns % (600 * SECOND) / SECOND, 180);
    h = happened(vb, VBENCH_TRIP_BREAKER);
    ck_assert_ptr_nonnull(h);
    ck_assert_int_eq(h->channel, 2);
    ck_assert_int_lt(h->at_ns / SECOND, 240);
    h = happened(vb, VBENCH_TRIP_LEAD_OPEN);
    ck_assert_ptr_nonnull(h);
    ck_assert_int_eq(h->channel, 3);
    ck_assert_int_eq(h->at_ns / (600 * SECOND), 1);
    ck_assert_int_lt(h->at_ns % (600 * SECOND) / SECOND, 190);
    vbench_free(vb);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: clock");
    TCase *t = tcase_create("clock");
    tcase_set_timeout(t, 100);
    tcase_add_test(t, same_seed_same_bytes);
    tcase_add_test(t, granularity_of_the_clock_changes_nothing);
    tcase_add_test(t, another_seed_gives_other_noise);
    tcase_add_test(t, eight_hours_of_four_units_take_seconds);
    tcase_add_test(t, demonstration_units_do_as_they_are_described);
    suite_add_tcase(s, t);
    return suite_run(s);
}
