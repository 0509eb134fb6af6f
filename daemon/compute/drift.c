#include "drift.h"

enum { PAIRS_MAX = DRIFT_POINTS * (DRIFT_POINTS - 1) / 2 };

static const double ns_per_hour = 3.6e12;

void drift_begin(struct drift_series *s)
{
    s->first = 0;
    s->count = 0;
}

static int slot(const struct drift_series *s, int i)
{
    return (s->first + i) % DRIFT_POINTS;
}

int drift_add(struct drift_series *s, int64_t at_ns, double rise_k)
{
    if (!__builtin_isfinite(rise_k))
        return -1;
    if (s->count > 0 && at_ns <= s->at_ns[slot(s, s->count - 1)])
        return -1;
    if (s->count == DRIFT_POINTS) {
        s->first = slot(s, 1);
        s->count--;
    }
    int i = slot(s, s->count);
    s->at_ns[i] = at_ns;
    s->rise_k[i] = rise_k;
    s->count++;
    return 0;
}

/* Shell's sort: no recursion, no allocation. */
static void sort(double *v, int count)
{
    for (int gap = count / 2; gap > 0; gap = gap == 2 ? 1 : gap * 5 / 11) {
        for (int i = gap; i < count; i++) {
            double x = v[i];
            int k = i;
            for (; k >= gap && v[k - gap] > x; k -= gap)
                v[k] = v[k - gap];
            v[k] = x;
        }
    }
}

static double median(double *v, int count)
{
    sort(v, count);
    return count % 2 == 1 ? v[count / 2] : (v[count / 2 - 1] + v[count / 2]) / 2;
}

int median_slope(const double *x, const double *y, int count, double *slope, struct error *err)
{
    double slopes[PAIRS_MAX];
    int n = 0;
    if (count < 2 || count > DRIFT_POINTS)
        return error_set(err, "a median slope needs 2 to %d points, not %d", DRIFT_POINTS, count);
    for (int i = 0; i < count; i++) {
        if (!__builtin_isfinite(x[i]) || !__builtin_isfinite(y[i]))
            return error_set(err, "every point of a slope must be a number");
        for (int k = 0; k < i; k++) {
            if (x[i] > x[k] || x[i] < x[k])
                slopes[n++] = (y[i] - y[k]) / (x[i] - x[k]);
        }
    }
    if (n == 0)
        return error_set(err, "the points of a slope must not all lie at the same place");
    *slope = median(slopes, n);
    return 0;
}

/* Scatter of the points about the median line, and the spread of x. */
static double scatter(const double *x, const double *y, int count, double slope, double *sxx)
{
    double offsets[DRIFT_POINTS] = {0}, mx = 0, squares = 0;
    for (int i = 0; i < count; i++) {
        offsets[i] = y[i] - slope * x[i];
        mx += x[i] / count;
    }
    double sorted[DRIFT_POINTS] = {0};
    for (int i = 0; i < count; i++)
        sorted[i] = offsets[i];
    double intercept = median(sorted, count);
    *sxx = 0;
    for (int i = 0; i < count; i++) {
        squares += (offsets[i] - intercept) * (offsets[i] - intercept);
        *sxx += (x[i] - mx) * (x[i] - mx);
    }
    return __builtin_sqrt(squares / (count - 2));
}

int drift_find(const struct drift_series *s, int64_t window_ns, double noise_k, enum coverage coverage,
               struct drift *drift, struct error *err)
{
    double x[DRIFT_POINTS], y[DRIFT_POINTS];
    if (!(noise_k >= 0) || window_ns <= 0)
        return error_set(err, "noise must be at least 0 K and the window longer than 0");
    int count = 0;
    int64_t newest = s->count > 0 ? s->at_ns[slot(s, s->count - 1)] : 0, oldest = newest;
    for (int i = 0; i < s->count; i++) {
        int k = slot(s, i);
        if (newest - s->at_ns[k] > window_ns)
            continue;
        if (count == 0)
            oldest = s->at_ns[k];
        x[count] = (double)(s->at_ns[k] - oldest) / ns_per_hour;
        y[count++] = s->rise_k[k];
    }
    if (count < DRIFT_POINTS_LEAST)
        return error_set(err, "drift needs at least %d cycles in the window, there are %d", DRIFT_POINTS_LEAST, count);
    double slope = 0, sxx = 0, t = coverage_factor(coverage, count - 2);
    if (__builtin_isnan(t))
        return error_set(err, "unknown coverage number %d", (int)coverage);
    if (median_slope(x, y, count, &slope, err) != 0)
        return -1;
    double s_k = scatter(x, y, count, slope, &sxx);
    if (s_k < noise_k)
        s_k = noise_k;
    double half = t * s_k / __builtin_sqrt(sxx);
    *drift = (struct drift){slope, slope - half, slope + half, s_k, newest - oldest, count};
    return 0;
}

bool drift_is_equilibrium(const struct drift *drift, int64_t window_ns, double limit_k_per_h)
{
    return drift->span_ns >= window_ns - window_ns / 20 && drift->high_k_per_h <= limit_k_per_h;
}
