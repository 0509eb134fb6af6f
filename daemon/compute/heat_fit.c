/* Fitting the bodies to a record, and refusing what the record does not tell. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "heat.h"

enum { CANDIDATES = 8 };

/* The record as fitted: thinned out, rise over intake. */
struct thinned {
    struct heat_record record;
    double time_s[HEAT_POINTS_MAX], rise_k[HEAT_POINTS_MAX], intake_degc[HEAT_POINTS_MAX];
    unsigned char on[HEAT_POINTS_MAX];
};

struct context {
    const struct thinned *thinned;
    struct heat_model shape;
};

struct heat_limits heat_limits_default(void)
{
    return (struct heat_limits){0.25, 1.0, 3, 0.02};
}

static double intake_at(const struct heat_record *r, int i)
{
    return r->intake_degc != NULL ? r->intake_degc[i] : r->intake_const_degc;
}

static int check_record(const struct heat_record *r, struct error *err)
{
    if (r->count < HEAT_POINTS_LEAST)
        return error_set(err, "bad record: %d readings, at least %d are needed", r->count, HEAT_POINTS_LEAST);
    if (!(r->noise_k >= 0) || !isfinite(r->noise_k))
        return error_set(err, "bad record: the thermometer's noise must be at least 0 K");
    bool any_on = false;
    for (int i = 0; i < r->count; i++) {
        if (!isfinite(r->time_s[i]) || !isfinite(r->temperature_degc[i]) || !isfinite(intake_at(r, i)))
            return error_set(err, "bad record: reading %d is not a number", i + 1);
        if (i > 0 && !(r->time_s[i] > r->time_s[i - 1]))
            return error_set(err, "bad record: time does not rise at reading %d", i + 1);
        any_on = any_on || r->on[i] != 0;
    }
    return any_on ? 0 : error_set(err, "bad record: the load was never on");
}

/* Keeps at most HEAT_POINTS_MAX readings, evenly, and each at which the load changed. */
static int thin(const struct heat_record *r, struct thinned *t, struct error *err)
{
    int changes = 0;
    for (int i = 1; i < r->count; i++)
        changes += (r->on[i] != 0) != (r->on[i - 1] != 0);
    if (changes > HEAT_POINTS_MAX / 2)
        return error_set(err, "bad record: the load changed %d times, more than can be followed", changes);
    int stride = (r->count + HEAT_POINTS_MAX - changes - 2) / (HEAT_POINTS_MAX - changes - 1), n = 0;
    for (int i = 0; i < r->count; i++) {
        bool changed = i > 0 && (r->on[i] != 0) != (r->on[i - 1] != 0);
        if (i % stride != 0 && !changed)
            continue;
        t->time_s[n] = r->time_s[i];
        t->intake_degc[n] = intake_at(r, i);
        t->rise_k[n] = r->temperature_degc[i] - t->intake_degc[n];
        t->on[n++] = r->on[i] != 0;
    }
    t->record = (struct heat_record){
        .count = n, .time_s = t->time_s, .on = t->on, .intake_degc = t->intake_degc, .noise_k = r->noise_k};
    return 0;
}

static void residuals(const void *context, const double *p, double *residual)
{
    const struct context *c = context;
    struct heat_model model = c->shape;
    (void)heat_model_from_parameters(p, &model);
    heat_model_run(&model, &c->thinned->record, residual);
    for (int i = 0; i < c->thinned->record.count; i++)
        residual[i] -= c->thinned->rise_k[i];
}

static double highest(const double *v, int count)
{
    double most = v[0];
    for (int i = 1; i < count; i++)
        most = fmax(most, v[i]);
    return most;
}

/* Start values for one try: time constants as shares of the record's length. */
static int start_values(const struct thinned *t, const struct heat_model *shape, const double *shares, double *p)
{
    const struct heat_record *r = &t->record;
    double span = r->time_s[r->count - 1] - r->time_s[0], rise = fmax(highest(t->rise_k, r->count), 1);
    int n = 0;
    for (int b = 0; b < shape->bodies; b++) {
        p[n++] = 1.5 * rise / shape->bodies;
        p[n++] = t->rise_k[0] / shape->bodies;
        p[n++] = log(span * shares[b]);
        if (!shape->one_tau)
            p[n++] = log(span * shares[b]);
    }
    if (!shape->no_idle)
        p[n++] = 0;
    return n;
}

