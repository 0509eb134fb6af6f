/* Nonlinear least squares against NIST StRD: data, start values, certified parameters and standard deviations. */
#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "least_squares.h"
#include "suite.h"

struct data {
    int count;
    const double *x, *y;
};

struct reference {
    const char *name;
    struct data data;
    int parameters;
    double start[2][6], certified[6], sd[6];
    double residual_sum;
    void (*residuals)(const void *context, const double *p, double *residual);
    void (*jacobian)(const void *context, const double *p, double *jacobian);
};

/* b1 (1 - exp(-b2 x)) */
static void rise(const void *context, const double *p, double *r)
{
    const struct data *d = context;
    for (int i = 0; i < d->count; i++)
        r[i] = p[0] * (1 - exp(-p[1] * d->x[i])) - d->y[i];
}

static void rise_jacobian(const void *context, const double *p, double *j)
{
    const struct data *d = context;
    for (int i = 0; i < d->count; i++) {
        double e = exp(-p[1] * d->x[i]);
        j[i] = 1 - e;
        j[i + d->count] = p[0] * d->x[i] * e;
    }
}

/* b1 + b2 exp(-x b4) + b3 exp(-x b5) */
static void two_bodies(const void *context, const double *p, double *r)
{
    const struct data *d = context;
    for (int i = 0; i < d->count; i++)
        r[i] = p[0] + p[1] * exp(-d->x[i] * p[3]) + p[2] * exp(-d->x[i] * p[4]) - d->y[i];
}

static void two_bodies_jacobian(const void *context, const double *p, double *j)
{
    const struct data *d = context;
    int n = d->count;
    for (int i = 0; i < n; i++) {
        double a = exp(-d->x[i] * p[3]), b = exp(-d->x[i] * p[4]);
        j[i] = 1;
        j[i + n] = a;
        j[i + 2 * n] = b;
        j[i + 3 * n] = -d->x[i] * p[1] * a;
        j[i + 4 * n] = -d->x[i] * p[2] * b;
    }
}

/* b1 exp(-b2 x) + b3 exp(-b4 x) + b5 exp(-b6 x) */
static void three_decays(const void *context, const double *p, double *r)
{
    const struct data *d = context;
    for (int i = 0; i < d->count; i++) {
        double sum = 0;
        for (int k = 0; k < 6; k += 2)
            sum += p[k] * exp(-p[k + 1] * d->x[i]);
        r[i] = sum - d->y[i];
    }
}

static void three_decays_jacobian(const void *context, const double *p, double *j)
{
    const struct data *d = context;
    int n = d->count;
    for (int i = 0; i < n; i++) {
        for (int k = 0; k < 6; k += 2) {
            double e = exp(-p[k + 1] * d->x[i]);
            j[i + k * n] = e;
            j[i + (k + 1) * n] = -p[k] * d->x[i] * e;
        }
    }
}

static const double misra1a_x[] = {77.6,  114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
                                   378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0};
static const double misra1a_y[] = {10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
                                   44.82, 50.76, 55.05, 61.01, 66.4,  75.47, 81.78};
static const double boxbod_x[] = {1.0, 2.0, 3.0, 5.0, 7.0, 10.0};
static const double boxbod_y[] = {109.0, 149.0, 149.0, 191.0, 213.0, 224.0};
static const double mgh17_x[] = {0.0,   10.0,  20.0,  30.0,  40.0,  50.0,  60.0,  70.0,  80.0,  90.0,  100.0,
                                 110.0, 120.0, 130.0, 140.0, 150.0, 160.0, 170.0, 180.0, 190.0, 200.0, 210.0,
                                 220.0, 230.0, 240.0, 250.0, 260.0, 270.0, 280.0, 290.0, 300.0, 310.0, 320.0};
static const double mgh17_y[] = {0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.85,  0.818, 0.784, 0.751,
                                 0.718, 0.685, 0.658, 0.628, 0.603, 0.58,  0.558, 0.538, 0.522, 0.506, 0.49,
                                 0.478, 0.467, 0.457, 0.448, 0.438, 0.431, 0.424, 0.42,  0.414, 0.411, 0.406};
static const double lanczos3_x[] = {0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55,
                                    0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.15};
static const double lanczos3_y[] = {2.5134, 2.0443, 1.6684, 1.3664, 1.1232, 0.9269, 0.7679, 0.6389,
                                    0.5338, 0.4479, 0.3776, 0.3197, 0.272,  0.2325, 0.1997, 0.1723,
                                    0.1493, 0.1301, 0.1138, 0.1,    0.0883, 0.0783, 0.0698, 0.0624};

