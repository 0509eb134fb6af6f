#include "least_squares.h"

#include <cminpack.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { RESTARTS_MAX = 25, RESTARTS_BRIEF = 3, EVALUATIONS_MAX = 4000, EVALUATIONS_BRIEF = 120 };

struct work {
    const struct ls_problem *problem;
    int m, n;
    double *residual, *jacobian, *up, *down, *scratch;
    int *pivot;
};

static void work_free(struct work *w)
{
    free(w->residual);
    free(w->jacobian);
    free(w->up);
    free(w->down);
    free(w->scratch);
    free(w->pivot);
}

static int work_new(struct work *w, const struct ls_problem *problem)
{
    size_t m = (size_t)problem->observations, n = (size_t)problem->parameters;
    *w = (struct work){.problem = problem, .m = problem->observations, .n = problem->parameters};
    w->residual = calloc(m, sizeof(double));
    w->jacobian = calloc(m * n, sizeof(double));
    w->up = calloc(m, sizeof(double));
    w->down = calloc(m, sizeof(double));
    w->scratch = calloc(m + 8 * n, sizeof(double));
    w->pivot = calloc(n, sizeof(int));
    if (w->residual == NULL || w->jacobian == NULL || w->up == NULL || w->down == NULL || w->scratch == NULL ||
        w->pivot == NULL)
        return -1;
    return 0;
}

static void fill_jacobian(struct work *w, const double *p, double *jacobian)
{
    const struct ls_problem *q = w->problem;
    if (q->jacobian != NULL) {
        q->jacobian(q->context, p, jacobian);
        return;
    }
    double moved[LS_PARAMETERS_MAX];
    memcpy(moved, p, (size_t)w->n * sizeof *p);
    for (int k = 0; k < w->n; k++) {
        double step = 6e-6 * (fabs(p[k]) > 1e-3 ? fabs(p[k]) : 1e-3); /* cube root of the machine's precision */
        moved[k] = p[k] + step;
        q->residuals(q->context, moved, w->up);
        moved[k] = p[k] - step;
        q->residuals(q->context, moved, w->down);
        moved[k] = p[k];
        for (int i = 0; i < w->m; i++)
            jacobian[i + w->m * k] = (w->up[i] - w->down[i]) / (2 * step);
    }
}

static int evaluate(void *context, int m, int n, const double *p, double *residual, double *jacobian, int leading,
                    int what)
{
    struct work *w = context;
    (void)n;
    (void)leading; /* always m */
    if (what == 1) {
        w->problem->residuals(w->problem->context, p, residual);
        for (int i = 0; i < m; i++) {
            if (!isfinite(residual[i]))
                residual[i] = 1e150; /* far worse than anything: the step is taken back */
        }
    } else {
        fill_jacobian(w, p, jacobian);
        for (int i = 0; i < m * n; i++) {
            if (!isfinite(jacobian[i]))
                return -1;
        }
    }
    return 0;
}

static double sum_of_squares(struct work *w, const double *p)
{
    double sum = 0;
    w->problem->residuals(w->problem->context, p, w->residual);
    for (int i = 0; i < w->m; i++)
        sum += w->residual[i] * w->residual[i];
    return isfinite(sum) ? sum : INFINITY;
}

/* One run from p, which is replaced by the result. Returns the solver's answer; 1 to 4, 6 to 8 are ends. */
static int solve(struct work *w, double *p, double factor)
{
    double scale[LS_PARAMETERS_MAX];
    int calls = 0, jacobian_calls = 0;
    double *s = w->scratch, *qtf = s, *wa1 = s + w->n, *wa2 = s + 2 * w->n, *wa3 = s + 3 * w->n, *wa4 = s + 4 * w->n;
    bool brief = w->problem->brief;
    double close = brief ? 1e-12 : 1e-15;
    return lmder(evaluate, w, w->m, w->n, p, w->residual, w->jacobian, w->m, close, close, 0,
                 brief ? EVALUATIONS_BRIEF : EVALUATIONS_MAX, scale, 1, factor, 0, &calls, &jacobian_calls, w->pivot,
                 qtf, wa1, wa2, wa3, wa4);
}

/* From the start with one step bound, then again from the result while it still gets better. */
static double descend(struct work *w, const double *start, double factor, double *p)
{
    memcpy(p, start, (size_t)w->n * sizeof *p);
    double best = sum_of_squares(w, p);
    int restarts = w->problem->brief ? RESTARTS_BRIEF : RESTARTS_MAX;
    double worth = w->problem->brief ? 1e-9 : 1e-14;
    for (int i = 0; i < restarts; i++) {
        double next[LS_PARAMETERS_MAX];
        memcpy(next, p, (size_t)w->n * sizeof *p);
        int answer = solve(w, next, i == 0 ? factor : 1);
        double sum = answer < 0 ? INFINITY : sum_of_squares(w, next);
        if (!(sum < best))
            break;
        memcpy(p, next, (size_t)w->n * sizeof *p);
        if (sum > best * (1 - worth)) {
            best = sum;
            break;
        }
        best = sum;
    }
    return best;
}

/* R of the Jacobian whose columns are scaled to length 1, by Householder's reflections in long double; scale holds the
 * lengths. Returns the ratio of the largest to the smallest diagonal, INFINITY when a column vanishes. */