/* The quicker body first, so that results can be compared. */
static void order_bodies(struct heat_fit *fit)
{
    struct heat_model *m = &fit->model;
    if (m->bodies < 2 || m->body[0].tau_on_s <= m->body[1].tau_on_s)
        return;
    int width = m->one_tau ? 3 : 4;
    struct ls_result old = fit->solution;
    for (int i = 0; i < fit->parameters; i++) {
        int from_i = i < 2 * width ? (i + width) % (2 * width) : i;
        fit->solution.p[i] = old.p[from_i];
        fit->solution.sd[i] = old.sd[from_i];
        for (int k = 0; k < fit->parameters; k++) {
            int from_k = k < 2 * width ? (k + width) % (2 * width) : k;
            fit->solution.covariance[i][k] = old.covariance[from_i][from_k];
        }
    }
    (void)heat_model_from_parameters(fit->solution.p, m);
}

/* Readings close in time err alike, which makes a plain covariance too small: it is widened by (1 + r) / (1 - r), with
 * r the correlation of neighbouring residuals. */
static void widen(struct heat_fit *fit, const double *residual, int count)
{
    double up = 0, down = 0;
    for (int i = 0; i < count; i++) {
        down += residual[i] * residual[i];
        if (i > 0)
            up += residual[i] * residual[i - 1];
    }
    double r = down > 0 ? fmin(fmax(up / down, 0), 0.98) : 0, factor = (1 + r) / (1 - r);
    for (int i = 0; i < fit->parameters; i++) {
        fit->solution.sd[i] *= sqrt(factor);
        for (int k = 0; k < fit->parameters; k++)
            fit->solution.covariance[i][k] *= factor;
    }
}

/* Why a fit may not be believed; NULL when it may. */
static const char *why_not(const struct heat_fit *fit, const struct heat_limits *limits)
{
    const struct heat_model *m = &fit->model;
    for (int b = 0; b < m->bodies; b++) {
        const struct heat_body *body = &m->body[b];
        if (fit->tau_on_rel[b] > limits->tau_rel_max || fit->tau_off_rel[b] > limits->tau_rel_max)
            return "a time constant is too uncertain";
        if (body->tau_on_s > limits->tau_span_max * fit->span_s || body->tau_off_s > limits->tau_span_max * fit->span_s)
            return "a time constant is longer than the record";
    }
    /* A case that lags behind what heats it shows as a quick body that takes away; the whole must still warm. */
    const struct heat_body *slow = &m->body[m->bodies - 1];
    if (!(slow->steady_k > 0) || (m->bodies == 2 && !(m->body[0].steady_k + slow->steady_k > 0)))
        return "a body would cool under load";
    if (m->bodies == 2 && m->body[1].tau_on_s < 1.5 * m->body[0].tau_on_s)
        return "the two bodies cannot be told apart";
    return NULL;
}

static void relative_taus(struct heat_fit *fit)
{
    int width = fit->model.one_tau ? 3 : 4;
    for (int b = 0; b < fit->model.bodies; b++) {
        fit->tau_on_rel[b] = fit->solution.sd[b * width + 2]; /* of a logarithm: relative */
        fit->tau_off_rel[b] = fit->model.one_tau ? fit->tau_on_rel[b] : fit->solution.sd[b * width + 3];
    }
}

