/* The linear bodies themselves: their course over a record, their periodic solution, the percent-on that follows. */
#include "heat.h"

#include <math.h>

int heat_model_from_parameters(const double *p, struct heat_model *model)
{
    int n = 0;
    for (int b = 0; b < model->bodies; b++) {
        struct heat_body *body = &model->body[b];
        body->steady_k = p[n++];
        body->start_k = p[n++];
        body->tau_on_s = exp(p[n++]);
        body->tau_off_s = model->one_tau ? body->tau_on_s : exp(p[n++]);
    }
    model->idle_k = model->no_idle ? 0 : p[n++];
    return n;
}

void heat_model_run(const struct heat_model *model, const struct heat_record *record, double *rise_k)
{
    double theta[HEAT_BODIES_MAX];
    for (int b = 0; b < model->bodies; b++)
        theta[b] = model->body[b].start_k;
    for (int i = 0; i < record->count; i++) {
        rise_k[i] = model->idle_k;
        for (int b = 0; b < model->bodies; b++) {
            const struct heat_body *body = &model->body[b];
            if (i > 0) {
                double dt = record->time_s[i] - record->time_s[i - 1];
                bool on = record->on[i - 1] != 0;
                double goal = on ? body->steady_k : 0, tau = on ? body->tau_on_s : body->tau_off_s;
                theta[b] = goal + (theta[b] - goal) * exp(-dt / tau);
            }
            rise_k[i] += theta[b];
        }
    }
}

static int check_model(const struct heat_model *m, struct error *err)
{
    if (m->bodies < 1 || m->bodies > HEAT_BODIES_MAX)
        return error_set(err, "a heat model has 1 to %d bodies, not %d", HEAT_BODIES_MAX, m->bodies);
    for (int b = 0; b < m->bodies; b++) {
        if (!isfinite(m->body[b].steady_k) || !(m->body[b].tau_on_s > 0) || !(m->body[b].tau_off_s > 0))
            return error_set(err, "body %d: a steady rise and time constants above 0 s are needed", b + 1);
    }
    return isfinite(m->idle_k) ? 0 : error_set(err, "the idle rise must be a number");
}

/* Rise of one body at the end of the on-load part, over its steady rise, when all cycles are alike:
 * (1 - a) / (1 - a b) with a = exp(-t_on / tau_on), b = exp(-t_off / tau_off). */
static double peak_share(const struct heat_body *body, double on_s, double off_s)
{
    double a = -on_s / body->tau_on_s, b = -off_s / body->tau_off_s;
    if (!(on_s > 0))
        return 0;
    return off_s > 0 ? expm1(a) / expm1(a + b) : 1;
}

int heat_cycle_find(const struct heat_model *model, double percent_on, double cycle_s, struct heat_cycle *cycle,
                    struct error *err)
{
    if (check_model(model, err) != 0)
        return -1;
    if (!(percent_on >= 0) || percent_on > 100)
        return error_set(err, "the percent-on must lie between 0 %% and 100 %%");
    if (!(cycle_s > 0) || !isfinite(cycle_s))
        return error_set(err, "the cycle must be longer than 0 s");
    double on_s = cycle_s * percent_on / 100, off_s = cycle_s - on_s;
    *cycle = (struct heat_cycle){model->idle_k, model->idle_k, model->idle_k};
    for (int b = 0; b < model->bodies; b++) {
        const struct heat_body *body = &model->body[b];
        double peak = body->steady_k * peak_share(body, on_s, off_s);
        double trough = peak * exp(-off_s / body->tau_off_s);
        cycle->peak_k += peak;
        cycle->trough_k += trough;
        cycle->mid_load_k += body->steady_k + (trough - body->steady_k) * exp(-on_s / 2 / body->tau_on_s);
    }
    return 0;
}

/* Peak rise at a percent-on when the heat of the load is `ratio` times the record's. */
static double peak_at(const struct heat_model *model, double percent_on, double cycle_s, double ratio)
{
    double on_s = cycle_s * percent_on / 100, peak = model->idle_k;
    for (int b = 0; b < model->bodies; b++)
        peak += model->body[b].steady_k * ratio * peak_share(&model->body[b], on_s, cycle_s - on_s);
    return peak;
}