static double triangle(const struct work *w, long double r[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX], long double *scale,
                       long double *a)
{
    int m = w->m, n = w->n;
    for (int k = 0; k < n; k++) {
        long double length = 0;
        for (int i = 0; i < m; i++)
            length += (long double)w->jacobian[i + m * k] * w->jacobian[i + m * k];
        scale[k] = sqrtl(length);
        if (!(scale[k] > 0))
            return INFINITY;
        for (int i = 0; i < m; i++)
            a[i + m * k] = w->jacobian[i + m * k] / scale[k];
    }
    long double least = INFINITY, most = 0;
    for (int k = 0; k < n; k++) {
        long double norm = 0;
        for (int i = k; i < m; i++)
            norm += a[i + m * k] * a[i + m * k];
        long double alpha = a[k + m * k] > 0 ? -sqrtl(norm) : sqrtl(norm);
        long double v0 = a[k + m * k] - alpha, vv = norm - 2 * alpha * a[k + m * k] + alpha * alpha;
        r[k][k] = alpha;
        for (int j = k + 1; j < n && vv > 0; j++) {
            long double dot = v0 * a[k + m * j];
            for (int i = k + 1; i < m; i++)
                dot += a[i + m * k] * a[i + m * j];
            dot *= 2 / vv;
            a[k + m * j] -= dot * v0;
            for (int i = k + 1; i < m; i++)
                a[i + m * j] -= dot * a[i + m * k];
            r[k][j] = a[k + m * j];
        }
        least = fminl(least, fabsl(alpha));
        most = fmaxl(most, fabsl(alpha));
    }
    return least > 0 ? (double)(most / least) : INFINITY;
}

/* s^2 (J'J)^-1 from R. */
static void covariance(int n, long double r[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX], const long double *scale,
                       double variance, struct ls_result *result)
{
    long double inverse[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX] = {{0}};
    for (int j = 0; j < n; j++) {
        inverse[j][j] = 1 / r[j][j];
        for (int i = j - 1; i >= 0; i--) {
            long double sum = 0;
            for (int k = i + 1; k <= j; k++)
                sum += r[i][k] * inverse[k][j];
            inverse[i][j] = -sum / r[i][i];
        }
    }
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            long double sum = 0;
            for (int k = i > j ? i : j; k < n; k++)
                sum += inverse[i][k] * inverse[j][k];
            result->covariance[i][j] = (double)(sum * variance / (scale[i] * scale[j]));
        }
        result->sd[i] = sqrt(result->covariance[i][i]);
    }
}

/* Is the gradient flat? The residuals must stand square on every column of the Jacobian, unless they vanish. */
static int is_minimum(const struct work *w, double sum, const long double *scale)
{
    for (int k = 0; k < w->n; k++) {
        long double dot = 0;
        for (int i = 0; i < w->m; i++)
            dot += (long double)w->jacobian[i + w->m * k] * w->residual[i];
        if (fabsl(dot) > 1e-5L * scale[k] * sqrtl(sum) + 1e-300L)
            return 0;
    }
    return 1;
}

static int conclude(struct work *w, double sum, struct ls_result *result, struct error *err)
{
    int m = w->m, n = w->n;
    long double r[LS_PARAMETERS_MAX][LS_PARAMETERS_MAX] = {{0}}, scale[LS_PARAMETERS_MAX] = {0};
    long double *copy = calloc((size_t)m * (size_t)n, sizeof *copy);
    if (copy == NULL)
        return error_set(err, "out of memory");
    fill_jacobian(w, result->p, w->jacobian);
    (void)sum_of_squares(w, result->p); /* residuals at the result */
    result->condition = triangle(w, r, scale, copy);
    free(copy);
    if (!(result->condition < 1e9))
        return error_set(err, "not identifiable: the data do not fix all %d parameters", n);
    if (!is_minimum(w, sum, scale))
        return error_set(err, "no convergence: the sum of squares can still fall");
    int dof = m - n, k = n + 1;
    result->residual_sum = sum;
    result->dof = dof;
    result->residual_sd = sqrt(sum / dof);
    covariance(n, r, scale, sum / dof, result);
    result->aicc = m * log(fmax(sum, 1e-300) / m) + 2 * k;
    result->aicc = m - k - 1 > 0 ? result->aicc + 2.0 * k * (k + 1) / (m - k - 1) : INFINITY;
    return 0;
}

static int check_problem(const struct ls_problem *q, const double *start, struct error *err)
{
    if (q->parameters < 1 || q->parameters > LS_PARAMETERS_MAX)
        return error_set(err, "1 to %d parameters can be fitted, not %d", LS_PARAMETERS_MAX, q->parameters);
    if (q->observations <= q->parameters)
        return error_set(err, "%d parameters need more than %d observations", q->parameters, q->observations);
    for (int i = 0; i < q->parameters; i++) {
        if (!isfinite(start[i]))
            return error_set(err, "start value %d is not a number", i + 1);
    }
    return 0;
}

int least_squares(const struct ls_problem *problem, const double *start, struct ls_result *result, struct error *err)
{
    static const double factors[] = {100, 10, 1, 0.1};
    struct work w = {0};
    int status = -1;
    if (check_problem(problem, start, err) != 0)
        return -1;
    if (work_new(&w, problem) != 0) {
        error_set(err, "out of memory");
        goto done;
    }
    *result = (struct ls_result){.residual_sum = INFINITY};
    if (!isfinite(sum_of_squares(&w, start))) {
        error_set(err, "no convergence: the model gives no numbers at the start values");
        goto done;
    }
    double best = INFINITY;
    int tries = problem->brief ? 1 : (int)(sizeof factors / sizeof factors[0]);
    for (int i = 0; i < tries; i++) {
        double p[LS_PARAMETERS_MAX];
        double sum = descend(&w, start, factors[i], p);
        if (sum < best) {
            best = sum;
            memcpy(result->p, p, (size_t)w.n * sizeof *p);
        }
    }
    status = conclude(&w, best, result, err);
done:
    work_free(&w);
    return status;
}