static int fit_candidate(const struct thinned *t, const struct heat_model *shape, double *scratch, struct heat_fit *fit,
                         struct error *err)
{
    static const double shares[3][2] = {{0.1, 0.5}, {0.03, 0.3}, {0.4, 1.0}};
    struct context context = {t, *shape};
    bool any = false;
    for (int i = 0; i < 3; i++) {
        double p[LS_PARAMETERS_MAX];
        struct ls_problem problem = {
            .observations = t->record.count, .residuals = residuals, .context = &context, .brief = true};
        struct ls_result result;
        problem.parameters = start_values(t, shape, shares[i], p);
        if (least_squares(&problem, p, &result, err) != 0)
            continue;
        if (!any || result.residual_sum < fit->solution.residual_sum) {
            fit->solution = result;
            fit->parameters = problem.parameters;
            any = true;
        }
    }
    if (!any)
        return -1;
    fit->model = *shape;
    (void)heat_model_from_parameters(fit->solution.p, &fit->model);
    residuals(&context, fit->solution.p, scratch);
    widen(fit, scratch, t->record.count);
    order_bodies(fit);
    relative_taus(fit);
    fit->residual_k = fit->solution.residual_sd;
    fit->points = t->record.count;
    return 0;
}

static void describe(const struct thinned *t, struct heat_fit *fit)
{
    const struct heat_record *r = &t->record;
    double on_s = 0, intake = 0;
    fit->span_s = r->time_s[r->count - 1] - r->time_s[0];
    for (int i = 0; i < r->count; i++) {
        intake += t->intake_degc[i] / r->count;
        if (i > 0 && t->on[i - 1] != 0)
            on_s += r->time_s[i] - r->time_s[i - 1];
    }
    fit->highest_rise_k = highest(t->rise_k, r->count);
    fit->highest_on_rise_k = t->rise_k[0];
    for (int i = 1; i < r->count; i++)
        if (t->on[i - 1] != 0)
            fit->highest_on_rise_k = fmax(fit->highest_on_rise_k, t->rise_k[i]);
    fit->intake_degc = intake;
    fit->on_share = on_s / fit->span_s;
}

static int choose(const struct thinned *t, const struct heat_limits *limits, double *scratch, struct heat_fit *best,
                  struct error *err)
{
    bool any = false;
    int dropped = 0;
    char refused[sizeof best->refused] = "";
    for (int i = 0; i < CANDIDATES; i++) {
        struct heat_model shape = {.bodies = i < 4 ? 1 : 2, .one_tau = i % 2 == 0, .no_idle = i % 4 < 2};
        struct heat_fit fit = {.parameters = 0};
        struct error problem = {""};
        describe(t, &fit);
        const char *reason = "not identifiable";
        if (fit_candidate(t, &shape, scratch, &fit, &problem) == 0)
            reason = why_not(&fit, limits);
        if (reason != NULL) {
            dropped++;
            (void)text_copy(refused, sizeof refused, reason);
        } else if (!any || fit.solution.aicc < best->solution.aicc) {
            *best = fit;
            any = true;
        }
    }
    if (!any)
        return error_set(err, "not identifiable: the record of %.0f min does not fix the unit's heating: %s",
                         (t->time_s[t->record.count - 1] - t->time_s[0]) / 60, refused);
    best->dropped = dropped;
    (void)text_copy(best->refused, sizeof best->refused, refused);
    return 0;
}

int heat_fit(const struct heat_record *record, const struct heat_limits *limits, struct heat_fit *fit,
             struct error *err)
{
    int status = -1;
    struct thinned *t = calloc(1, sizeof *t);
    double *scratch = calloc(HEAT_POINTS_MAX, sizeof *scratch);
    if (t == NULL || scratch == NULL) {
        error_set(err, "out of memory");
        goto done;
    }
    if (check_record(record, err) != 0 || thin(record, t, err) != 0 || choose(t, limits, scratch, fit, err) != 0)
        goto done;
    double least = t->rise_k[0];
    for (int i = 1; i < t->record.count; i++)
        least = fmin(least, t->rise_k[i]);
    double allowed =
        fmax(limits->residual_factor * record->noise_k, limits->residual_share * (fit->highest_rise_k - least));
    if (fit->residual_k > allowed) {
        error_set(
            err,
            "not linear: the record strays %.2g K from the best model, more than %.2g K; a fan that runs on demand "
            "does that",
            fit->residual_k, allowed);
        goto done;
    }
    status = 0;
done:
    free(t);
    free(scratch);
    return status;
}