static const struct reference references[] = {
    {"Misra1a",
     {14, misra1a_x, misra1a_y},
     2,
     {{500, 0.0001}, {250, 0.0005}},
     {2.3894212918E+02, 5.5015643181E-04},
     {2.7070075241E+00, 7.2668688436E-06},
     1.2455138894E-01,
     rise,
     rise_jacobian},
    {"BoxBOD",
     {6, boxbod_x, boxbod_y},
     2,
     {{1, 1}, {100, 0.75}},
     {2.1380940889E+02, 5.4723748542E-01},
     {1.2354515176E+01, 1.0455993237E-01},
     1.1680088766E+03,
     rise,
     rise_jacobian},
    {"MGH17",
     {33, mgh17_x, mgh17_y},
     5,
     {{50, 150, -100, 1, 2}, {0.5, 1.5, -1, 0.01, 0.02}},
     {3.7541005211E-01, 1.9358469127E+00, -1.4646871366E+00, 1.2867534640E-02, 2.2122699662E-02},
     {2.0723153551E-03, 2.2031669222E-01, 2.2175707739E-01, 4.4861358114E-04, 8.9471996575E-04},
     5.4648946975E-05,
     two_bodies,
     two_bodies_jacobian},
    {"Lanczos3",
     {24, lanczos3_x, lanczos3_y},
     6,
     {{1.2, 0.3, 5.6, 5.5, 6.5, 7.6}, {0.5, 0.7, 3.6, 4.2, 4, 6.3}},
     {8.6816414977E-02, 9.5498101505E-01, 8.4400777463E-01, 2.9515951832E+00, 1.5825685901E+00, 4.9863565084E+00},
     {1.7197908859E-02, 9.7041624475E-02, 4.1488663282E-02, 1.0766312506E-01, 5.8371576281E-02, 3.4436403035E-02},
     1.6117193594E-08,
     three_decays,
     three_decays_jacobian},
};

static void check_fit(const struct reference *f, int start, bool own_jacobian)
{
    struct ls_problem q = {.observations = f->data.count,
                           .parameters = f->parameters,
                           .residuals = f->residuals,
                           .jacobian = own_jacobian ? f->jacobian : NULL,
                           .context = &f->data};
    struct ls_result r;
    struct error err = {""};
    int status = least_squares(&q, f->start[start], &r, &err);
    ck_assert_msg(status == 0, "%s from start %d: %s", f->name, start + 1, err.text);
    /* the sum of squares does not depend on the order of the terms */
    ck_assert_double_eq_tol(r.residual_sum / f->residual_sum, 1, 1e-7);
    for (int k = 0; k < f->parameters; k++) {
        int at = k;
        if (f->parameters > 2) { /* terms may come out in another order */
            for (int i = 0; i < f->parameters; i++) {
                if (fabs(r.p[i] - f->certified[k]) < fabs(r.p[at] - f->certified[k]))
                    at = i;
            }
        }
        ck_assert_msg(fabs(r.p[at] / f->certified[k] - 1) < 1e-6, "%s start %d b%d: %.12g", f->name, start + 1, k + 1,
                      r.p[at]);
        ck_assert_msg(fabs(r.sd[at] / f->sd[k] - 1) < 1e-4, "%s start %d sd of b%d: %.12g", f->name, start + 1, k + 1,
                      r.sd[at]);
    }
}

START_TEST(certified_from_both_starts)
{
    for (size_t i = 0; i < sizeof references / sizeof references[0]; i++) {
        for (int start = 0; start < 2; start++)
            check_fit(&references[i], start, true);
    }
}
END_TEST

START_TEST(certified_by_differences)
{
    for (size_t i = 0; i < sizeof references / sizeof references[0]; i++)
        check_fit(&references[i], 1, false);
}
END_TEST

START_TEST(what_data_do_not_fix_is_refused)
{
    /* two exponentials of one constant: the amplitudes cannot be told apart */
    static const double x[] = {0, 1, 2, 3, 4, 5, 6, 7}, y[] = {3, 2, 1.4, 1, 0.7, 0.5, 0.3, 0.2};
    struct data d = {8, x, y};
    struct ls_problem q = {8, 6, three_decays, three_decays_jacobian, &d, false};
    const double start[] = {1, 0.4, 1, 0.4, 1, 0.4}, bad[] = {1, NAN, 1, 1, 1, 1};
    struct ls_result r;
    struct error err = {""};
    ck_assert_int_eq(least_squares(&q, start, &r, &err), -1);
    ck_assert(strstr(err.text, "not identifiable") == err.text || strstr(err.text, "no convergence") == err.text);
    ck_assert_int_eq(least_squares(&q, bad, &r, &err), -1);
    q.observations = 6;
    ck_assert_int_eq(least_squares(&q, start, &r, &err), -1);
    q.observations = 8;
    q.parameters = 0;
    ck_assert_int_eq(least_squares(&q, start, &r, &err), -1);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("least squares");
    tcase_add_test(t, certified_from_both_starts);
    tcase_add_test(t, certified_by_differences);
    tcase_add_test(t, what_data_do_not_fix_is_refused);
    return suite_main(t);
}
