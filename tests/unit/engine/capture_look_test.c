/* What fast samples show: drawn shapes of burnt leads, shorts, cut-outs and nothing at all, with noise, some samples
 * missing, of meters fast and slow. No shape may be taken for another. The shapes are bench practice (first tenths of a
 * second of each), common practice, no published source. */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "capture_look.h"
#include "suite_run.h"

enum { DRAWS = 300, MOST = 512 };

struct draw {
    uint64_t state;
    double u[MOST], i[MOST];
    int count;
    double dt, amps, volts, no_load;
};

static double uniform(struct draw *d, double low, double high)
{
    d->state = d->state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return low + (high - low) * (double)(d->state >> 11) / 9007199254740992.0;
}

static void noise(struct draw *d)
{
    for (int k = 0; k < d->count; k++) {
        d->u[k] += uniform(d, -0.3, 0.3);
        d->i[k] += uniform(d, -1.5, 1.5);
        if (uniform(d, 0, 1) < 0.002)
            d->u[k] = NAN;
    }
}

/* On load until sample `fall`, then nothing; the fall takes a time constant of its own. */
static int on_load(struct draw *d)
{
    d->dt = uniform(d, 0.004, 0.012);
    d->count = (int)uniform(d, 300, MOST);
    d->amps = uniform(d, 60, 300);
    d->volts = 10 + 0.04 * d->amps;
    d->no_load = uniform(d, 55, 90);
    int fall = (int)(d->count * uniform(d, 0.4, 0.6));
    double tau = uniform(d, 0.002, 0.03) / d->dt;
    for (int k = 0; k < d->count; k++) {
        double share = k < fall ? 1 : exp(-(k - fall) / tau);
        d->u[k] = d->volts * share;
        d->i[k] = d->amps * share;
    }
    return fall;
}

static struct capture_look look(struct draw *d, bool with_current)
{
    struct capture_look l;
    noise(d);
    capture_look(d->u, with_current ? d->i : NULL, d->count, d->count / 2, d->dt, d->volts, d->no_load, &l);
    return l;
}

START_TEST(both_at_once)
{
    struct draw d = {.state = 11};
    for (int n = 0; n < DRAWS; n++) {
        (void)on_load(&d);
        struct capture_look l = look(&d, true);
        ck_assert_msg(l.shows == SHOWS_TOGETHER, "draw %d: %d", n, (int)l.shows);
    }
}
END_TEST

START_TEST(open_path)
{
    struct draw d = {.state = 12};
    for (int n = 0; n < DRAWS; n++) {
        int fall = on_load(&d), rise = (int)(uniform(&d, 0.1, 0.5) / d.dt);
        double after = uniform(&d, 0, 1) < 0.3 ? 12 : 0; /* reduced, or off */
        for (int k = fall; k < d.count; k++)
            d.u[k] = k < fall + rise ? d.no_load : after;
        struct capture_look l = look(&d, true);
        ck_assert_msg(l.shows == SHOWS_OPEN, "draw %d: %d", n, (int)l.shows);
        ck_assert_double_eq_tol(l.u_most_v, d.no_load, 1);
        ck_assert(fall + rise > d.count || fabs(l.rise_s - rise * d.dt) < 0.06);
    }
}
END_TEST

START_TEST(short_path)
{
    struct draw d = {.state = 13};
    for (int n = 0; n < DRAWS; n++) {
        int fall = on_load(&d), held = (int)(uniform(&d, 0.1, 0.8) / d.dt);
        double more = uniform(&d, 1, 1.3);
        for (int k = fall; k < d.count; k++)
            d.u[k] = 0;
        for (int k = fall - held > 0 ? fall - held : 0; k < fall; k++) {
            d.u[k] = uniform(&d, 0.5, 3);
            d.i[k] = d.amps * more;
        }
        struct capture_look l = look(&d, true);
        ck_assert_msg(l.shows == SHOWS_SHORT, "draw %d: %d, held %.2f s", n, (int)l.shows, held * d.dt);
        ck_assert_double_eq_tol(l.i_then_a, d.amps * more, 0.04 * d.amps);
    }
}
END_TEST

/* Nothing is made of what shows nothing. */
START_TEST(no_conclusion_without_its_ground)
{
    struct draw d = {.state = 14};
    struct capture_look l;
    (void)on_load(&d);
    for (int k = 0; k < d.count; k++) { /* current flows to the end */
        d.u[k] = d.volts;
        d.i[k] = d.amps;
    }
    ck_assert_int_eq(look(&d, true).shows, SHOWS_NOTHING);
    for (int k = 0; k < d.count; k++) /* and none at all */
        d.u[k] = d.i[k] = 0;
    ck_assert_int_eq(look(&d, true).shows, SHOWS_NOTHING);
    for (int k = 0; k < d.count; k++) /* alternating, sampled bare: mean nothing */
        d.i[k] = d.u[k] = (k % 2 ? 160 : -160);
    capture_look(d.u, d.i, d.count, d.count / 2, d.dt, 16, 72, &l);
    ck_assert_int_eq(l.shows, SHOWS_NOTHING);
    for (int k = 0; k < d.count; k++)
        d.u[k] = d.i[k] = NAN;
    capture_look(d.u, d.i, d.count, d.count / 2, d.dt, NAN, 0, &l);
    ck_assert_int_eq(l.shows, SHOWS_NOTHING);
    capture_look(d.u, d.i, 0, 0, d.dt, NAN, 0, &l);
    ck_assert_int_eq(l.shows, SHOWS_NOTHING);
    /* One sample high is a spike of a contactor. */
    int fall = on_load(&d);
    d.u[fall + 2] = d.no_load;
    ck_assert_int_eq(look(&d, true).shows, SHOWS_TOGETHER);
}
END_TEST

/* Of the voltage alone: a rise at the event, and never a short. */
START_TEST(voltage_alone)
{
    struct draw d = {.state = 15};
    (void)on_load(&d);
    for (int k = 0; k < d.count; k++)
        d.u[k] = k < d.count / 2 ? d.volts : k < d.count / 2 + 30 ? d.no_load : 0;
    ck_assert_int_eq(look(&d, false).shows, SHOWS_OPEN);
    for (int k = 0; k < d.count; k++)
        d.u[k] = k < d.count / 2 - 60 ? d.volts : 1;
    ck_assert_int_eq(look(&d, false).shows, SHOWS_UNCLEAR);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("fast samples");
    TCase *t = tcase_create("shapes");
    tcase_add_test(t, both_at_once);
    tcase_add_test(t, open_path);
    tcase_add_test(t, short_path);
    tcase_add_test(t, no_conclusion_without_its_ground);
    tcase_add_test(t, voltage_alone);
    suite_add_tcase(s, t);
    return suite_run(s);
}