/* Percent-on whose peak is limit_k; 0 or 100 where none is. The peak rises with the percent-on. */
static double solve_percent_on(const struct heat_model *model, double limit_k, double cycle_s, double ratio)
{
    double low = 0, high = 100;
    if (peak_at(model, high, cycle_s, ratio) <= limit_k)
        return 100;
    if (peak_at(model, low, cycle_s, ratio) >= limit_k)
        return 0;
    for (int i = 0; i < 100 && high - low > 1e-12; i++) {
        double middle = (low + high) / 2;
        if (peak_at(model, middle, cycle_s, ratio) < limit_k)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

static int check_question(const struct heat_question *q, struct error *err)
{
    if (!isfinite(q->limit_degc) || !isfinite(q->ambient_degc))
        return error_set(err, "limit and ambient must be temperatures");
    if (!(q->u_limit_k >= 0) || !(q->u_ambient_k >= 0) || !isfinite(q->u_limit_k) || !isfinite(q->u_ambient_k))
        return error_set(err, "uncertainties of temperatures must be at least 0 K");
    if (!(q->current_ratio > 0) || q->current_ratio > 100)
        return error_set(err, "the current asked for over the record's must lie above 0");
    if (!(q->cycle_s > 0) || !isfinite(q->cycle_s) || !(q->coverage_k > 0) || !isfinite(q->coverage_k))
        return error_set(err, "cycle and coverage factor must be above 0");
    return 0;
}

int heat_percent_on_of(const struct heat_model *model, const struct heat_question *question, double *percent_on,
                       struct error *err)
{
    if (check_model(model, err) != 0 || check_question(question, err) != 0)
        return -1;
    double ratio = question->current_ratio * question->current_ratio;
    *percent_on = solve_percent_on(model, question->limit_degc - question->ambient_degc, question->cycle_s, ratio);
    return 0;
}

/* Standard uncertainty of (limit - peak) at a percent-on: covariance of the fit, limit, ambient. */
static double margin_uncertainty(const struct heat_fit *fit, const struct heat_question *q, double percent_on,
                                 double ratio)
{
    double gradient[LS_PARAMETERS_MAX] = {0}, p[LS_PARAMETERS_MAX] = {0};
    for (int k = 0; k < fit->parameters; k++)
        p[k] = fit->solution.p[k];
    for (int k = 0; k < fit->parameters; k++) {
        struct heat_model up = fit->model, down = fit->model;
        double step = 1e-5 * (fabs(p[k]) > 1 ? fabs(p[k]) : 1), at = p[k];
        p[k] = at + step;
        (void)heat_model_from_parameters(p, &up);
        p[k] = at - step;
        (void)heat_model_from_parameters(p, &down);
        p[k] = at;
        gradient[k] =
            (peak_at(&up, percent_on, q->cycle_s, ratio) - peak_at(&down, percent_on, q->cycle_s, ratio)) / (2 * step);
    }
    double variance = q->u_limit_k * q->u_limit_k + q->u_ambient_k * q->u_ambient_k;
    for (int i = 0; i < fit->parameters; i++) {
        for (int k = 0; k < fit->parameters; k++)
            variance += gradient[i] * gradient[k] * fit->solution.covariance[i][k];
    }
    return sqrt(fmax(variance, 0));
}

int heat_percent_on(const struct heat_fit *fit, const struct heat_question *question, struct heat_answer *answer,
                    struct error *err)
{
    const struct heat_model *m = &fit->model;
    double x = 0;
    if (heat_percent_on_of(m, question, &x, err) != 0)
        return -1;
    double limit = question->limit_degc - question->ambient_degc;
    double ratio = question->current_ratio * question->current_ratio;
    double u_k = margin_uncertainty(fit, question, x, ratio), off = question->coverage_k * u_k;
    double step = 0.01, up = fmin(x + step, 100), down = fmax(x - step, 0);
    double slope =
        (peak_at(m, up, question->cycle_s, ratio) - peak_at(m, down, question->cycle_s, ratio)) / (up - down);
    *answer = (struct heat_answer){
        .percent_on = x,
        .u_pct = u_k / slope,
        .low_pct = solve_percent_on(m, limit - off, question->cycle_s, ratio),
        .high_pct = question->limit_seen ? solve_percent_on(m, limit + off, question->cycle_s, ratio) : 100,
        .at_least = !question->limit_seen,
        .capped = x <= 0 || x >= 100,
    };
    return 0;
}

/* By how much a lagging model rises on after the load has opened: two bodies, the quick one taking away. */
static double after_rise_k(const struct heat_model *m, double on_s, double off_s)
{
    if (m->bodies < 2)
        return 0;
    double quick = m->body[0].steady_k * peak_share(&m->body[0], on_s, off_s), tau_q = m->body[0].tau_off_s;
    double slow = m->body[1].steady_k * peak_share(&m->body[1], on_s, off_s), tau_s = m->body[1].tau_off_s;
    if (!(quick < 0) || !(tau_q < tau_s) || !(-quick / tau_q > slow / tau_s))
        return 0;
    double at_s = fmin(log(-quick * tau_s / (slow * tau_q)) / (1 / tau_q - 1 / tau_s), off_s);
    return quick * expm1(-at_s / tau_q) + slow * expm1(-at_s / tau_s);
}

int heat_equilibrium(const struct heat_fit *fit, double percent_on, double cycle_s, double *peak_k, double *u_k,
                     struct error *err)
{
    struct heat_cycle cycle = {0};
    struct heat_question question = {.cycle_s = cycle_s};
    if (heat_cycle_find(&fit->model, percent_on, cycle_s, &cycle, err) != 0)
        return -1;
    double on_s = cycle_s * percent_on / 100;
    *peak_k = cycle.peak_k + after_rise_k(&fit->model, on_s, cycle_s - on_s);
    *u_k = margin_uncertainty(fit, &question, percent_on, 1);
    return 0;
}
